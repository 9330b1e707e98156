"""The page that `measure` writes: message first, every reading in a row, and nothing that needs a network."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace

import pytest

from commandline import said
from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from evenflare.report.measurement import measuring_figures
from evenflare.results.readings import COLUMNS, message, readings_text
from evenflare.units import DEGREE
from field_rigs import RIG
from reports import Page
from rig_mistakes import ANGLES, MISTAKES, NOISY, session
from synthetic_rig import SyntheticRig


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Three wrong readings and one that is missing."""
    return tmp_path_factory.mktemp("rig"), MISTAKES


@pytest.fixture
def written(measured, capsys):
    folder, mistakes = measured
    if not (folder / "out").exists():
        path = session(folder / "in", mistakes=mistakes)
        code, out, _ = said(capsys, f"measure {path} --out {folder / 'out'}")
        assert code == 0
        (folder / "out.txt").write_text(out)
    return folder / "out"


def test_message_comes_first_and_names_what_to_repeat(written):
    text = (written / "report.html").read_text()
    words = " ".join(Page(text).words.split())
    start = words[words.index("Trusted from") :]
    # 19 angles less one; three of those are wrong.
    told = (
        "Trusted from 300 Hz to 7.62 kHz. Readings: 15 of 18 are in order. Repeat turn_-60.wav (wrong level),"
        " turn_-40.wav (late), turn_+20.wav (inverted). Missing, to be measured: turn_+50.wav (horizontal)."
    )
    assert start.startswith(told)
    assert words.index("Trusted from") < words.index("Warning:") < words.index("What is wrong, and what to do")
    assert "turn_+20.wav: inverted, of the opposite polarity to" in words
    # Told once: no warning in a box repeats what is told of a reading.
    boxes = re.findall(r'class="warning".*?</p>', text)
    assert boxes
    assert not [each for each in boxes if "turn_" in each]
    out = (written.parent / "out.txt").read_text()
    assert "Readings: 15 of 18 are in order" in out
    assert "report.html" in out


def test_every_reading_has_a_row_and_wrong_ones_stand_out(written):
    text = (written / "report.html").read_text()
    for angle in ANGLES:
        assert f'<th scope="row">turn_{angle:+d}.wav</th>' in text
    marked = re.findall(r'<tr class="marked"><th scope="row">(.*?)</th><td class="number">(.*?)</td>', text)
    assert sorted(marked) == sorted([(name, "repeat") for name in MISTAKES] + [("turn_+50.wav", "missing")])


def test_page_opens_without_a_network_and_its_pictures_have_words(written):
    text = (written / "report.html").read_text()
    page = Page(text)
    pictures = [tags for name, tags in page.tags if name == "img"]
    assert len(pictures) >= 7
    for each in pictures:
        assert each["src"].startswith("data:image/png;base64,")
        assert each["alt"]
    assert not [
        1 for name, tags in page.tags if name in ("link", "script") or str(tags.get("src", "data:"))[:5] != "data:"
    ]
    assert "http" not in re.sub(r'src="[^"]*"', "", text)
    for name in ("readings.png", "alignment.png", "budget.png"):
        assert (written / name).stat().st_size > 5000
    for part in ("Each reading", "Level over frequency and angle", "Curves", "Alignment", "Uncertainty", "Assumed"):
        assert f">{part}</h2>" in text


def test_table_of_readings_reads_back(written):
    lines = (written / "readings.csv").read_text().splitlines()
    rows = {row["file"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}
    assert tuple(rows["turn_+0.wav"]) == COLUMNS
    assert len(rows) == len(ANGLES) + 1
    verdicts = {name: row["verdict"] for name, row in rows.items() if row["verdict"] != "good"}
    assert verdicts == {**dict.fromkeys(MISTAKES, "repeat"), "turn_+50.wav": "missing"}
    assert (rows["turn_+20.wav"]["polarity"], rows["turn_+0.wav"]["polarity"]) == ("-1", "1")
    assert float(rows["turn_-40.wav"]["late_ms"]) == pytest.approx(0.5, abs=0.06)  # 24 samples; as the reading's test
    assert rows["turn_+50.wav"]["peak_db"] == ""
    assert "repeat it" in rows["turn_+20.wav"]["remarks"]
    record = json.loads((written / "session.json").read_text())
    assert {each["file"] for each in record["faults"]} == set(MISTAKES)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    folder = tmp_path_factory.mktemp("good")
    return assemble(read_session(session(folder, off_axis_deg=range(-90, 91, 10))))


def test_a_good_session_says_so(good):
    assert message(good) == ["Readings: nothing is wrong with any of the 19"]


def test_any_name_of_a_file_reads_back_and_is_no_formula(good):
    """RFC 4180, as Python's own reader has it; an apostrophe stands before what a spreadsheet would carry out."""
    for name in ('=cmd|"x",1.wav', "a,b.wav", "@sum(a1).wav", "<b>_+10.wav"):
        odd = replace(good, readings=(replace(good.readings[0], file=name), *good.readings[1:]))
        lines = readings_text(odd, header=["x"]).splitlines()
        row = next(csv.DictReader(line for line in lines if not line.startswith("#")))
        assert row["file"] == ("'" + name if name[0] in "=@" else name)


@pytest.mark.usefixtures("unpainted")
def test_a_page_of_text_responses_leaves_out_what_they_do_not_tell(tmp_path, capsys):
    path = session(tmp_path / "in", kind="response", rig=RIG)
    assert said(capsys, f"measure {path} --out {tmp_path / 'out'}")[0] == 0
    heads = re.findall(r'<th scope="col".*?>(.*?)</th>', (tmp_path / "out" / "report.html").read_text())
    assert "polarity" in heads
    assert not {"peak, dB", "clipped", "arrival, ms", "repeats"} & set(heads)


def test_pictures_draw_what_was_read(tmp_path):
    """The fitted angle of the turntable is a line through what each pair says; wrong readings are named."""
    rig = SyntheticRig(samples=2048, angle_offset=1.0 * DEGREE, noise_db=NOISY.noise_db)
    path = session(tmp_path, rig=rig, mistakes={"turn_-30.wav": lambda x: 1.5 * x})
    found = assemble(read_session(path))
    drawn = measuring_figures.pictures(found)
    above = drawn["alignment.png"].axes[0]
    (fit,) = [line for line in above.get_lines() if "fit: corrected" in line.get_label()]
    assert fit.get_ydata()[0] == pytest.approx(1.0, abs=0.05)  # as the turntable's own test
    pairs = next(line for line in above.get_lines() if "a pair" in line.get_label())
    # 90 degrees, less the pairs of the missing and of the wrong reading.
    assert len(pairs.get_xdata()) == 7
    named = [text.get_text() for axes in drawn["readings.png"].axes for text in axes.texts]
    assert named == ["turn_-30.wav"]
