"""Programs in the words of several controls, read by a reader of the tests' own; what is said and what is refused."""

from __future__ import annotations

import functools
from importlib.resources import files
from pathlib import Path

import numpy as np
import pypdf
import pytest

from commandline import DESIGN, said
from controller_reader import RefusedError, interpret
from evenflare.files import InputError, write_text
from evenflare.manufacture.milling.ambiguous import warnings
from evenflare.manufacture.milling.gcode import gcode, header_lines
from evenflare.manufacture.milling.gcode_reader import read_gcode
from evenflare.manufacture.process.controller import Controller
from evenflare.manufacture.process.controller_table import DIALECTS, ControllerTable
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.programs import prove_programs, write_programs
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Waveguide
from programs_shared import from_moves, made, process, sizes_of

SMALL = Waveguide(Conical(25 * MM, 40 * DEGREE, 5 * MM))
MACHINES = {"router": ("roughing", "finishing", "back"), "lathe": ("turning",)}
PAIRS = [
    (dialect, bundled)
    for dialect in DIALECTS
    for bundled in MACHINES
    if bundled in ControllerTable(dialect=dialect).value(Path("x.toml")).machines
]


def asked(bundled: str, dialect: str, *, arc_tolerance: float = 0.0, park=None, **keys):
    controller = ControllerTable(dialect=dialect, **keys).value(Path("x.toml"))
    numbers = {tool.name: {"number": k} for k, tool in enumerate(process(bundled).tools, start=3)}
    machine = {"arc_tolerance": arc_tolerance, "park": park}
    return process(bundled, tools=numbers, machine=machine, controller=controller, scallop_height=50e-6)


def written(folder, with_process, program, order=0):
    path = folder / f"{program.name}.nc"
    text = gcode(program, with_process, design_id="a1", name="shelf; 3 %", setup=["stock: 1 x 2"], order=order)
    write_text(path, text, newline=with_process.controller.newline)
    return path


@functools.cache
def parked_programs(bundled, arc_tolerance):
    """The same for every dialect."""
    return made(SMALL, asked(bundled, "plain", arc_tolerance=arc_tolerance, park=(0.2, 0.15)))


def test_plain_words_are_the_defaults_and_each_dialect_is_a_file():
    folder = files("evenflare.manufacture").joinpath("controllers")
    assert {each.name for each in folder.iterdir()} == {f"{name}.toml" for name in DIALECTS}
    assert ControllerTable().value(Path("x.toml")) == Controller() == read_process("router").controller


@pytest.mark.parametrize(
    ("units", "arcs"), [("mm", "none"), ("inch", "none"), ("mm", "centre"), ("inch", "centre"), ("mm", "radius")]
)
@pytest.mark.parametrize(("dialect", "bundled"), PAIRS)
def test_every_dialect_is_read_to_the_same_moves_by_an_independent_reader(tmp_path, dialect, bundled, units, arcs):
    tolerance = 0.0 if arcs == "none" else 5e-6
    keys = {} if arcs == "none" else {"arcs": arcs}
    told = asked(bundled, dialect, arc_tolerance=tolerance, park=(0.2, 0.15), units=units, **keys)
    # Half of the last digit on three axes: 0.0001 mm, or a hundred-thousandth of an inch.
    digit = 0.5 * 3**0.5 * (1e-7 if units == "mm" else 25.4e-8)
    programs = parked_programs(bundled, tolerance)
    chosen = ("back",) if bundled == "router" and arcs != "none" else MACHINES[bundled]
    for order, name in enumerate(chosen):
        program = programs[name]
        path = written(tmp_path, told, program, order)
        found = interpret(path.read_bytes(), dialect)
        moves = np.array([move[:3] for move in found.moves]) * MM
        if arcs == "none":
            # Those that come back to where the tool is, to the last digit, are not written.
            assert len(moves) <= len(program.position)
            row = -1
            for move in found.moves:
                row += 1
                while np.abs(program.position[row] - np.array(move[:3]) * MM).max() > digit:
                    row += 1  # runs out where a move is none of the program's
                assert move[4] == program.rapid[row]
                # Half of the last digit: 0.1 mm/min, or a hundredth of an inch.
                assert move[4] or abs(move[3] - program.feed[row] * 60 / MM) <= (0.051 if units == "mm" else 0.13)
        assert from_moves(program.position, moves).max() <= tolerance + digit + 0.2e-6
        assert moves[-1] == pytest.approx(program.position[-1], abs=digit)
        product = read_gcode(path, tool=program.tool, rapid_feed=0.1, controller=told.controller).program
        assert from_moves(product.position, moves).max() <= tolerance + digit + 0.4e-6  # both arcs in chords
        assert (found.dwell, found.spindle, found.running) == (3.0, told.machine.spindle_rpm, False)
        assert found.said.index("spindle") < found.said.index("straight")
        if told.controller.tool_call:
            assert found.tool == program.tool.number
            assert found.length == (program.tool.number if told.controller.length_offset else 0)
        if told.controller.program_number:
            assert found.number == 1001 + order
        if told.controller.path_tolerance:
            assert 0.005 - 2.6e-4 < found.blend <= 0.005 + 1e-9  # to the last digit of an inch, never more


