"""Design files of oblong waveguides: what they mean in SI, that a written one reads back to the same, and remarks."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from design_texts import DRIVER, HORIZONTAL, OBLONG, VERTICAL, oblong, planes
from evenflare.air import Air
from evenflare.commands import remarks
from evenflare.design.file import Design, Solid, default_observation, design_id, design_toml
from evenflare.design.proof import prove
from evenflare.directivity.types import Observation
from evenflare.files import InputError
from evenflare.units import DEGREE
from evenflare.waveguide import (
    FAMILIES,
    Conical,
    Driver,
    Free,
    Limits,
    Mounting,
    OblateSpheroidal,
    Oblong,
    ParameterSpace,
    Points,
    RoundedRectangle,
    Superellipse,
    Tractrix,
    Waveguide,
)
from sameness import LAST_DIGIT, same

CONE = Conical(0.09, 42 * DEGREE)
FLAT = OblateSpheroidal(0.09, 25 * DEGREE)
CSVS = '[waveguide]\nhorizontal_csv = "h.csv"\nvertical_csv = "v.csv"\n'


def designed(shape, **other):
    waveguide = Waveguide(shape)
    return Design("trial", waveguide, **{"air": Air(), "observation": default_observation(waveguide)} | other)


def test_planes_and_defaults(read):
    design = read(OBLONG)
    assert same(design.waveguide.shape, Oblong(CONE, FLAT, Superellipse(2.0)))
    assert design.waveguide.mounting == Mounting()
    assert design.solid == Solid()
    observation = design.observation
    assert observation.symmetry == "two_planes"
    assert observation.plane == pytest.approx([0.0, np.pi / 4, np.pi / 2], rel=LAST_DIGIT)
    assert observation.off_axis == pytest.approx(np.arange(37) * 5 * DEGREE, abs=1e-15)  # rounding
    assert observation.reference_z == design.waveguide.depth == pytest.approx(0.09, rel=LAST_DIGIT)
    usual = default_observation(design.waveguide)
    assert np.array_equal(usual.plane, observation.plane)
    assert (usual.symmetry, usual.reference_z) == ("two_planes", observation.reference_z)


def test_a_round_waveguide_is_observed_in_one_plane():
    observation = default_observation(Waveguide(CONE))
    assert (observation.plane.tolist(), observation.symmetry) == ([0.0], "round")


@pytest.mark.parametrize(
    ("keys", "section"),
    [
        ("section_exponent = 2", Superellipse(2.0)),
        ("section_exponent = 3.5", Superellipse(3.5)),
        ("section_exponent = [[0, 2], [40, 2.5], [90, 4]]", Superellipse(((0.0, 2.0), (0.04, 2.5), (0.09, 4.0)))),
        ("section_exponent = [[90, 4]]", Superellipse(((0.0, 2.0), (0.09, 4.0)))),
        ("corner_radius_mm = 30", RoundedRectangle(0.03)),
    ],
)
def test_sections(read, keys, section):
    assert same(read(oblong(keys)).waveguide.shape.section, section)


def test_points_of_both_planes_in_csvs_beside_the_file(read, tmp_path):
    (tmp_path / "h.csv").write_text("# probed\nz_mm,r_mm\n0,12.7\n40,40\n90,100\n", encoding="utf-8")
    (tmp_path / "v.csv").write_text("r_mm,z_mm,note\n12.7,0,rim\n60,90,mouth\n", encoding="utf-8")
    shape = read(f"{CSVS}section_exponent = 4\ncorner_deg = 3\n{DRIVER}").waveguide.shape
    assert same(shape.horizontal, Points(((0.0, 0.0127), (0.04, 0.04), (0.09, 0.1)), 3 * DEGREE))
    assert shape.horizontal.corners == (1,)
    assert same(shape.vertical, Points(((0.0, 0.0127), (0.09, 0.06)), 3 * DEGREE))
    assert shape.section == Superellipse(4.0)


def test_planes_of_points_a_csv_and_a_family_mix(read, tmp_path):
    (tmp_path / "p.csv").write_text("z_mm,r_mm\n0,12.7\n90,60\n", encoding="utf-8")
    shape = read(planes('meridian_csv = "p.csv"\ncorner_deg = 12', "points_mm = [[0, 12.7], [90, 40]]")).waveguide.shape
    assert same(shape.horizontal, Points(((0.0, 0.0127), (0.09, 0.06)), 12 * DEGREE))
    assert same(shape.vertical, Points(((0.0, 0.0127), (0.09, 0.04))))
    mixed = read(f'[waveguide.horizontal]\nmeridian_csv = "p.csv"\n{VERTICAL}{DRIVER}').waveguide
    assert (mixed.mouth_width, mixed.depth) == pytest.approx((0.12, 0.09), rel=LAST_DIGIT)


def test_every_other_key_becomes_si(read):
    design = read(
        OBLONG + "[analysis]\nazimuths_deg = [0, 30, 60, 90]\nreference_z_mm = 80\n"
        '[solid]\nkind = "shell"\nwall_mm = 7\nflange_width_mm = 320\nflange_height_mm = 180\nbolt_circle_mm = 150\n'
        "bolts = 4\n"
    )
    assert design.observation.plane == pytest.approx(np.arange(4) * 30 * DEGREE, abs=1e-15)  # rounding
    assert design.observation.reference_z == 0.08
    expected = Solid("shell", 0.007, bolt_circle=0.15, bolts=4, flange_width=0.32, flange_height=0.18)
    assert same(design.solid, expected)
    assert same(read(OBLONG + "[solid]\nflange_diameter_mm = 320\n").solid, Solid(flange_diameter=0.32))


def test_a_cutoff_counts_in_the_air_of_the_file(read):
    text = planes('family = "tractrix"\ncutoff_hz = 500\ndepth_mm = 90', "points_mm = [[0, 12.7], [90, 40]]")
    shape = read(text + "[air]\nspeed_of_sound_m_per_s = 330\n").waveguide.shape
    assert same(shape.horizontal, Tractrix(330 / (2 * np.pi * 500), 0.09))


unit = st.floats(0.0, 1.0)
sections = st.one_of(
    st.just(Superellipse()),
    st.floats(1.5, 20.0).map(Superellipse),
    st.lists(st.floats(1.5, 20.0), min_size=1, max_size=5).map(
        lambda values: Superellipse(tuple((0.011 * (i + 1), value) for i, value in enumerate(values)))
    ),
    st.floats(1e-3, 0.04).map(RoundedRectangle),
)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    families=st.tuples(st.sampled_from(FAMILIES), st.sampled_from(FAMILIES)),
    vectors=st.tuples(*[st.lists(unit, min_size=12, max_size=12)] * 2),
    depth=st.floats(0.04, 0.15),
    speed=st.floats(320.0, 360.0),
    exit_radius=st.floats(0.008, 0.03),
    half_angle=st.floats(0.0, 0.5),
    section=sections,
)
def test_any_two_families_read_back(read, families, vectors, depth, speed, exit_radius, half_angle, section):
    """Depths are of the search's making: a free curve's follows from its arc and comes out to a micrometre."""
    driver, shapes = Driver(exit_radius, half_angle), []
    for family, vector in zip(families, vectors, strict=True):
        space = ParameterSpace(family, Limits(depth=(depth, depth * 1.001), mouth_diameter=(0.15, 0.29)), driver)
        values = np.array(vector[: len(space.names)])
        values[space.names.index("depth")] = 0.0
        shapes.append(space.waveguide(values).shape)
    waveguide = Waveguide(Oblong(*shapes, section), driver)
    try:
        prove(waveguide, "trial")
    except InputError:
        assume(False)
    design = Design("trial", waveguide, Air(speed, 1.2), default_observation(waveguide))
    found = read(design_toml(design))
    assert same(found.waveguide, waveguide)
    assert design_id(found) == design_id(design)
    for name in ("horizontal", "vertical"):
        wall, expected = getattr(found.waveguide.surface, name).dense, getattr(waveguide.surface, name).dense
        # 1e-9 m is far below any tool; near a tractrix's cusp the last digit of the cutoff counts by its root
        assert np.abs(wall.z - expected.z).max() < 1e-9
        assert np.abs(wall.r - expected.r).max() < 1e-9


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rises=st.tuples(*[st.lists(st.floats(0.5e-3, 4e-3), min_size=8, max_size=8)] * 2),
    step=st.floats(2e-3, 4e-3),
    throat=st.floats(11.8e-3, 13.6e-3),
    corners=st.tuples(st.floats(5.0, 12.0), st.floats(5.0, 12.0)),
    section=sections,
)
def test_any_points_read_back(read, rises, step, throat, corners, section):
    walls = [
        Points(tuple((i * step, r) for i, r in enumerate([throat, *(throat + np.cumsum(rise))])), corner * DEGREE)
        for rise, corner in zip(rises, corners, strict=True)
    ]
    waveguide = Waveguide(Oblong(*walls, section))
    try:
        prove(waveguide, "trial")
    except InputError:
        assume(False)
    design = Design("trial", waveguide, Air(), default_observation(waveguide))
    found = read(design_toml(design))
    assert same(found.waveguide, waveguide)
    assert design_id(found) == design_id(design)
    assert "_csv" not in design_toml(design)


def test_a_whole_design_reads_back(read):
    text = (
        oblong("section_exponent = [[0, 2], [90, 4]]")
        + "[analysis]\nfrequencies_hz = [500, 1000]\nazimuths_deg = [0, 22.5, 90]\noff_axis_step_deg = 10\n"
        "distance_m = 2\n[solid]\nflange_width_mm = 320\nflange_height_mm = 180\n"
    )
    design = read(text)
    again = read(design_toml(design))
    assert same(again.waveguide, design.waveguide)
    assert same(again.solid, design.solid)
    assert again.observation.plane.tolist() == design.observation.plane.tolist()
    assert again.observation.frequency.tolist() == [500.0, 1000.0]
    assert (again.observation.symmetry, again.observation.distance) == ("two_planes", 2.0)
    assert design_toml(again) == design_toml(design)


def test_written_values_are_as_a_person_wrote_them(read):
    text = design_toml(read(oblong("section_exponent = 3.5") + "[analysis]\nazimuths_deg = [0, 30, 90]\n"))
    for lines in ("section_exponent = 3.5", "azimuths_deg = [0.0, 30.0, 90.0]", HORIZONTAL, VERTICAL):
        written = lines.strip().replace("= 90", "= 90.0").replace("= 42", "= 42.0").replace("= 25", "= 25.0")
        assert f"\n{written.replace('90.00', '90.0')}\n" in text
    assert "azimuths_deg" not in design_toml(read(OBLONG))
    assert "section_exponent = 2.0" in design_toml(read(OBLONG))


def test_id_tells_planes_and_sections_apart_and_nothing_else():
    design = designed(Oblong(CONE, FLAT))
    first = design_id(design)
    same = replace(design, name="other", solid=Solid("shell"), air=Air(330.0))
    assert design_id(same) == first
    others = [
        Oblong(FLAT, CONE),
        Oblong(CONE, Conical(0.09, 25 * DEGREE)),
        Oblong(OblateSpheroidal(0.09, 42 * DEGREE), FLAT),
        Oblong(CONE, replace(FLAT, wall_angle=25.0001 * DEGREE)),
        Oblong(CONE, FLAT, Superellipse(2.001)),
        Oblong(CONE, FLAT, Superellipse(((0.0, 2.0), (0.09, 3.0)))),
        Oblong(CONE, FLAT, Superellipse(3.0)),
        Oblong(CONE, FLAT, RoundedRectangle(0.03)),
        CONE,
    ]
    assert len({first, *(design_id(designed(shape)) for shape in others)}) == 1 + len(others)


def test_id_is_the_same_from_one_release_to_the_next(read):
    """Part files carry it: it is written down here once, of no other source."""
    assert design_id(read(OBLONG)) == "5b70119d1259"


@pytest.mark.parametrize("plane", [[0.0], [0.0, 0.5], [0.3, np.pi / 2], [0.0, np.pi / 2, 2.0]])
def test_planes_that_no_file_can_state_are_refused(plane):
    design = designed(Oblong(CONE, FLAT))
    usual = design.observation
    observation = Observation(usual.frequency, usual.off_axis, plane=np.array(plane), symmetry="two_planes")
    with pytest.raises(ValueError, match="from 0 to 90 degrees of an oblong one"):
        design_toml(replace(design, observation=observation))


def test_several_planes_of_a_round_waveguide_are_refused():
    design = designed(CONE)
    usual = design.observation
    observation = Observation(usual.frequency, usual.off_axis, plane=np.array([0.0, np.pi / 2]))
    with pytest.raises(ValueError, match="one plane of a round waveguide"):
        design_toml(replace(design, observation=observation))


def test_a_waveguide_made_in_python_is_proved_as_one_from_a_file():
    with pytest.raises(InputError, match=r"trial \[waveguide\.horizontal\] is 90 mm deep, \[waveguide\.vertical\] 80"):
        prove(Waveguide(Oblong(CONE, replace(FLAT, depth=0.08))), "trial")
    with pytest.raises(InputError, match=r"trial \[mounting\] kind = \"sphere\": must be \"baffle\""):
        prove(Waveguide(Oblong(CONE, FLAT), mounting=Mounting(0.3)), "trial")


def test_depths_that_differ_by_less_than_a_micrometre_are_one():
    free = Free(0.1, 0.0, (0.0, 0.0))
    prove(Waveguide(Oblong(free, replace(FLAT, depth=0.1 + 5e-7))), "trial")
    with pytest.raises(InputError, match=r"is 100 mm deep, \[waveguide\.vertical\] 100\.002"):
        prove(Waveguide(Oblong(free, replace(FLAT, depth=0.1 + 2e-6))), "trial")


BENT = Points(((0.0, 0.0127), (0.04, 0.03), (0.09, 0.1)))
LOOSE = Points(((0.0, 0.0127), (0.02, 0.014), (0.05, 0.03), (0.09, 0.09)), 40 * DEGREE)


def test_remarks_name_the_planes():
    waveguide = Waveguide(Oblong(BENT, LOOSE))
    said = remarks.corners_kept(waveguide)
    assert said.startswith(
        "horizontal: corners kept at z = 40.0 mm; between points the smooth wall leaves the straight"
    )
    assert "; vertical: no corners kept; between points" in said
    assert [text.split(" by up to")[0] for text in remarks.warnings(Path("d.toml"), waveguide)] == [
        "d.toml [waveguide] vertical: the smooth wall leaves the straight lines between its points"
    ]
    assert "Lower corner_deg, 40 now" in remarks.warnings(Path("d.toml"), waveguide)[0]


def test_remarks_on_one_plane_of_points_leave_the_other_out():
    waveguide = Waveguide(Oblong(CONE, Points(((0.0, 0.0127), (0.09, 0.04)))))
    assert remarks.corners_kept(waveguide) == (
        "vertical: no corners kept; between points the smooth wall leaves the straight lines by up to 0.00 mm"
    )
    assert remarks.corners_kept(Waveguide(Oblong(CONE, FLAT))) == ""
    assert remarks.warnings(Path("d.toml"), Waveguide(Oblong(CONE, FLAT))) == []


def test_notes_give_the_throat_corner_of_each_plane():
    def noted(shape, half_angle=0.0):
        return remarks.notes(Path("d.toml"), Waveguide(shape, Driver(exit_half_angle=half_angle * DEGREE)))

    end = " between exit and wall at the throat"
    assert noted(Oblong(CONE, FLAT)) == [f"corner of 42.0 deg (horizontal){end}"]  # oblate-spheroidal walls begin at 0
    assert noted(Oblong(CONE, FLAT), 20) == [f"corner of 22.0 deg (horizontal) and 20.0 deg (vertical){end}"]
    assert noted(Oblong(FLAT, FLAT)) == []
    narrow = replace(FLAT, wall_angle=1 * DEGREE)
    assert noted(Oblong(FLAT, narrow)) == [
        "d.toml [waveguide] vertical: a wall angle of 1 degrees is almost a tube. If 1 is in radians, write"
        " wall_angle_deg = 57.3"
    ]


def test_an_oblong_waveguide_that_reads_is_solvable():
    remarks.check_solvable(Waveguide(Oblong(CONE, FLAT)))
