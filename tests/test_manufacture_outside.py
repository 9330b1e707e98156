"""A body's outside on lathe and router: paths against circles in closed form and a geometry library, cut in software
as asked, planted errors found, and what a straight tool does not reach refused."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from evenflare.design.file import Solid
from evenflare.files import InputError, write_text
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.milling.facing import facing_back
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.operations import lathe_operations, operations
from evenflare.manufacture.milling.outside_milled import slot_beside
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.outline import outline
from evenflare.manufacture.part.rim import rim_of
from evenflare.manufacture.part.sides import sides_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Mounting, Waveguide
from evenflare.waveguide.body import BodyPoints, RolledShell, RoundCabinet

RIM, DEPTH, BEHIND = 6 * MM, 20 * MM, 10 * MM
SOLID = Solid(kind="body", seat_diameter=40 * MM)
FREE = Waveguide(
    Conical(DEPTH, 40 * DEGREE, 6 * MM), Driver(), Mounting(body=RolledShell(RIM, 62 * MM, BEHIND, 4 * MM))
)
SIZES = solid_sizes(FREE.meridian, SOLID, body=FREE.mounting.body)
FEATURES = fitted(FREE, SIZES, features_of(SOLID))
ROUTER, LATHE = (replace(read_process(name), seat=FEATURES.seat) for name in ("router", "lathe"))
MOUTH = FREE.meridian.mouth_radius


def programs(process):
    make = lathe_operations if process is LATHE else operations
    found = make(FREE, process, SIZES, FEATURES)
    assert found.left == ()
    return {each.name: each for each in found.programs if each.name.startswith("outside")}


@pytest.fixture(scope="module")
def made():
    return {process.name: programs(process) for process in (ROUTER, LATHE)}


@pytest.fixture(scope="module")
def proved(made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("outside")
    return {process.name: cut(folder, process, made[process.name]) for process in (ROUTER, LATHE)}


def cut(folder, process, texts, part=(FREE, SIZES, FEATURES)):
    """Proofs by name, of programs or of the texts of their files."""
    paths = []
    for name, each in texts.items():
        paths.append(folder / f"{name}.nc")
        text = each if isinstance(each, str) else gcode(each, process, design_id="0a1b2c", name="free")
        write_text(paths[-1], text)
    waveguide, sizes, features = part
    found = prove_files(waveguide, paths, process, sizes=sizes, features=features, grid=0.6 * MM)
    return {each.program: each for each in found.programs}


def half_section():
    """Of the part, (r, z from the mouth plane), by its own outline at a chord error of 0.1 um."""
    ring = outline(FREE.meridian, SIZES, chord_error=1e-7, features=FEATURES)
    return shapely.Polygon(np.column_stack([ring[:, 1], ring[:, 0] - DEPTH]))


def test_every_program_leaves_what_is_asked_and_meets_no_more_than_it_states(proved):
    names = ["outside_roughing", "outside_finishing", "outside_back_roughing", "outside_back_finishing"]
    assert list(proved["router"]) == names
    assert list(proved["lathe"]) == ["outside", "outside_back"]
    for each in [*proved["router"].values(), *proved["lathe"].values()]:
        assert each.accepted, each
        assert 0.5 * MM < each.engagement.size <= each.engagement_stated < 8 * MM
        if "roughing" not in each.program:
            # The scallop height that was asked for and 5 um, a tenth of the tolerance.
            assert each.leftover_allowed == pytest.approx((0.005 if "lathe" in each.datum else 0.01) * MM, abs=1e-5)
            assert each.leftover.size <= each.leftover_allowed


def test_a_lathes_nose_keeps_its_radius_off_the_part_and_touches_the_rim(made):
    """The rolled rim is a circle: the nose's centre runs on one that is larger by its radius; and a geometry library's
    distance from the path to the part's own half-section is the radius, on both sides of the widest place."""
    nose, part = LATHE.tool(LATHE.outside_tool).corner_radius, half_section()
    front, back = made["lathe"]["outside"], made["lathe"]["outside_back"]
    place = front.position[~front.rapid][:, [0, 2]]
    off = np.hypot(place[:, 0] - MOUTH, place[:, 1] + RIM) - RIM - nose
    on_rim = (np.abs(off) < 2e-6) & (place[:, 0] > MOUTH) & (place[:, 1] > -RIM)
    assert on_rim.sum() > 50
    assert place[on_rim, 1].min() < -0.9 * RIM
    for program, turned in ((front, part), (back, shapely.affinity.scale(part, 1, -1, origin=(0, 0)))):
        moved = turned if program is front else shapely.affinity.translate(turned, 0, -(DEPTH + BEHIND))
        path = shapely.LineString(program.position[1:][:, [0, 2]])
        # Straight moves lie within the micrometre that the program states of the parallel.
        assert path.distance(moved) == pytest.approx(nose, abs=program.chord + 1e-6)
    # What is left for the second side is said, and where.
    lowest = -RIM / MM
    assert any(f"Z {lowest:.3f}" in line and "outside_back" in line for line in front.setup)


def test_a_routers_ball_runs_on_the_rims_torus(made):
    ball, program = ROUTER.tool(ROUTER.finishing_tool).radius, made["router"]["outside_finishing"]
    tips = program.position[~program.rapid][2:-1]
    off = np.hypot(np.hypot(tips[:, 0], tips[:, 1]) - MOUTH, tips[:, 2] + ball + RIM) - RIM - ball
    # Between its rows the spiral is a cubic through circles: micrometres are the path's own chord error.
    assert np.abs(off).max() < 2e-6
    turn = np.unwrap(np.arctan2(tips[:, 1], tips[:, 0]))
    assert np.all(np.diff(turn) < 1e-9)  # clockwise: climbs outside
    assert any("ridges of 0.01" in line for line in program.setup)