def test_plain_turning_words_stop_a_lathe_on_which_they_are_cycles(tmp_path):
    (program,) = made(SMALL, asked("lathe", "plain")).values()
    path = written(tmp_path, asked("lathe", "plain"), program)
    with pytest.raises(RefusedError, match="cycle"):
        interpret(path.read_bytes().replace(b"\n", b"\r\n"), "lathe_cycles")
    with pytest.raises(RefusedError, match="mirror"):
        interpret(path.read_bytes(), "metric_words")
    said = " ".join(warnings(asked("lathe", "plain"), "turning"))
    assert "G90 and G94 are turning and facing cycles" in said
    assert "dialect lathe_cycles" in said
    other = " ".join(warnings(asked("lathe", "lathe_cycles"), "turning"))
    assert "G98 is the feed per minute here" in other
    assert "G90" not in other
    assert "G90" not in " ".join(warnings(asked("router", "plain"), "milling"))
    header = header_lines(program, asked("lathe", "plain"), design_id="a", name="b")
    assert [line.removeprefix("check: ") for line in header if line.startswith("check: ")] == warnings(
        asked("lathe", "plain"), "turning"
    )


@pytest.mark.parametrize("dialect", ["plain", "machining_centre"])
def test_start_and_end_keep_to_a_known_height(tmp_path, dialect):
    told = asked("router", dialect, park=(0.1, 0.25))
    program = made(SMALL, told)["finishing"]
    blocks = [
        line for line in written(tmp_path, told, program).read_text("ascii").splitlines() if not line.startswith("(")
    ]
    start = blocks.index("S16000 M3")
    (length,) = (line for line in header_lines(program, told, design_id="a", name="b") if line.startswith("length: "))
    assert ("no offset is called" if dialect == "plain" else "G43 H4 takes it") in length
    if dialect == "plain":
        assert blocks[2:start] == ["G54", "G0 Z10.0", blocks[start - 1]]
        assert blocks[-5:] == ["G0 Z10.0", "X100.0 Y250.0", "M5", "M30", "%"]
        assert blocks[start + 1] == "G4 P3.0"
    else:
        assert blocks[4:7] == ["G91 G28 Z0.0", "G90", "T4 M6"]
        assert blocks[start - 1] == "G43 H4 Z10."
        assert blocks[-6:] == ["X100. Y250.", "G91 G28 Z0.0", "G90", "M5", "M30", "%"]
        assert blocks[start + 1] == "G4 P3000"
    assert blocks[start - (1 if dialect == "plain" else 2)].startswith(("X", "G0 X"))


