"""Programs as files: words, header, arcs, the strict reader, and an interpreter that this project did not write."""

from __future__ import annotations

import csv
import warnings

import numpy as np
import pytest
from scipy.spatial import cKDTree

from evenflare.files import InputError, write_text
from evenflare.manufacture.comments import wrapped
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.gcode_reader import read_gcode
from evenflare.manufacture.milling.toolpath_csv import COLUMNS, toolpath
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Waveguide
from programs_shared import from_moves, made, process

SMALL = Waveguide(Conical(25 * MM, 40 * DEGREE, 5 * MM))


def written(folder, asked, name):
    program = made(SMALL, asked)[name]
    path = folder / f"{name}.nc"
    write_text(
        path, gcode(program, asked, design_id="a1b2 (draft)", name="shelf horn; no. 3 %", setup=["stock: 1 x 2"])
    )
    return path, program


def reread(path, program, asked):
    return read_gcode(path, tool=program.tool, rapid_feed=asked.machine.rapid_feed)


def at_feeds(program):
    """s, at the programmed feeds."""
    return float(np.sum(np.linalg.norm(np.diff(program.position, axis=0), axis=1) / program.feed[1:]))


CASES = [("router", "roughing"), ("router", "finishing"), ("router", "back"), ("lathe", "turning")]


@pytest.mark.parametrize(("bundled", "name"), CASES)
def test_a_program_reads_back_move_by_move(tmp_path, bundled, name):
    asked = process(bundled, scallop_height=50e-6)
    path, program = written(tmp_path, asked, name)
    found = reread(path, program, asked).program
    # Half of the last digit, 0.0001 mm; of a diameter half of that.
    assert np.abs(found.position - program.position).max() <= 0.051e-6
    assert np.array_equal(found.rapid, program.rapid)
    assert np.abs(found.feed - program.feed).max() <= 0.06 * MM / 60
    assert (found.name, found.kind, found.datum, found.tool) == (name, program.kind, program.datum, program.tool)
    assert found.setup[1:] == tuple(line.replace(";", ",") for line in program.setup)


def test_words_are_plain_and_the_header_says_what_a_machinist_asks(tmp_path):
    asked = process(machine={"line_numbers": True})
    path, program = written(tmp_path, asked, "finishing")
    text = path.read_text("ascii")
    lines = text.splitlines()
    assert lines[0] == lines[-1] == "%"
    assert max(len(line) for line in lines) <= 80
    comments = [line for line in lines if line.startswith("(")]
    blocks = [line for line in lines[1:-1] if not line.startswith("(")]
    assert blocks[0] == "N10 G21 G90 G17 G40 G49 G80 G94"
    assert blocks[-2].endswith(" M5")
    assert blocks[-1].endswith(" M30")
    assert all(line.count("(") == 1 and ";" not in line for line in comments)
    numbers = [int(block.split()[0][1:]) for block in blocks[:9999]]
    assert numbers == list(range(10, 10 * len(numbers) + 1, 10))
    assert not any("E" in block or "," in block for block in blocks)
    header = reread(path, program, asked).header
    for start in ("design id: a1b2 [draft]", "datum: X0 Y0 on the axis", "tool: ball 6: ball nose, diameter 6,"):
        assert sum(line.startswith(start) for line in header) == 1
    for start in ("tolerance: 0.05", "lowest Z: -2", "estimated time: ", "set-up: stock: 1 x 2", "caution: "):
        assert any(line.startswith(start) for line in header)
    lowest = next(line for line in header if line.startswith("lowest Z"))
    assert float(lowest.split()[2].rstrip(",")) == pytest.approx(program.lowest / MM, abs=1e-4)


@pytest.mark.parametrize(("bundled", "name"), CASES)
def test_arcs_keep_within_their_tolerance_and_save_most_lines(tmp_path, bundled, name):
    tolerance = 5e-6
    asked = process(bundled, scallop_height=50e-6, machine={"arc_tolerance": tolerance})
    path, program = written(tmp_path, asked, name)
    found = reread(path, program, asked).program
    off = from_moves(program.position, found.position)
    if bundled == "router":
        assert path.read_text("ascii").count("G3") > 3
        blocks = sum(not line.startswith("(") for line in path.read_text("ascii").splitlines())
        assert blocks < 0.2 * program.feed.size
    assert off.max() < tolerance + 0.3e-6  # the last digits of ends and centre, and the reader's chords
    assert at_feeds(found) == pytest.approx(at_feeds(program), rel=5e-3)  # arcs are longer than their chords


