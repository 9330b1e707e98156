"""Any name that is allowed goes through every writer: the file reads back by another library, and the name shows."""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
import unicodedata
import warnings
from dataclasses import replace
from html.parser import HTMLParser
from zipfile import ZipFile

import ezdxf
import netCDF4
import numpy as np
import pygcode
import pypdf
import pytest
import trimesh
from ezdxf.tools.text import caret_decode
from hypothesis import HealthCheck, example, given, settings
from lxml import etree
from OCP.IFSelect import IFSelect_RetDone
from OCP.StepBasic import StepBasic_Product
from OCP.STEPControl import STEPControl_Reader

from commandline import DESIGN
from evenflare import text
from evenflare.design.file import design_toml, read_design
from evenflare.directivity.sofa import read_sofa, write_sofa
from evenflare.files import write_text
from evenflare.manufacture.comments import LINE, PLAIN, plain
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.gcode_reader import read_gcode
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.milling.toolpath_csv import toolpath
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.part.solid import revolved
from evenflare.manufacture.part.step import step_text
from evenflare.manufacture.part.stl import write_stl
from evenflare.manufacture.part.threemf import write_3mf
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.manufacture.sheets.dxf import Words, write_dxf
from evenflare.manufacture.sheets.glue_up import glue_up_text
from evenflare.manufacture.sheets.lamination import laminate
from evenflare.manufacture.sheets.layer_files import table_text
from evenflare.measurement.journal import Prototype
from evenflare.report.kit import canvas, paper, sheet, style
from evenflare.report.kit.letters import entry, in_font, lettered
from evenflare.report.measurement import prototypes
from evenflare.results import formats
from evenflare.results.journal import csv_text
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from naming import NAMES, TROUBLE
from oblongs import MM, Choice
from reports import piston

RING = np.array([[0.0, 0.01], [0.05, 0.01], [0.05, 0.03], [0.0, 0.03]])
FEW = settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
"""Each writes and reads a file; one folder serves all examples of a test."""


def named(test):
    """Over NAMES, with every one of TROUBLE among them."""
    for each in TROUBLE:
        test = example(name=text.name(each))(test)
    return FEW(given(name=NAMES.map(text.name))(test))


def program(tool) -> Program:
    place = np.array([[0.0, 0.0, 0.01], [0.0, 0.0, 0.0], [0.01, 0.0, -0.001]])
    return Program("finishing", tool, place, np.full(3, 0.01), np.array([True, False, False]), "on the axis", "milling")


@named
def test_toml_holds_names_and_notes_as_they_are(name):
    written = text.toml(
        "head",
        ("name", name, "a note"),
        ("left_out", None),
        (
            "rig",
            ("distance_m =   # to be filled in", ("points", [[0.0, 1.0], [2.0, name]]), ("below", {"n": 2e-05})),
            "of a table",
        ),
        ("bare", {"one": {"n": 1}, "two": {"name": name}}),
        "",
        "last",
    )
    assert tomllib.loads(written) == {
        "name": name,
        "rig": {"points": [[0.0, 1.0], [2.0, name]], "below": {"n": 2e-05}},
        "bare": {"one": {"n": 1}, "two": {"name": name}},
    }
    lines = written.splitlines()
    assert lines[0] == "# head"
    assert lines[1].endswith(" # a note")
    assert lines[lines.index("[rig] # of a table") + 1] == "# distance_m =   # to be filled in"
    assert lines[-2:] == ["", "# last"]
    assert "[bare]" not in lines