def test_clamps_are_told_from_what_cutter_holder_and_spindle_sweep():
    told = process(tools={"ball 6": {"reach": 32 * MM, "holder_length": 3 * MM, "spindle_nose": 60 * MM}})
    program = made(SMALL, told)["finishing"]
    lines = header_lines(program, told, design_id="a", name="b")
    clamps = [line for line in lines if line.startswith("clamps: ")]
    tips = program.position[program.position[:, 2] < 10 * MM - 1e-9]
    widest = (tips[:, 0].max() + 3 * MM) / MM
    assert f"to {widest:.3f}, Y" in clamps[0]
    assert "above Z 8.000" in clamps[0]  # 2 mm under the rapid moves at 10
    lowest = program.lowest / MM
    assert f"within 12.000 of that none above Z {lowest + 32 - 2:.3f}, for the holder" in clamps[1]  # 30 / 2 - 3
    assert f"within 27.000 of that none above Z {lowest + 35 - 2:.3f}, for the spindle" in clamps[2]  # 60 / 2 - 3


PROCESS = files("evenflare.manufacture").joinpath("processes", "router.toml").read_text("utf-8")


def with_controller(table):
    before, after = PROCESS.split("[controller]")
    return f"{before}[controller]\n{table}\n\n{after[after.index('[[tools]]') :]}"


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('dialect = "plane"', ["dialect", "Did you mean plain?"]),
        ('dialect = "lathe_cycles"', ['is for [machine] kind = "lathe"', "this one is a router"]),
        ('dialect = "mine.toml"', ["mine.toml: no such file"]),
        ('units = "cm"', ["units", '"mm" or "inch"']),
        ('tool_call = "T{n} M6"', ['tool "bull 12" tool_number: missing', "T{n} M6"]),
        ('tool_call = "T1 M6"', ["tool_call", "like T{n} M6"]),
        ('retreat = ["G91 G28 Z0.0"]', ["retreat", 'Let its last block be "G90"']),
        ('retreat = ["G0 Z50.0"]', ['"G0 Z50.0" goes to a place of the work', "G53, G28 or G30"]),
        ('retreat = ["G1 Z50.0 F100"]', ["retreat", "one block of G0, G28"]),
        ('path_tolerance = "G64 P{tolerance}"', ["without path_tolerance_mm"]),
        ('path_tolerance = "G64 P{tolerance}"\npath_tolerance_mm = 0.05', ["must be below tolerance_mm = 0.05"]),
        ('absolute = "absolute"', ["absolute", "a word such as G90"]),
        ('spindle_start = "M4"', ["cutters backward", 'must be "M3"']),
        ('inches = "G21"', ["millimetres and inches are both G21"]),
    ],
)
def test_a_fault_in_controller_is_told_with_its_remedy(tmp_path, table, words):
    path = tmp_path / "mine_too.toml"
    path.write_text(with_controller(table), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_process(path)
    for word in [str(path), *words]:
        assert word in str(told.value)


def test_a_dialect_of_the_workshops_own_is_sought_beside_the_process(tmp_path):
    (tmp_path / "ours.toml").write_text('comments = "semicolon"\nend = "M2"\n', encoding="utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(with_controller('dialect = "ours.toml"\nend = "M30"'), encoding="utf-8")
    found = read_process(path).controller
    assert (found.dialect, found.comments, found.end) == ("ours", "semicolon", "M30")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("plunge_feed_mm_per_min = 600", "plunge_feed_mm_per_min = 6001", ["must be at most rapid_feed_mm_per_min"]),
        ("cutting_feed_mm_per_min = 2400", "cutting_feed_mm_per_min = 7000", ["= 7000: must be at most", "= 6000"]),
        ("flute_length_mm = 30", "flute_length_mm = 30\nedge_length_mm = 2", ["belongs to a turning tool"]),
        ("flute_length_mm", "tool_number = 3\nflute_length_mm", ["tool_number = 3: two tools have it"]),
    ],
)
def test_feeds_above_rapid_moves_edges_of_cutters_and_numbers_of_two_tools_are_refused(tmp_path, old, new, words):
    path = tmp_path / "mine.toml"
    path.write_text(PROCESS.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_process(path)
    assert all(word in str(told.value) for word in words)


def test_the_reader_refuses_another_controllers_words_and_another_tool(tmp_path):
    told = asked("router", "machining_centre")
    program = made(SMALL, told)["back"]
    path = written(tmp_path, told, program)
    with pytest.raises(InputError, match="line"):
        read_gcode(path, tool=program.tool, rapid_feed=0.1)
    with pytest.raises(InputError, match="calls another tool than .*T4 M6"):
        read_gcode(path, tool=told.tool("ball 6"), rapid_feed=0.1, controller=told.controller)


def test_whole_feeds_keep_their_digits_whatever_the_decimals(tmp_path):
    told = asked("router", "plain", decimals=3)
    program = made(SMALL, told)["back"]
    found = interpret(written(tmp_path, told, program).read_bytes(), "plain")
    assert {move[3] for move in found.moves if not move[4]} == {600.0, 2400.0}


def test_inch_programs_say_so_and_their_headers_are_in_inches():
    told = asked("router", "blended", units="inch", arc_tolerance=3e-6)
    program = made(SMALL, told)["finishing"]
    lines = header_lines(program, told, design_id="a", name="b")
    assert "units: inch, absolute, feed in inch/min; lines of set-up: mm" in lines
    assert any("ball nose, diameter 0.23622, " in line for line in lines)  # 6 over 25.4
    assert f"lowest Z: {program.lowest / 25.4e-3:.5f}; highest Z: 0.39370" in lines
    assert "path tolerance: G64 P0.00019 rounds corners" in lines
    assert not any("e-0" in line for line in lines)


def test_a_tool_mounted_the_other_way_up_has_the_spindle_turn_the_other_way(tmp_path):
    told = asked("lathe", "lathe_cycles", spindle_start="M4")
    (program,) = made(SMALL, told).values()
    path = written(tmp_path, told, program)
    blocks = [line for line in path.read_text("ascii").splitlines() if not line.startswith("(")]
    assert "S800 M4" in blocks
    assert "M3" not in " ".join(blocks).split()
    lines = header_lines(program, told, design_id="a", name="b")
    assert any(line.startswith("spindle: 800 turns a minute, counter-clockwise, 3 s") for line in lines)
    assert any("export with spindle_start M3" in line for line in lines)
    with pytest.raises(InputError, match="M4: is not one of the words"):
        read_gcode(path, tool=program.tool, rapid_feed=0.1, controller=asked("lathe", "lathe_cycles").controller)


def test_a_part_in_another_dialect_passes_its_proof_and_is_written_as_it_was_proved(tmp_path):
    told = asked("lathe", "lathe_cycles", units="inch", arc_tolerance=2e-6)
    proved = prove_programs(SMALL, told, sizes_of(SMALL), design_id="a1", name="shelf")
    assert proved.may_be_written
    write_programs(proved, tmp_path)
    text = (tmp_path / "turning.nc").read_bytes()
    assert text.startswith(b"%\r\nO1001\r\n(evenflare turning program")
    assert text.count(b"\r\n") == text.count(b"\n")
    assert interpret(text, "lathe_cycles").number == 1001


def test_what_a_controller_may_cut_off_corners_is_taken_off_the_tolerance():
    told = asked("lathe", "blended", path_tolerance_mm=0.02)
    proved = prove_programs(SMALL, told, sizes_of(SMALL), design_id="a1", name="shelf")
    assert [each.tolerance for each in proved.proof.programs] == [pytest.approx(0.03 * MM)]  # 0.05 less 0.02


@pytest.mark.usefixtures("plain", "unpainted")
def test_export_warns_of_words_that_are_cycles_on_some_lathes(here, capsys):
    (here / "design.toml").write_text(DESIGN.replace("depth_mm = 80", "depth_mm = 20"), encoding="utf-8")
    code, out, err = said(capsys, "export design.toml --out turned --process lathe")
    assert code == 0, out + err
    assert "warning: outside.nc, turning.nc: G90 and G94 choose absolute places" in err
    pages = pypdf.PdfReader(here / "turned" / "setup_sheet.pdf").pages
    text = "".join("".join(page.extract_text() for page in pages).split())
    for words in ("G90andG94chooseabsolute", "Start:toZ5.800first", "Insert:itssideedgecutsupto", "Jaws:holdthestock"):
        assert words in text
