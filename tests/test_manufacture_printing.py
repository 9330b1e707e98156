"""Printed prototypes: pieces read back by trimesh, volumes and faces that need support against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from commandline import DESIGN, run
from evenflare.files import InputError
from evenflare.manufacture import build_oblong, cloud, oblong_sizes, outline, solid_sizes
from evenflare.manufacture.part.features import PLAIN
from evenflare.manufacture.part.stl import SolidFile, build_round, solid_file
from evenflare.manufacture.printing.print_files import CAUTIONS, COLUMNS, export_prints
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Printing
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Points, Waveguide
from oblongs import Choice, cones

PROCESS = read_process("print")
CHORD = 0.05 * MM
TOLD = {"chord_error": CHORD, "design_id": "0a1b2c", "name": "printed horn"}
CONE = Waveguide(Conical(80 * MM, 30 * DEGREE))


def printing(**changes) -> Printing:
    assert PROCESS.printing is not None
    return replace(PROCESS.printing, **changes)


def solid_of(waveguide, choice, path) -> SolidFile:
    if waveguide.is_round:
        sizes = solid_sizes(waveguide.meridian, choice)
        return solid_file(path, sizes, build_round(waveguide.meridian, sizes, PLAIN, chord_error=CHORD))
    wall = cloud(waveguide.surface)
    oblong = oblong_sizes(waveguide.surface, wall, choice)
    return solid_file(path, oblong, build_oblong(waveguide.surface, wall, oblong, chord_error=CHORD)[0])


def printed(waveguide, choice, folder, **changes):
    """What was written, the solid, and the pieces as trimesh reads them, in mm."""
    solid = solid_of(waveguide, choice, folder / "solid.stl")
    process = replace(PROCESS, printing=printing(**changes))
    done = export_prints(waveguide, solid, process, folder, **TOLD)
    return done, solid, [trimesh.load(path, force="mesh") for path in done.pieces]


def table(path):
    text = path.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    assert lines[0] == ",".join(COLUMNS)
    return text, [dict(zip(COLUMNS, line.split(","), strict=True)) for line in lines[1:]]


SPLIT = {
    "round block in quarters": (CONE, Choice(), (0.12, 0.12, 0.1), 4),
    "round shell, slabs and halves": (CONE, Choice("shell", wall=8 * MM), (0.2, 0.11, 0.05), 4),
    "oblong block in halves": (cones(40, 25), Choice(), (0.15, 0.2, 0.1), 2),
    "oblong shell, turned on the plate": (cones(40, 25), Choice("shell", wall=6 * MM), (0.16, 0.22, 0.1), 1),
}


@pytest.mark.parametrize("name", SPLIT)
def test_pieces_fit_the_printer_and_are_together_the_part_less_the_holes_of_its_pins(name, tmp_path):
    waveguide, choice, volume, count = SPLIT[name]
    done, solid, pieces = printed(waveguide, choice, tmp_path, build_volume=volume, shrinkage=0.004)
    assert len(pieces) == count
    for piece in pieces:
        assert piece.is_watertight
        assert piece.body_count == 1
        x, y, z = piece.extents * MM
        # In mm to six decimals.
        assert z <= volume[2] + 1e-9
        assert (x <= volume[0] + 1e-9 and y <= volume[1] + 1e-9) or (x <= volume[1] + 1e-9 and y <= volume[0] + 1e-9)
        np.testing.assert_allclose(piece.bounds[0], 0.0, atol=1e-6)
    pins = [pin for joint in done.printed.joints for pin in joint.pins]
    hole = np.pi * (0.5 * 4.2 * MM) ** 2 * 2.0 * (0.5 * 16.0 + 0.2) * MM
    whole = sum(piece.volume for piece in pieces) * MM**3 * (1.0 - 0.004) ** 3
    # A hole's polygon lies within its circle by the chord error: less than its rim times that.
    missing = 2.0 * CHORD / (0.5 * 4.2 * MM) * hole * len(pins)
    assert solid.volume - hole * len(pins) - 1e-10 <= whole <= solid.volume - hole * len(pins) + missing + 1e-10
    if count > 1:
        assert pins


def test_pins_stand_in_material_of_both_pieces_with_a_land_all_round(tmp_path):
    """In the half-section that is turned to the part: the hole's rim and ends, grown by the land, lie within."""
    done, solid, _ = printed(CONE, Choice("shell", wall=8 * MM), tmp_path, build_volume=(0.2, 0.11, 0.1))
    section = shapely.Polygon(outline(CONE.meridian, solid.sizes, chord_error=1e-6))
    (joint,) = done.printed.joints
    assert joint.axis == 1
    assert len(joint.pins) == 4
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    for pin in joint.pins:
        for along in (-8.2, 0.0, 8.2):
            # A tenth of a millimetre of the land is for chords and for what is between the sections looked at.
            rim = np.column_stack([np.cos(turn), 0.0 * turn, np.sin(turn)]) * (2.1 + 1.4) * MM
            x, y, z = (rim + pin + [0.0, along * MM, 0.0]).T
            assert shapely.contains_xy(section, z, np.hypot(x, y)).all()