@pytest.mark.parametrize("arc_tolerance", [0.0, 5e-6])
@pytest.mark.parametrize(("bundled", "name"), [("router", "back"), ("lathe", "turning")])
def test_an_independent_interpreter_reads_the_same(tmp_path, bundled, name, arc_tolerance):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own, on a newer Python
        from pygcode import Line, Machine

        asked = process(bundled, machine={"arc_tolerance": arc_tolerance})
        path, program = written(tmp_path, asked, name)
        machine, places = Machine(), []
        for line in path.read_text("ascii").splitlines():
            if line != "%":
                machine.process_block(Line(line).block)
                places.append([machine.pos.values.get(axis, 0.0) for axis in "XYZ"])
    ours = program.position / MM * ([2, 1, 1] if program.kind == "turning" else [1, 1, 1])
    theirs = np.array(places)
    # Every place of the interpreter after the first moves is one of ours, and the ends are the same.
    moved = theirs[np.concatenate([[False], np.abs(np.diff(theirs, axis=0)).max(axis=1) > 0])][2:]
    assert cKDTree(ours).query(moved)[0].max() < 1e-4
    assert theirs[-1] == pytest.approx(ours[-1], abs=1e-4)
    assert theirs[:, 2].min() == pytest.approx(ours[:, 2].min(), abs=1e-4)
    if arc_tolerance == 0.0:
        assert len(moved) >= len(ours) - 3


GOOD = ["%", "(datum: here)", "G21 G90 G17 G94", "S100 M3", "G0 Z5.0", "X0.0 Y0.0", "G1 Z-1.0 F100.0", "M5", "M30", "%"]


@pytest.mark.parametrize(
    ("line", "new", "words"),
    [
        (2, "G20 G90 G17 G94", "G20: is not one of the words"),
        (2, "G90 G17 G94", "before G21, millimetres"),
        (2, "G21 G90 G94", "before its plane"),
        (3, "S100", "while the spindle stands still"),
        (6, "G1 Z-1.0", "before its feed F"),
        (6, "G1 Z-1,0 F100.0", "is not words of a letter and a number"),
        (6, "G1 A3.0 F100.0", "A3: is no word"),
        (6, "G1 Z-1.0 Z-2.0 F100.0", "Z stands twice"),
        (6, "G2 X1.0 F100.0", "an arc needs I and J"),
        (6, "G2 X1.0 I3.0 J0.0 F100.0", "begins 3.0000 from its centre and ends 2.0000"),
        (6, "G1 Z-1.0 I1.0 F100.0", "belongs to an arc"),
        (6, "G18 G1 Z-1.0 F100.0", "the plane changes"),
        (6, "%", "% stands within"),
        (8, "M5", "has no M30"),
        (7, "M30", "stands after M30"),
        (5, "X0.0", "from an unknown place"),
    ],
)
def test_the_reader_refuses_what_it_does_not_understand(tmp_path, line, new, words):
    tool = process().tools[0]
    path = tmp_path / "a.nc"
    path.write_text("\n".join(GOOD) + "\n", encoding="ascii")
    assert read_gcode(path, tool=tool, rapid_feed=0.1).program.position[-1] == pytest.approx([0, 0, -1 * MM])
    lines = list(GOOD)
    lines[line] = new
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    with pytest.raises(InputError, match="a.nc") as told:
        read_gcode(path, tool=tool, rapid_feed=0.1)
    assert words in str(told.value)


def test_a_half_circle_of_known_radius_reads_as_one(tmp_path):
    path = tmp_path / "a.nc"
    lines = [*GOOD[:6], "X10.0", "G3 X-10.0 Y0.0 Z-4.0 I-10.0 J0.0 F100.0", *GOOD[7:]]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    place = read_gcode(path, tool=process().tools[0], rapid_feed=0.1).program.position / MM
    half = place[3:]
    assert np.hypot(half[:, 0], half[:, 1]) == pytest.approx(10.0)
    assert half[:, 1].max() == pytest.approx(10.0, abs=1e-3)  # counter-clockwise from +X: over +Y
    assert half[half[:, 1].argmax(), 2] == pytest.approx(0.5, abs=0.06)  # halfway from 5 down to -4, and a step
    # Against 2 (1 - cos(step / 2)) R: chords depart by at most 0.2 um.
    assert 10.0 - np.hypot(*(0.5 * (half[1:, :2] + half[:-1, :2])).T).min() < 0.21e-3


def test_comments_are_plain_and_their_lines_short():
    lines = list(wrapped("Größe (µ): 3 ± 0.1; " + "word " * 40))
    assert all(len(line) <= 74 and line.isascii() for line in lines)
    assert lines[0].startswith("Grosse [u]: 3 +/- 0.1, word")
    assert all(line.startswith("  ") for line in lines[1:])


def test_the_list_of_points_holds_every_move(tmp_path):
    asked = process("lathe")
    programs = list(made(SMALL, asked).values())
    path = tmp_path / "toolpath.csv"
    write_text(path, toolpath(programs, asked, design_id="a1", name="shelf"))
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == sum(program.feed.size for program in programs)
    last = programs[-1]
    assert float(rows[-1]["x_mm"]) == pytest.approx(2 * last.position[-1, 0] / MM, abs=1e-4)
    assert rows[-1]["rapid"] == "1"
    assert rows[-1]["tool"] == "bar, nose 0.8"
