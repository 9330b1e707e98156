"""Bodies and drivers of design files: what their keys stand for, that they read back, and what the id tells apart."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from design_texts import GOOD, waveguide
from evenflare.air import Air
from evenflare.commands import remarks
from evenflare.design.file import Design, default_observation, design_id, design_toml
from evenflare.units import DEGREE
from evenflare.waveguide import (
    BodyPoints,
    Conical,
    Driver,
    Mounting,
    Points,
    RolledShell,
    RoundCabinet,
    Source,
    Waveguide,
)
from evenflare.waveguide.body import volume
from sameness import LAST_DIGIT

CONE = Conical(0.09, 42 * DEGREE)
MOUTH = Waveguide(CONE).meridian.mouth_radius
FREE = '[mounting]\nkind = "free_standing"\n'


def designed(driver, mounting=None):
    made = Waveguide(CONE, driver, mounting or Mounting())
    return Design("trial", made, Air(), default_observation(made))


def numbers(value):
    """A body or driver as one row of numbers."""
    if isinstance(value, complex):
        return [value.real, value.imag]
    if isinstance(value, int | float):
        return [float(value)]
    parts = value if isinstance(value, tuple) else vars(value).values()
    return [number for part in parts if part is not None and not isinstance(part, str) for number in numbers(part)]


class TestKeys:
    def test_rolled_shell(self, read):
        sizes = "rim_radius_mm = 20\nback_diameter_mm = 120\nback_depth_mm = 40\nback_edge_radius_mm = 15\n"
        found = read(f'{GOOD}{FREE}outline = "rolled_shell"\n{sizes}').waveguide
        assert found.mounting.kind == "free_standing"
        assert numbers(found.mounting.body) == pytest.approx([0.02, 0.12, 0.04, 0.015], rel=LAST_DIGIT)
        assert isinstance(found.mounting.body, RolledShell)

    def test_round_cabinet_whose_edges_are_sharp_unless_said(self, read):
        text = f'{GOOD}{FREE}outline = "round_cabinet"\ndiameter_mm = 300\ndepth_mm = 250\n'
        assert read(text).waveguide.mounting.body == RoundCabinet(0.3, 0.25, 0.0)
        assert read(f"{text}edge_radius_mm = 30\n").waveguide.mounting.body == RoundCabinet(0.3, 0.25, 0.03)

    def test_body_csv(self, read):
        body = f"# of a drawing\nindex,z_mm,r_mm\n1,90,{MOUTH * 1e3:.3f}\n2,90,150\n3,-60,150\n3,-60,150\n4,-60,0\n"
        found = read(f'{GOOD}{FREE}body_csv = "body.csv"\ncorner_deg = 12\n', body=body).waveguide
        assert found.mounting.body.corner == 12 * DEGREE
        assert found.mounting.body.points[1:] == ((0.09, 0.15), (-0.06, 0.15), (-0.06, 0.0))
        assert volume(found.outside) == pytest.approx(np.pi * 0.15**2 * 0.15, rel=1e-9)  # a cylinder

    def test_profile_that_runs_back_to_the_axis(self, read):
        whole = "z_mm,r_mm\n0,12.7\n80,80\n80,150\n-60,150\n-60,0\n"
        expected = BodyPoints(((0.08, 0.08), (0.08, 0.15), (-0.06, 0.15), (-0.06, 0.0)))
        inline = "points_mm = [[0, 12.7], [80, 80], [80, 150], [-60, 150], [-60, 0]]"
        for text in (
            waveguide('meridian_csv = "p.csv"'),
            waveguide('meridian_csv = "p.csv"') + FREE,
            waveguide(inline),
        ):
            found = read(text, p=whole).waveguide
            assert found.shape == Points(((0.0, 0.0127), (0.08, 0.08)))
            assert found.mounting == Mounting(body=expected)

    def test_driver(self, read):
        found = read(GOOD + "velocity_profile = [[0, 1], [0.5, 0.97], [1, 0.8]]\n").waveguide.driver
        assert found == Driver(velocity_profile=((0.0, 1.0), (0.5, 0.97), (1.0, 0.8)))
        assert read(GOOD).waveguide.driver == Driver()
        assert read(GOOD + 'source = "pressure"\n').waveguide.driver.source == Source("pressure")

    def test_source_csv(self, read):
        text = GOOD + 'source = "impedance"\nsource_impedance_csv = "s.csv"\n'
        bare = "frequency_hz,resistance,reactance\n100,1.5,-2\n30000,2,0.25\n"
        found = read(text, s=bare).waveguide.driver.source
        assert found == Source("impedance", (100.0, 30000.0), (1.5 - 2j, 2 + 0.25j), (1.0, 1.0))
        known = "reactance,frequency_hz,pressure_pa,resistance\n-2,100,20,1.5\n0.25,30000,4,2\n"
        found = read(text, s=known).waveguide.driver.source
        assert found == Source("impedance", (100.0, 30000.0), (1.5 - 2j, 2 + 0.25j), (20.0, 4.0))

    def test_frequencies_asked_for_within_those_known(self, read):
        source = (
            'source = "impedance"\nsource_frequencies_hz = [500, 5000]\nsource_resistance = [1, 2]\n'
            "source_reactance = [0, 0]\n"
        )
        found = read(f"{GOOD}{source}[analysis]\nfrom_hz = 500\nto_hz = 5000\n")
        assert found.observation.frequency[[0, -1]] == pytest.approx([500, 5000], rel=LAST_DIGIT)


class TestSource:
    SOURCE = Source("impedance", (100.0, 400.0, 10000.0), (1 + 2j, 3 - 2j, 3 + 0j), (2.0, 4.0, 4.0))

    def test_what_is_given_and_half_an_interval_on_a_logarithmic_axis(self):
        impedance, pressure = self.SOURCE.at_frequency(np.array([100.0, 200.0, 400.0, 2000.0]))
        assert impedance == pytest.approx(np.array([1 + 2j, 2 + 0j, 3 - 2j, 3 - 1j]))
        assert pressure == pytest.approx(np.array([2.0, 3.0, 4.0, 4.0]))

    def test_nothing_is_guessed_outside(self):
        assert self.SOURCE.covers(np.array([100.0, 10000.0]))
        with pytest.raises(ValueError, match=r"given from 100 to 10000 Hz: must cover what is asked, 50 to 200 Hz"):
            self.SOURCE.at_frequency(np.array([50.0, 200.0]))

    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            (("velocity", (100.0,)), 'of kind "velocity" has no impedance'),
            (("impedance",), "needs two frequencies at least"),
            (("impedance", (100.0, 200.0), (1j,), (1.0, 1.0)), "an impedance and pressure for each"),
            (("impedance", (200.0, 100.0), (1j, 1j), (1.0, 1.0)), "must rise, from above 0"),
            (("impedance", (100.0, 200.0), (-1 + 0j, 1j), (1.0, 1.0)), "resistance of a source must be 0"),
            (("impedance", (100.0, 200.0), (1j, 1j), (1.0, 0.0)), "pressure of a source must be above 0"),
        ],
    )
    def test_what_is_no_source(self, arguments, message):
        with pytest.raises(ValueError, match=message):
            Source(*arguments)

    def test_best_design_of_a_search_asks_only_for_what_is_known(self, read):
        design = designed(Driver(source=self.SOURCE))
        assert design.observation.frequency[[0, -1]] == pytest.approx([300, 10000], rel=LAST_DIGIT)
        again = read(design_toml(design))
        assert again.observation.frequency == pytest.approx(design.observation.frequency, rel=LAST_DIGIT)
        low = designed(Driver(source=replace(self.SOURCE, frequency=(10.0, 20.0, 30.0))))
        assert low.observation.frequency[[0, -1]] == pytest.approx([10, 30], rel=LAST_DIGIT)


size = st.floats(0.02, 0.06)
BODIES = st.one_of(
    st.builds(RolledShell, st.floats(0.0, 0.04), st.floats(0.1, 0.3), size, st.floats(0.0, 0.004)),
    st.builds(RoundCabinet, st.floats(0.25, 0.6), st.floats(0.12, 0.5), st.floats(0.0, 0.02)),
    st.builds(
        lambda r, back, corner: BodyPoints(((0.09, MOUTH), (0.09, r), (-back, r), (-back, 0.0)), corner * DEGREE),
        st.floats(0.12, 0.4),
        size,
        st.floats(4.0, 30.0),
    ),
)
SOURCES = st.one_of(
    st.builds(Source, st.sampled_from(["velocity", "pressure"])),
    st.builds(
        lambda r, x, p: Source("impedance", (50.0, 1234.5, 40000.0), tuple(map(complex, r, x)), tuple(p)),
        st.lists(st.floats(0.0, 1e4), min_size=3, max_size=3),
        st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3),
        st.lists(st.floats(1e-3, 1e4), min_size=3, max_size=3),
    ),
)
PROFILES = st.none() | st.builds(
    lambda inner, edge: ((0.0, 1.0), (0.5, inner), (1.0, edge)), st.floats(0.0, 2.0), st.floats(0.0, 2.0)
)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=BODIES, source=SOURCES, profile=PROFILES)
def test_any_body_and_driver_read_back(read, body, source, profile):
    design = designed(Driver(0.0127, 0.1, profile, source), Mounting(body=body))
    found = read(design_toml(design))
    assert design_id(found) == design_id(design)
    assert type(found.waveguide.mounting.body) is type(body)
    for old, new in (
        (body, found.waveguide.mounting.body),
        (design.waveguide.driver, found.waveguide.driver),
    ):
        assert numbers(new) == pytest.approx(numbers(old), rel=LAST_DIGIT, abs=1e-15)
    assert design_toml(found) == design_toml(design)
    assert volume(found.waveguide.outside) == pytest.approx(volume(design.waveguide.outside), rel=1e-9)


class TestId:
    def test_ids_of_older_designs_stay(self, read):
        """Written down before bodies, profiles and sources were known: parts carry them."""
        assert design_id(read(GOOD)) == "147826bafd68"
        sphere = read(GOOD + 'exit_half_angle_deg = 6\n[mounting]\nkind = "sphere"\nradius_mm = 170\n')
        assert design_id(sphere) == "a15a3f2ef4f8"
        assert design_id(read(GOOD + 'source = "velocity"\n')) == "147826bafd68"

    def test_tells_bodies_and_drivers_apart(self):
        source = Source("impedance", (100.0, 1000.0), (1 + 1j, 1 + 1j), (1.0, 1.0))
        drivers = [
            Driver(),
            Driver(velocity_profile=((0.0, 1.0), (1.0, 1.0))),
            Driver(velocity_profile=((0.0, 1.0), (1.0, 0.9))),
            Driver(source=Source("pressure")),
            Driver(source=source),
            Driver(source=replace(source, impedance=(1 + 1j, 1 - 1j))),
            Driver(source=replace(source, pressure=(1.0, 2.0))),
        ]
        mountings = [
            Mounting(0.2),
            Mounting(body=RoundCabinet(0.3, 0.25, 0.01)),
            Mounting(body=RoundCabinet(0.3, 0.25, 0.02)),
            Mounting(body=RolledShell(0.02, 0.25, 0.05)),
            Mounting(body=BodyPoints(((0.09, MOUTH), (-0.06, 0.0)))),
            Mounting(body=BodyPoints(((0.09, MOUTH), (-0.06, 0.0)), 20 * DEGREE)),
        ]
        designs = [designed(driver) for driver in drivers] + [designed(Driver(), mounting) for mounting in mountings]
        assert len({design_id(design) for design in designs}) == len(designs)


def test_body_is_said_to_be_acoustic_only_where_a_solid_is_made(tmp_path):
    made = Waveguide(CONE, mounting=Mounting(body=RoundCabinet(0.3, 0.25)))
    words = "the outline of the body is acoustic only: the solid is what [solid] asks for, without that outside"

    def said(waveguide, **how):
        return any(line.startswith(words) for line in remarks.notes(tmp_path / "d.toml", waveguide, **how))

    assert said(made, made="block")
    assert not said(made, made="body")
    assert not said(made)
    assert not said(Waveguide(CONE), made="block")