def test_tabs_hold_the_body_at_its_widest_place(made):
    """No tip goes below a tab's top within half its width, on the outside's circle, in any program from the back."""
    front, back = sides_of(FREE.meridian, FREE.mounting.body, share=0.5)
    # Within the chord error of the points that stand for the outside.
    assert front.widest == pytest.approx(MOUTH + RIM, abs=1e-7)
    hold, ball = ROUTER.hold_down, ROUTER.tool(ROUTER.finishing_tool).radius
    top = back.lowest + ball + hold.tab_height
    for name in ("outside_back_roughing", "outside_back_finishing"):
        path, tool = made["router"][name].position, made["router"][name].tool
        deep = path[path[:, 2] < top - 1e-9]
        assert len(deep) > 100
        for azimuth in (np.arange(4) + 0.5) * 0.5 * np.pi:
            middle, along = np.array([np.cos(azimuth), np.sin(azimuth)]), np.array([-np.sin(azimuth), np.cos(azimuth)])
            ends = (back.widest * middle + s * hold.tab_width * along for s in (-0.5, 0.0, 0.5))
            assert min(np.hypot(*(deep[:, :2] - end).T).min() for end in ends) > tool.radius


@pytest.mark.parametrize(
    ("process", "name"), [(ROUTER, "outside_finishing"), (LATHE, "outside"), (LATHE, "outside_back")]
)
@pytest.mark.parametrize("off", [-0.3, 0.3])
def test_a_single_wrong_place_on_the_outside_is_found(made, tmp_path, process, name, off):
    text = gcode(made[process.name][name], process, design_id="0a1b2c", name="free")
    lines = text.split("\n")
    rows = [k for k, line in enumerate(lines) if re.search(r"X[\d.-]+.*Z-", line) and not line.startswith("(")]
    # In the middle of the side, where the finishing path passes slopes: the last rows are the spiral's or contour's.
    k = rows[int(0.75 * len(rows))] if process is ROUTER else rows[-len(rows) // 4]
    lines[k] = re.sub(r"Z(-?[\d.]+)", lambda z: f"Z{float(z[1]) + off:.4f}", lines[k])
    assert lines[k] not in text
    before = {} if process is LATHE else {"outside_roughing": made["router"]["outside_roughing"]}
    found = cut(tmp_path, process, {**before, name: "\n".join(lines)})[name]
    assert not found.accepted
    if off < 0.0:
        assert found.gouge.size > 0.06 * MM
    else:
        assert found.leftover.size > found.leftover_allowed


def test_a_sharp_rim_that_is_the_widest_place_is_the_whole_of_its_front(tmp_path):
    """The cutter rolls round the edge in the mouth plane, from above it to beside it, and all else is the back's."""
    sharp = replace(FREE, mounting=Mounting(body=RolledShell(0.0, 50 * MM, BEHIND)))
    front, back = sides_of(sharp.meridian, sharp.mounting.body, share=0.5)
    assert (front.lowest, front.inner, front.widest) == pytest.approx((0.0, MOUTH, MOUTH), abs=1e-9)
    assert front.line.angle[[0, -1]] == pytest.approx([0.5 * np.pi, np.pi])
    assert back.lowest == pytest.approx(-DEPTH - BEHIND, abs=1e-9)
    sizes = solid_sizes(sharp.meridian, SOLID, body=sharp.mounting.body)
    part = (sharp, sizes, fitted(sharp, sizes, features_of(SOLID)))
    made = {each.name: each for each in lathe_operations(sharp, LATHE, *part[1:]).programs}
    found = cut(tmp_path, LATHE, {name: made[name] for name in ("outside", "outside_back")}, part)
    assert [each.accepted for each in found.values()] == [True, True]


@pytest.mark.parametrize("wide", [True, False])
def test_stock_that_is_too_thick_is_faced_as_far_as_the_slot_from_the_back_reaches(tmp_path, wide):
    """Faced no further than the body, the slot's cutter would meet all of what stands beside it."""
    spare = 9 * MM
    thick = replace(ROUTER, stock=replace(ROUTER.stock, size=(240 * MM, 240 * MM, DEPTH + BEHIND + spare)))
    beside = slot_beside(thick) if wide else 0.0
    faced = facing_back(FREE, thick, rim_of(SIZES), whole=False, beside=beside, pinned=True)
    slot = programs(thick)["outside_back_roughing"]
    assert slot.position[slot.rapid][0, 2] == pytest.approx(thick.machine.safe_height + spare)
    found = cut(tmp_path, thick, {"facing_back": faced, "outside_back_roughing": slot})
    assert found["facing_back"].accepted
    assert found["outside_back_roughing"].accepted is wide
    if not wide:
        assert found["outside_back_roughing"].engagement.size > spare


def test_a_cylinder_is_shared_out_and_an_outside_with_a_waist_refused():
    cylinder = RoundCabinet(80 * MM, 40 * MM, 5 * MM)
    for share, lowest in ((0.5, -20 * MM), (1.0, -35 * MM)):
        front, back = sides_of(FREE.meridian, cylinder, share=share)
        assert front.lowest == pytest.approx(lowest, abs=1e-9)
        assert front.lowest - back.lowest == pytest.approx(2 * lowest + 40 * MM, abs=1e-9)
    waist = BodyPoints(
        tuple((z * MM, r * MM) for z, r in ((20, MOUTH / MM), (15, 50), (5, 36), (-5, 42), (-15, 42), (-15, 0))),
    )
    with pytest.raises(InputError, match="hides from the back"):
        sides_of(FREE.meridian, waist, share=0.5)