def test_a_joint_too_thin_for_pins_says_so(tmp_path):
    done, _, _ = printed(CONE, Choice("shell", wall=3 * MM), tmp_path, build_volume=(0.2, 0.2, 0.05))
    assert [joint.pins for joint in done.printed.joints] == [()]
    assert "joint 1, z = 40 mm of the part: no room for pins" in done.sheet.read_text(encoding="utf-8")


def test_support_under_a_flange_is_the_ring_that_looks_down(tmp_path):
    """The cone's outside, 30 degrees from upright, needs none: pi (R^2 - r^2) of the flange's back is all."""
    done, solid, _ = printed(CONE, Choice("shell", wall=6 * MM), tmp_path, build_volume=(1, 1, 1), shrinkage=0.0)
    (piece,) = done.printed.pieces
    sizes = solid.sizes
    height = CONE.depth - sizes.flange_thickness
    inner = CONE.meridian.throat_radius + height * np.tan(30 * DEGREE) + 6 * MM / np.cos(30 * DEGREE)
    ring = np.pi * ((0.5 * sizes.flange_diameter) ** 2 - inner**2)
    # Circles are polygons within the chord error.
    assert piece.support == pytest.approx(ring, abs=2 * np.pi * (0.5 * sizes.flange_diameter + inner) * CHORD)
    assert piece.support_on_wall == 0.0
    steep, _, _ = printed(CONE, Choice("shell", wall=6 * MM), tmp_path, build_volume=(1, 1, 1), overhang=25 * DEGREE)
    assert steep.printed.pieces[0].support > 2.0 * ring


def test_support_on_a_wall_that_narrows_upward_is_its_frustum(tmp_path):
    """pi (r1 + r2) s of a cone's frustum, by its slant s: from 60 to 30 mm across, 10 mm high."""
    waist = Points(((0.0, 30 * MM), (10 * MM, 15 * MM), (60 * MM, 60 * MM)))
    waveguide = Waveguide(waist, driver=Driver(exit_radius=30 * MM))
    done, _, _ = printed(waveguide, Choice(), tmp_path, build_volume=(1, 1, 1), shrinkage=0.0)
    (piece,) = done.printed.pieces
    slant = np.hypot(10.0, 15.0) * MM
    # Polygons within the chord error of circles of 15 to 30 mm.
    assert piece.support_on_wall == pytest.approx(np.pi * 45 * MM * slant, rel=2 * CHORD / (15 * MM))
    assert piece.support == pytest.approx(piece.support_on_wall, rel=1e-9)


def test_sheet_has_sizes_mass_joints_and_cautions(tmp_path):
    done, _, pieces = printed(CONE, Choice(), tmp_path, build_volume=(0.12, 0.12, 0.1))
    text, rows = table(done.sheet)
    for row, path, piece in zip(rows, done.pieces, pieces, strict=True):
        assert row["file"] == path.name
        # To the decimals of the table.
        np.testing.assert_allclose([float(row[f"size_{axis}_mm"]) for axis in "xyz"], piece.extents, atol=6e-4)
        assert float(row["volume_cm3"]) == pytest.approx(piece.volume * 1e-3, abs=6e-3)
        assert float(row["mass_g"]) == pytest.approx(piece.volume * 1e-3 * 1.24, abs=0.06)
    assert "joint 1, x = 0 mm of the part: pins of 4 x 16 mm" in text
    assert "enlarged by 1.00301 for a shrinkage of 0.3 %" in text
    for caution in CAUTIONS:
        assert caution in text


@pytest.mark.parametrize(
    ("choice", "changes", "said"),
    [
        (Choice("shell", wall=1 * MM), {}, r"\[print\] least_wall_mm = 1.2: the part's wall_mm is 1, must be at least"),
        (Choice(), {"build_volume": (0.02, 0.02, 0.02)}, r"\[print\] build_volume_mm = \[20, 20, 20\].*at most 64"),
    ],
)
def test_what_does_not_print_is_refused_before_anything_is_written(choice, changes, said, tmp_path):
    with pytest.raises(InputError, match=said):
        printed(CONE, choice, tmp_path, **changes)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("unpainted")
def test_export_writes_the_pieces_and_takes_away_those_of_another_part(tmp_path, capsys):
    (tmp_path / "design.toml").write_text(DESIGN, encoding="utf-8")
    out = tmp_path / "out"
    ask = ["export", str(tmp_path / "design.toml"), "--out", str(out), "--quiet", "--process"]
    assert run([*ask, "print"]) == 0
    assert sorted(path.name for path in out.glob("piece*")) == [*(f"piece_{k}.3mf" for k in (1, 2, 3, 4)), "pieces.csv"]
    other = out / "piece_9.3mf"
    other.write_text("a note of somebody else's", encoding="utf-8")
    assert run([*ask, "sheets"]) == 0
    assert [path.name for path in out.glob("piece*")] == ["piece_9.3mf"]
    assert capsys.readouterr().err == ""