@named
def test_programs_read_back_and_hold_only_harmless_characters(name, tmp_path):
    process = replace(read_process("router"), name=name, material=name)
    tool = replace(process.tool("ball 6"), name=name)
    path = tmp_path / "finishing.nc"
    write_text(path, gcode(program(tool), process, design_id="a1", name=name, setup=[name]))
    written = path.read_bytes().decode("ascii")
    found = read_gcode(path, tool=tool, rapid_feed=0.1)
    assert found.program.feed.size == 3
    shown = " ".join(plain(name).split())
    for key in ("design: ", "set-up: "):
        (line,) = (each for each in found.header if each.startswith(key))
        # Long words are broken, and a continued line may begin with a hyphen.
        assert re.sub("[ -]", "", line.removeprefix(key)) == re.sub("[ -]", "", shown)
    words = 0
    for line in written.splitlines():
        inside = line[1:-1] if line.startswith("(") else ""
        assert set(inside) <= PLAIN
        assert len(line) <= LINE + 2
        assert not re.match(r"\s*(MSG|DEBUG|PRINT|ABORT|LOG\w*|PROBE\w*|PY\w*)\s*,", inside, re.IGNORECASE)
        block = pygcode.Line(line).block
        assert not (inside and block.gcodes), "nothing of a comment is a word of the program"
        words += len(block.words)
    assert words > 10


@pytest.mark.parametrize("trick", ["programmed_point: wrong", "drill a bore of diameter 99 along the axis"])
def test_a_name_does_not_tell_the_proof_what_to_drill_or_where_the_tool_is(trick, tmp_path):
    process = read_process("lathe")
    waveguide = Waveguide(Conical(40 * MM, 30 * DEGREE))
    sizes, verdicts = sizes_of(waveguide, Choice()), []
    for name in ("plain", trick):
        paths = []
        for each in programs(waveguide, process, sizes).programs:
            paths.append(tmp_path / f"{each.name}.nc")
            write_text(paths[-1], gcode(each, process, design_id="a1", name=name))
        proof = prove_files(waveguide, paths, process, sizes=sizes, grid=1 * MM)
        verdicts.append([(each.program, each.gouge.size, each.leftover.size) for each in proof.programs])
    assert verdicts[0] == verdicts[1]


def test_comments_are_normalised_before_they_are_sifted():
    assert plain("full（width）；％") == "full[width], percent"
    assert plain("\ufe59x\ufe5a\u207d\u207e") == "[x][]", "small and raised parentheses too"
    assert plain("Größe Ø 3½ µm, Łódź ﬁn") == "Grosse O 31/2 um, Lodz fin"
    assert plain("設計!") == "___"


@named
def test_step_holds_the_name_letter_by_letter(name, tmp_path):
    path = tmp_path / "solid.step"
    path.write_text(step_text(RING, title=name), encoding="ascii")
    reader = STEPControl_Reader()
    assert reader.ReadFile(str(path)) == IFSelect_RetDone
    model = reader.StepModel()
    entities = (model.Value(number) for number in range(1, model.NbEntities() + 1))
    (product,) = (each for each in entities if isinstance(each, StepBasic_Product))
    assert product.Name().ToCString() == text.one_line(name)


@named
def test_3mf_is_sound_xml_with_the_name(name, tmp_path):
    path = tmp_path / "solid.3mf"
    mesh = revolved(RING, chord_error=1e-3)
    write_3mf(mesh, path, title=name)
    model = etree.fromstring(ZipFile(path).read("3D/3dmodel.model"))
    (title,) = model.xpath("//*[local-name()='metadata'][@name='Title']")
    assert title.text == text.one_line(name)
    assert len(trimesh.load(path).to_geometry().faces) == len(mesh.faces)


def test_3mf_escapes_what_xml_has_no_place_for(tmp_path):
    path = tmp_path / "solid.3mf"
    write_3mf(revolved(RING, chord_error=1e-3), path, title="a\x00b\x1f\ufffe\ud800")
    (title,) = etree.fromstring(ZipFile(path).read("3D/3dmodel.model")).xpath("//*[@name='Title']")
    assert title.text == "a\\x00b \\ufffe\\ud800"


