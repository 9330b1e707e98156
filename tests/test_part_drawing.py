"""What a drawing shows and says: views, sizes, fits, surfaces, title block, and that no letters stand on others."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pytest

from drawings import Box, letter_boxes, views, words, written
from drawn import drawn as drawn_waveguide
from evenflare.cli import run
from evenflare.design.file import Solid, read_design, write_design
from evenflare.files import InputError
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part import fits
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Process
from evenflare.report.shop.cautions import cautions
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, Driver, Oblong, Superellipse, Waveguide
from evenflare.waveguide.wall_zones import WallZone
from oblongs import SHAPES
from test_cli_export import SMALL
from test_report_paper import drawn

MM = MILLIMETRE
CONE = Waveguide(Conical(60 * MM, 38 * DEGREE, 12 * MM), Driver(12.7 * MM))
OBLONG = Waveguide(
    Oblong(Conical(90 * MM, 45 * DEGREE, 15 * MM), Conical(90 * MM, 25 * DEGREE, 10 * MM), Superellipse(4.0)),
    Driver(12.7 * MM),
)
FULL = Solid(
    kind="shell",
    flange_thickness=12 * MM,
    flange_width=270 * MM,
    flange_height=200 * MM,
    seat_diameter=90 * MM,
    seat_clearance=0.5 * MM,
    seat_depth=4 * MM,
    seat_bolt_circle=76.2 * MM,
    seat_bolts=3,
    seat_hole_diameter=6 * MM,
    seat_hole_depth=8 * MM,
    front_bolts=8,
    front_bolt_inset=14 * MM,
    front_screw="M4",
    front_countersunk=True,
)


def clear(path: Path) -> None:
    """No letters of the views stand on others or beyond the margins, by the boxes that the renderer sets them in."""
    (wide, high), boxes = letter_boxes(path)
    assert len(boxes) > 25
    for k, each in enumerate(boxes):
        assert each.left > 14.0
        assert each.low > 14.0
        assert each.right < wide - 14.0, each
        assert each.high < high - 8.0, each
        for other in boxes[k + 1 :]:
            assert not _meet(each, other), (each, other)


def _meet(one: Box, other: Box) -> bool:
    across = min(one.right, other.right) - max(one.left, other.left)
    return across > 0.01 and min(one.high, other.high) - max(one.low, other.low) > 0.01  # below what is seen


def solid_at_random(random: np.random.Generator, number: int) -> Solid:
    """A block or a shell, with seat, holes, rebate or edge as it comes."""
    more: dict[str, object] = {"kind": ("block", "shell")[number % 2], "flange_thickness": 12 * MM}
    if random.random() < 0.6:
        more |= {"seat_diameter": 62 * MM, "seat_depth": random.uniform(1.0, 6.0) * MM}
        more |= {"seat_bolt_circle": 48 * MM, "seat_bolts": int(random.integers(2, 5))}
        more |= {"seat_hole_diameter": 4 * MM, "seat_hole_depth": 5 * MM}
    if random.random() < 0.6:
        more |= {"front_bolts": 8, "front_screw": ("M3", "M4")[number % 2]}
        more |= {"front_countersunk": bool(random.random() < 0.5)}
    if random.random() < 0.3:
        more["edge_radius"] = random.uniform(0.5, 2.0) * MM
    elif random.random() < 0.5:
        more |= {"rebate_width": 1.0 * MM, "rebate_depth": random.uniform(1.0, 4.0) * MM}
    return Solid(**more)  # type: ignore[arg-type]


@pytest.mark.slow
def test_letters_never_meet_on_forty_random_designs(tmp_path: Path) -> None:
    random, made = np.random.default_rng(20), 0
    families = ("conical", "exponential", "hyperbolic", "oblate_spheroidal", "tractrix", "free")
    shapes = list(SHAPES.values())
    seatless = read_process("sheets").seat
    processes = [
        dataclasses.replace(read_process(each), seat=seatless) for each in ("router", "casting", "sheets", "lathe")
    ]
    for number in itertools.count():
        if made == 40:
            break
        oblong = number % 8 == 7
        waveguide = shapes[number // 8 % len(shapes)] if oblong else drawn_waveguide(families[number % 6], number)
        ends = np.concatenate([[0.0], np.cumsum(0.02 + random.random(1 + number % 9) ** 3)])
        ends *= waveguide.depth / ends[-1]
        zones = tuple(WallZone(float(a), float(b), 1e-4, 2e-4) for a, b in itertools.pairwise(ends))
        try:
            views(
                waveguide,
                tmp_path / "views.pdf",
                solid=solid_at_random(random, number),
                process=processes[number % len(processes)],
                asked=WallAsked(zones, "sound", within=0.3),
                name="W" * (1 + 3 * number),
            )
        except (InputError, ValueError):
            continue  # no such part: its seat or holes have no room
        clear(tmp_path / "views.pdf")
        made += 1
    assert made == 40


def test_shell_with_all_that_is_cut(tmp_path: Path) -> None:
    """ISO 273, medium: 4.5 for M4. ISO 286-1: H13 at 80 to 120 is 0.54 mm; the casting's process keeps 0.4 in all."""
    path = written(OBLONG, tmp_path, solid=FULL, process="casting", revision="rev. 7", date="2026-11-29")
    clear(path)
    shown, text = words(path), words(path, first=1)
    for said in (
        *("Front", "Back", "A–A", "B–B", "first angle", "rev. 7", "2026-11-29", "bronze", "kg", "mm, 1 : "),
        *("8 × Ø4.50 through for M4", "sunk Ø9.40 × 90°", "3 × Ø6.00, 8.00 deep from A", "Ø76.20", "R10.00"),
        *("Ø91.00 H13 (+0.540 / 0)", "cone 25.00° to the axis", "wall 6.00 at least", "Ø103.00", "4.00", "94.00"),
        *("waveguide's wall", "outside", "flange's back"),
    ):
        assert said in shown, said
    for said in (
        "ISO 273, medium",
        "countersunk Ø9.40 in the front face, 90°",
        "its floor is datum A",
        "hub that carries it Ø103.00",
        "with a circle: as it is cast",
        "DCTG 12 of ISO 8062-3",
        "hole x y 1 ",
    ):
        assert said in text, said


