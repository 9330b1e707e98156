"""Process files, and the formulas for ridges."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from commandline import DESIGN, said
from evenflare.files import InputError
from evenflare.manufacture.process.file import BUNDLED, read_process
from evenflare.manufacture.wall.scallop import centre_step, passes, stepover
from evenflare.units import MILLIMETRE as MM

ROUTER = files("evenflare.manufacture").joinpath("processes", "router.toml").read_text("utf-8")


def test_bundled_processes_read_and_their_steps_have_tools():
    for name in BUNDLED:
        found = read_process(name)
        assert found.name == name
        for step in (found.roughing_tool, found.finishing_tool, found.seat_tool):
            assert not step or found.tool(step).name == step
    router = read_process("router")
    assert router.machine.cutting_feed == pytest.approx(2400 * MM / 60)
    assert router.tool("ball 6").corner_radius == pytest.approx(3 * MM)
    assert read_process("lathe").tool("bar, nose 0.8").diameter == pytest.approx(1.6 * MM)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("safe_height_mm", "safe_hight_mm", ["[machine] safe_hight_mm", "Did you mean safe_height_mm?"]),
        ("[seat]", "[seet]", ["[seet]", "Did you mean [seat]?"]),
        ('finishing_tool = "ball 6"', 'finishing_tool = "bull 12"', ["is of kind bull", "must be ball"]),
        ('seat_tool = "flat 6"', 'seat_tool = "flat 8"', ['must be one of [[tools]]: "bull 12", "ball 6", "flat 6"']),
        ("corner_radius_mm = 1", "corner_radius_mm = 6", ['tool "bull 12"', "below half the diameter, 6"]),
        ("reach_mm = 125", "reach_mm = 145", ['tool "ball 6"', "is over 24 times its diameter"]),
        ("flute_length_mm = 30", "flute_length_mm = 130", ['tool "ball 6"', "at most reach_mm = 125"]),
        ("scallop_height_mm = 0.01", "scallop_height_mm = 0.2", ["at most tolerance_mm = 0.05"]),
        ("bolt_circle_mm = 76.2", "bolt_circle_mm = 86", ["must lie within the seat of 90"]),
        ('kind = "router"', 'kind = "ruter"', ['must be "router", "lathe" or "none"', "Did you mean router?"]),
        ("spindle_rpm = 16000", "", ["spindle_rpm: missing"]),
        ('["mill_programs"]', '["pattern"]', ['makes: "pattern" needs [casting]. Add that, or remove it']),
        ('["mill_programs"]', '["lathe_programs"]', ['"lathe_programs" needs [machine] kind = "lathe"']),
        ('["mill_programs"]', '["mill_programs", "mill_programs"]', ['makes: names "mill_programs" twice']),
        ('["mill_programs"]', '["mil_programs"]', ["makes", "Did you mean mill_programs?"]),
        ('["mill_programs"]', "[]", ["makes", "must hold at least 1 value"]),
        ('name = "router"', 'name = "a\\nG0 Z-50"', ["name", "must be one line of text"]),
    ],
)
def test_a_fault_in_a_process_file_is_told_with_its_key_and_remedy(tmp_path, old, new, words):
    path = tmp_path / "mine.toml"
    assert old in ROUTER
    path.write_text(ROUTER.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_process(path)
    for word in [str(path), *words]:
        assert word in str(told.value)


def test_measured_sheets_are_in_millimetres(tmp_path):
    path = tmp_path / "mine.toml"
    text = files("evenflare.manufacture").joinpath("processes", "sheets.toml").read_text("utf-8")
    path.write_text(
        text.replace("measured_thickness_mm = []", "measured_thickness_mm = [17.6, 18.1]"), encoding="utf-8"
    )
    assert read_process(path).stock.measured_thickness == pytest.approx((0.0176, 0.0181))


def test_reach_of_24_diameters_is_taken(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(ROUTER.replace("reach_mm = 125", "reach_mm = 144"), encoding="utf-8")
    assert read_process(path).tool("ball 6").reach == pytest.approx(0.144)


CASTING = """
[casting]
alloy = "bronze"
contraction_percent = 1.3
contraction_of = "casting"
allowance_grade = "G"
draft_deg = 1.5
pull = "front"
grade = 12
"""


def test_each_bundled_process_says_what_it_makes():
    assert {name: read_process(name).makes for name in BUNDLED} == {
        "router": ("mill_programs",),
        "lathe": ("lathe_programs",),
        "sheets": ("sheets",),
        "casting": ("pattern",),
        "print": ("prints",),
    }


def test_a_process_that_does_not_say_makes_all_that_it_can(tmp_path):
    path = tmp_path / "mine.toml"
    silent = ROUTER.replace('makes = ["mill_programs"]\n', "") + CASTING
    path.write_text(silent, encoding="utf-8")
    assert read_process(path).makes == ("mill_programs", "pattern")


@pytest.mark.usefixtures("plain", "unpainted")
def test_what_a_process_makes_decides_what_is_written(here, capsys):
    small = DESIGN.replace("depth_mm = 80", "depth_mm = 20").replace("roundover_radius_mm = 15", "")
    (here / "design.toml").write_text(small, encoding="utf-8")
    for makes, written in (("mill_programs", "finishing.nc"), ("pattern", "pattern.stl")):
        (here / f"{makes}.toml").write_text(ROUTER.replace("mill_programs", makes) + CASTING, encoding="utf-8")
        code, out, err = said(capsys, f"export design.toml --out {makes} --process ./{makes}.toml")
        assert code == 0, out + err
        found = {path.name for path in (here / makes).iterdir()}
        assert found & {"finishing.nc", "pattern.stl"} == {written}
        assert {"solid.stl", "points.csv"} <= found


def test_a_seat_that_states_its_diameter_alone_is_a_place_without_recess_and_bolts(tmp_path):
    path = tmp_path / "mine.toml"
    before, rest = ROUTER.split("[seat]", 1)
    after = rest[rest.index("\n[") :] if "\n[" in rest else ""
    path.write_text(f"{before}[seat]\ndiameter_mm = 90\n{after}", encoding="utf-8")
    seat = read_process(path).seat
    assert (seat.diameter, seat.depth, seat.bolts) == (pytest.approx(90 * MM), 0.0, 0)


def test_a_name_that_is_no_process_gets_the_nearest():
    with pytest.raises(InputError, match="Did you mean lathe"):
        read_process("laethe")


def scallop_height(across, *, radius, curvature=0.0):
    """m, height above the wall of the ridge between two passes of a ball of `radius` (m).

    across    : m, along the wall, at most what the ball spans.
    curvature : 1/m, of the wall across the passes; negative where it is concave seen from the air, above -1 / radius.
    Source    : flat h = R - sqrt(R^2 - s^2 / 4) (elementary geometry, the workshop calculators' formula); curved, the
                triangle of the wall's centre, the ball's centre and the ridge. To first order h = s^2 / 8 (1/R + K).
    """
    s, bend = np.broadcast_arrays(np.asarray(across, dtype=np.float64), np.asarray(curvature, dtype=np.float64))
    flat = np.abs(bend) * (s + radius) < 1e-6
    safe = np.where(flat, 1.0, bend)
    # Height above the chord of contacts from the cosine theorem about the wall's centre, 1 / K away.
    half = 0.5 * s * safe
    centre = 1.0 / safe + radius
    root = np.sqrt(np.maximum(radius**2 - (centre * np.sin(half)) ** 2, 0.0))
    curved = centre * np.cos(half) - root - 1.0 / safe
    return np.asarray(np.where(flat, radius - np.sqrt(radius**2 - 0.25 * s**2), curved))


# Ball-nose table of the workshop calculators: diameter, stepover, height in mm.
TABLE = [
    (3, 0.2, 0.00333705),
    (3, 1.0, 0.0857864),
    (6, 0.5, 0.0104348),
    (6, 2.0, 0.171573),
    (8, 0.5, 0.00782014),
    (10, 2.0, 0.10102051),
    (12, 0.2, 0.000833391),
]
STEPS = [(3, 0.01, 0.345832), (6, 0.01, 0.489490), (6, 0.1, 1.53623), (8, 0.02, 0.901388), (12, 0.05, 1.54596)]


@pytest.mark.parametrize(("diameter", "step", "height"), TABLE)
def test_ridge_on_a_flat_wall_agrees_with_the_table(diameter, step, height):
    # Six digits are printed; the last row is 5 - sqrt(24) by hand.
    assert scallop_height(step * MM, radius=0.5 * diameter * MM) / MM == pytest.approx(height, rel=2e-6)


@pytest.mark.parametrize(("diameter", "height", "step"), STEPS)
def test_stepover_on_a_flat_wall_agrees_with_the_table(diameter, height, step):
    # s = 2 sqrt(2 R h - h^2); 8 mm at 0.02: 2 sqrt(0.16 - 0.0004) = 0.79900.
    expected = 2 * np.sqrt(diameter * height - height**2) if diameter == 8 else step
    assert stepover(height * MM, radius=0.5 * diameter * MM) / MM == pytest.approx(expected, rel=2e-6)


def test_ridge_on_a_curved_wall_agrees_to_first_order():
    # h = s^2 / 8 (1/R + 1/p): 6 mm ball, 0.5 mm apart, on a bulge and in a hollow of 50 mm. The next order is
    # (s / 2R)^2 / 4 = 0.2 %.
    for bend, height in ((1 / 50, 0.0110417), (-1 / 50, 0.00979167)):
        found = scallop_height(0.5 * MM, radius=3 * MM, curvature=bend / MM) / MM
        assert found == pytest.approx(height, rel=4e-3)


@given(
    radius=st.floats(0.5, 10),
    share=st.floats(1e-4, 0.05),
    bend=st.floats(-0.9, 20),
)
@settings(deadline=None, max_examples=60)
def test_stepover_is_the_inverse_of_the_ridge(radius, share, bend):
    height, curvature = share * radius * MM, bend / (radius * MM)
    step = stepover(height, radius=radius * MM, curvature=curvature)
    # Rounding of a difference of lengths 1 / K large: 1e-16 of them over the height.
    assert scallop_height(step, radius=radius * MM, curvature=curvature) == pytest.approx(height, rel=1e-5)
    assert centre_step(height, radius=radius * MM, curvature=curvature) >= 0.04 * stepover(height, radius=radius * MM)


def test_passes_are_nowhere_farther_apart_than_asked():
    lengths = np.full(400, 0.1)
    steps = np.where(np.arange(400) < 200, 0.5, 0.2)
    before = passes(lengths, steps)
    assert before[0] == 0.0
    assert before[-1] == round(before[-1])
    along = np.interp(np.arange(before[-1] + 1), before, 0.1 * np.arange(401))
    gaps = np.diff(along)
    middle = 0.5 * (along[1:] + along[:-1])
    assert gaps.max() <= 0.5 * (1 + 1e-9)
    assert gaps[middle > 19.8].max() <= 0.2 * (1 + 1e-9)
    assert gaps[middle < 18].min() > 0.45