@named
def test_dxf_holds_the_name_but_for_its_codes(name, tmp_path):
    path = tmp_path / "layers.dxf"
    write_dxf([Words("engrave", 0.0, 0.0, 0.006, name)], path, about=name)
    document = ezdxf.readfile(path)
    assert not document.audit().has_errors
    for found in (document.header.custom_vars.get("about"), document.modelspace()[0].dxf.text):
        assert caret_decode(found) == text.one_line(name).replace("\\", "/")


@named
def test_stl_has_the_name_in_plain_letters_in_its_head(name, tmp_path):
    path = tmp_path / "solid.stl"
    write_stl(revolved(RING, chord_error=1e-3), path, title=name)
    assert (
        path.read_bytes()[:80].decode("ascii").rstrip() == " ".join(f"evenflare mm {plain(name)}".split())[:80].rstrip()
    )


def letters(words: str) -> str:
    """What of a text can be told from a page: without blanks, composed."""
    return re.sub(r"\s", "", unicodedata.normalize("NFKC", words))


@named
def test_pdfs_show_the_name_or_what_is_stated_in_its_place(name, tmp_path):
    path = tmp_path / "sheet.pdf"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        paper.write_pdf([paper.words("Set-up sheet", paper.TITLE), paper.words(name)], path, title=name)
    read = pypdf.PdfReader(path)
    assert read.metadata.title == name
    wanted = letters(in_font(name)).replace("\xad", "")  # a soft hyphen is seen only where a word is broken at it
    found = letters(read.pages[0].extract_text()).removeprefix(letters("Set-up sheet"))
    if {unicodedata.bidirectional(each) for each in name} & {"R", "AL", "AN"}:
        assert set(found) == set(wanted)  # the reading library has its own order from right to left
    elif any(unicodedata.category(each) in ("Mn", "Me", "Cf") for each in name):
        rest = iter(found)  # marks on a letter are set with it, and some versions name the letter twice
        assert all(each in rest for each in wanted)
        assert set(found) == set(wanted)
    else:
        assert found == wanted
    assert read.pages[0].extract_text().count("$") == name.count("$")


def test_only_letters_that_the_font_lacks_are_replaced():
    assert lettered("Größe Ωμέγα Жук №5 – “$x$”") == "Größe Ωμέγα Жук №5 – “\\$x\\$”"
    assert lettered("設計 𝒜𝒷 😀 _x") == "?? Ab ? _x"
    assert entry("_left") == " _left", "or a legend would leave it out"
    assert entry("x" * 200) == "x" * 31 + "…", "or a legend would leave no room for the picture"


@named
def test_pictures_show_every_name_in_their_legends(name):
    drawn, axes = canvas.stacked(3.0, ratios=(1,))
    axes.set_axis_off()  # the figures along the axes take most of the time
    for label in (name, "other"):
        axes.plot([0, 1], [0, 1], label=entry(label))
    style.legend(axes)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        canvas.png(drawn)
    assert [each.get_text() for each in axes.get_legend().get_texts()] == [entry(name), "other"]


class Page(HTMLParser):
    """Its texts by the tag around them, and all tags."""

    def __init__(self, shown: str) -> None:
        super().__init__()
        self.open, self.texts, self.tags = list[str](), dict[str, str](), list[str]()
        self.feed(shown)

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.tags.append(tag)

    def handle_endtag(self, tag):
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data):
        if self.open:
            self.texts[self.open[-1]] = self.texts.get(self.open[-1], "") + data


@named
def test_pages_show_the_name_and_run_nothing_of_it(name):
    parts = [sheet.PageSection(name, [name], ["name", "size"], [[name, "1"]])]
    shown = Page(sheet.sheet(name, name, parts=parts, written=[(name, name)], command=name, warnings=[name]))
    plain_page = Page(
        sheet.sheet(
            "n",
            "n",
            parts=[sheet.PageSection("n", ["n"], ["name", "size"], [["n", "1"]])],
            written=[("n", "n")],
            command="n",
            warnings=["n"],
        )
    )
    assert shown.tags == plain_page.tags, "no tag more than with a plain name"
    for tag in ("title", "h1", "h2", "code"):
        assert name in shown.texts[tag]