def test_front_and_section_are_level_and_to_scale(tmp_path: Path) -> None:
    """First angle: seen from the right stands at the left, from the left at the right, on one axis (ISO 5456-2)."""
    path = written(CONE, tmp_path, solid=Solid(flange_diameter=200 * MM))
    page = pypdf.PdfReader(path).pages[0]
    scale = float(words(path).split("mm, 1 : ")[1].split(" ")[0])
    lines = drawn(page).lines
    circles = [line for line in lines if np.ptp(line, axis=0) == pytest.approx([200 / scale] * 2, abs=1e-3)]  # written
    assert len(circles) == 2, "the outside from the front and from the back"
    middles = sorted((0.5 * (line.min(axis=0) + line.max(axis=0))).tolist() for line in circles)
    mouth = 200 / scale * CONE.meridian.mouth_radius / (100 * MM)
    seen = [line for line in lines if np.ptp(line, axis=0) == pytest.approx([mouth] * 2, abs=1e-2)]
    assert len(seen) == 1, "the mouth is seen from the front alone"
    assert 0.5 * (seen[0].min(axis=0) + seen[0].max(axis=0)) == pytest.approx(middles[0], abs=1e-2)
    assert middles[0][1] == pytest.approx(middles[1][1], abs=1e-3)
    text = words(path)
    for said in ("A", "B", "x", "y", "beech", "8 places for screws", "part drawing, process router"):
        assert said in text.split() or said in text


def test_files_of_the_views_are_in_the_parts_size(tmp_path: Path) -> None:
    """Read by another library: mm ($INSUNITS 4), the outside as large as the part, the words of the page."""
    path = written(CONE, tmp_path, solid=Solid(flange_diameter=200 * MM, front_bolts=6, front_screw="M5"))
    document = ezdxf.readfile(path.parent / "drawing.dxf")
    assert not document.audit().errors
    assert document.header["$INSUNITS"] == 4
    space = document.modelspace()
    outlines = [np.array(each.get_points("xy")) for each in space.query('LWPOLYLINE[layer=="outline"]')]
    sizes = [np.ptp(each, axis=0) for each in outlines]
    for size, count in ((200.0, 2), (5.5, 12)):
        found = [each for each in sizes if each == pytest.approx([size] * 2, abs=1e-4)]  # six decimals, corners apart
        assert len(found) == count, size
    said = {each.dxf.text for each in space.query("TEXT")}
    assert {"6 × Ø5.50 through for M5", "Front", "Back", "A–A", "invented"} <= said


def test_limits_of_holes_follow_the_formulas_of_the_standard() -> None:
    """ISO 286-1: IT7 is 16 i, each grade on times 1.6 or so, i = 0.45 D^(1/3) + 0.001 D at the range's geometric mean;
    its table is rounded. 0.140 mm is H10 at 90 mm.
    """
    factors = {7: 16, 8: 25, 9: 40, 10: 64, 11: 100, 12: 160, 13: 250, 14: 400}
    for low, high in ((3, 6), (18, 30), (50, 80), (80, 120), (120, 180), (315, 400), (400, 500)):
        middle = np.sqrt(low * high)
        unit = 0.45 * middle ** (1 / 3) + 0.001 * middle
        for grade, factor in factors.items():
            width = factor * unit * 1e-6
            found = fits.hole_fit(high * MM, 0.93 * width)
            assert found is not None
            assert found.grade == grade
            assert found.width == pytest.approx(width, rel=0.07)  # the table's rounding
    fit = fits.hole_fit(90 * MM, 0.1 * MM)
    assert fit is not None
    assert fit.words == "H10 (+0.140 / 0)"
    assert fits.hole_fit(90 * MM, 2.0 * MM) is None
    assert fits.hole_fit(600 * MM, 0.1 * MM) is None


@pytest.mark.usefixtures("unpainted")
@pytest.mark.parametrize("process", ["casting", "sheets"])
def test_sheets_of_a_part_without_programs_speak_of_no_spindle(process: str, tmp_path: Path) -> None:
    (tmp_path / "design.toml").write_text(SMALL, encoding="utf-8")
    command = ["export", str(tmp_path / "design.toml"), "--out", str(tmp_path / "out"), "--quiet"]
    command += ["--process", process]
    assert run(command) == 0
    for name in ("setup_sheet.pdf", "drawing.pdf"):
        text = words(tmp_path / "out" / name).lower()
        assert "cautions" in text
        assert "local codes" in text
        for foreign in ("spindle", "rotating", "program in the air", "this program"):
            assert foreign not in text, (name, foreign)


def test_cautions_are_of_what_the_process_does() -> None:
    router = read_process("router")
    assert "spindle" in " ".join(cautions(router, programs=True))
    bench = " ".join(cautions(router, programs=False))
    assert "spindle" not in bench
    assert "dust" in bench


def test_surfaces_of_a_casting_are_told_apart_and_of_a_milled_part_not(tmp_path: Path) -> None:
    casting = read_process("casting")
    assert casting.casting is not None
    machined = dataclasses.replace(casting, casting=dataclasses.replace(casting.casting, wall="machined"))
    kinds: dict[str, Process] = {"cast": casting, "machined": machined, "milled": read_process("router")}
    found = {}
    for name, process in kinds.items():
        folder = tmp_path / name
        folder.mkdir()
        path = written(CONE, folder, process=process)
        lines = drawn(pypdf.PdfReader(path).pages[0]).lines
        # The circle within the sign of a surface that stays as it is: 1.04 mm wide.
        circles = [line for line in lines if np.ptp(line, axis=0) == pytest.approx([1.04] * 2, abs=0.01)]
        found[name] = len(circles), words(path)
    assert [found[name][0] for name in kinds] == [2, 1, 0], "wall and outside; outside alone; none"
    assert "holes and the back of a flange" in found["cast"][1]
    assert "machined" not in found["milled"][1]


def test_revision_and_day_are_read_written_and_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "design.toml"
    path.write_text(f'revision = "B"\ndate = "2026-11-29"\n{SMALL}', encoding="utf-8")
    design = read_design(path)
    write_design(design, tmp_path / "again.toml")
    again = read_design(tmp_path / "again.toml")
    assert (again.waveguide, again.revision, again.date) == (design.waveguide, "B", "2026-11-29")
    assert (design.revision, design.date) == ("B", "2026-11-29")
    path.write_text(f'date = "29.11.2026"\n{SMALL}', encoding="utf-8")
    assert run(["export", str(path), "--out", str(tmp_path / "out"), "--quiet"]) == 2
    assert 'date = "29.11.2026": must be a day as year, month and day' in capsys.readouterr().err


def test_positions_and_roughness_stand_in_their_frames(tmp_path: Path) -> None:
    """Fixed fasteners, H = F + 2 T (ASME Y14.5): M4 in 4.5 leaves 0.25 to each part, M5 in 5.5 the same.
    A parabola's mean departure from its mean height, by numbers: 0.2566 of it.
    """
    kept = {key: value for key, value in vars(FULL).items() if value is not None and "flange" not in key}
    round_ = Solid(**kept | {"kind": "block", "front_bolt_inset": 10 * MM})
    path = written(CONE, tmp_path, solid=round_)
    clear(path)
    shown, text = words(path), words(path, first=1)
    # Front: M4. Driver: the widest thread in a hole of 6 mm is M5. Recess: twice 0.05 mm.
    assert [shown.count(each) for each in ("Ø0.25 A B", "Ø0.10 A B")] == [2, 1]
    assert "taken for M5, the widest thread that they hold" in text
    ramp = np.linspace(-1.0, 1.0, 200_001) ** 2
    ra = np.abs(ramp - ramp.mean()).mean() * read_process("router").scallop_height * 1e6
    assert f"0.257 x 0.01 mm = {ra:.2f} µm" in text
    # The next of 0.8, 1.6, 3.2 and so on (ISO 1302).
    assert "Ra 3.2" in shown
    lines = drawn(pypdf.PdfReader(path).pages[0]).lines
    # The sign of a position is a circle with a cross over it, 3.2 mm wide and high.
    assert sum(np.ptp(line, axis=0) == pytest.approx([3.2, 0.0], abs=1e-3) for line in lines) == 3
    bare = dataclasses.replace(round_, front_screw=None, front_countersunk=None, front_hole_diameter=5 * MM)
    path = written(CONE, tmp_path, solid=bare, process="casting")
    assert words(path).count("Ø0.25 A B") == 1
    assert "Ra" not in words(path).split()
    assert "no screw is stated that it would follow from" in words(path, first=1)