@named
def test_tables_have_the_name_in_a_line_of_their_head_and_read_back(name, tmp_path):
    path = tmp_path / "toolpath.csv"
    process = replace(read_process("router"), name=name)
    moves = program(replace(process.tool("ball 6"), name=name))
    write_text(path, toolpath([moves], process, design_id="a1", name=name))
    lines = path.read_text("utf-8").split("\n")
    head = [line for line in lines if line.startswith("#")]
    assert lines[: len(head)] == head
    wanted = text.one_line(f"# design: {name}")
    assert wanted.replace("'", "") in [line.replace("'", "") for line in head], "but for apostrophes before formulas"
    cells = [each.strip() for line in head for each in re.split("[,;]", line)]
    assert not any(
        each.startswith(tuple("=+-@＝＋－＠")) and not re.fullmatch(r"[+-][\d.]+\)*", each) for each in cells
    )
    rows = list(csv.DictReader(lines[len(head) : -1]))
    assert len(rows) == 3
    assert {row["tool"].removeprefix("'") for row in rows} == {name}
    assert rows[-1]["z_mm"] == "-1.0000", "a number keeps its sign"


@named
def test_journals_give_names_notes_and_files_back(name):
    entry = Prototype("2026-01-02", name, "a1", 'name = "x"', f"{name}\n{name}", (name, "second"))
    lines = io.StringIO(csv_text([entry], header={"what": name}))
    head = [line for line in lines if line.startswith("#")]
    assert len(head) == 2
    lines.seek(0)
    (row,) = csv.DictReader(lines.read().split("\n", 2)[2].splitlines(keepends=True))
    assert row["name"].removeprefix("'") == name
    assert [line.removeprefix("'") for line in row["notes"].split("\n")] == [name, name]
    assert row["files"].removeprefix("'") == f"{name}; second"
    assert not any(row[key].startswith(tuple("=+-@")) for key in ("name", "notes", "files"))
    assert name in prototypes.list_text([entry])


@named
def test_json_and_toml_give_the_name_back(name, tmp_path):
    assert json.loads(formats.json_text({"name": name}))["name"] == name
    (tmp_path / "design.toml").write_text(DESIGN, encoding="utf-8")
    written = design_toml(replace(read_design(tmp_path / "design.toml"), name=name))
    assert tomllib.loads(written)["name"] == name
    (tmp_path / "again.toml").write_text(written, encoding="utf-8")
    assert read_design(tmp_path / "again.toml").name == name


@settings(deadline=None, max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=NAMES.map(text.name))
@example(name=text.name(TROUBLE[-4]))
@example(name=text.name(TROUBLE[0]))
def test_sofa_files_give_the_name_back(name, tmp_path):
    path = write_sofa(piston(step_deg=30, frequencies=3), tmp_path / "s.sofa", name=name)
    assert read_sofa(path).name == name
    with netCDF4.Dataset(path) as held:
        assert held.Title == name


@pytest.fixture(scope="module")
def layers():
    sheets = read_process("sheets")
    waveguide = Waveguide(Conical(40 * MM, 42 * DEGREE))
    return laminate(waveguide, sizes_of(waveguide, Choice()), sheets, chord_error=0.1 * MM), sheets


@named
def test_files_for_the_bench_have_the_name_on_one_line(name, layers):
    made, process = layers
    named_lines = f"design: {name}", "design id: a1"
    told = glue_up_text(made, replace(process, material=name), named_lines).split("\n")
    assert told[1] == f"design: {name}"
    assert told[3].startswith(f"material: {name}; ")
    lines = table_text(made, replace(process, material=name), named_lines).split("\n")
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert [row["layer"] for row in rows] == [str(layer.number) for layer in made.layers]
