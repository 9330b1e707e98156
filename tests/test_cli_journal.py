"""`journal`: adding, listing, exporting and plotting as a user does."""

import csv
import json

import pytest

from commandline import DESIGN, asked, contents, said
from evenflare.design.file import read_design
from evenflare.report.kit import canvas

COMPARED = {
    "bias_db": 0.1,
    "rms_db": 0.8,
    "worst": {"deviation_db": 2.0, "frequency_hz": 9000.0, "azimuth_deg": 0.0, "off_axis_deg": 45.0},
    "index_rms_db": 0.3,
    "within": True,
}
CALIBRATED = """[driver]
exit_diameter_mm = 25.4
[fitted.throat_taper]
value = 0.12
[deviation.held_out_before]
rms_db = 0.8
[deviation.held_out_after]
rms_db = 0.3
"""


@pytest.fixture
def prototypes(here):
    """Two designs, what compare said of each, and a calibration."""
    for name, depth, rms in (("first", 80, 0.8), ("second", 84, 0.5)):
        (here / name).mkdir()
        (here / name / "design.toml").write_text(DESIGN.replace("depth_mm = 80", f"depth_mm = {depth}"))
        (here / name / "comparison.json").write_text(json.dumps(COMPARED | {"rms_db": rms}))
    (here / "first" / "calibrated.toml").write_text(CALIBRATED)
    return here


def added(capsys, name: str, more: str = "") -> str:
    code, out, err = said(capsys, f"journal log.sqlite add --design {name}/design.toml --comparison {name} {more}")
    assert (code, err) == (0, "")
    return out


def test_journal_tells_which_change_shrank_the_deviation(capsys, prototypes, monkeypatch):
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    first = added(capsys, "first", '--calibration first --file first --note "printed; sanded" --name one')
    assert first.startswith("log.sqlite: number 1, one (")
    second = added(capsys, "second")
    assert "Changed from number 1: depth_mm 80 to 84; deviation 0.80 to 0.50 dB rms (−0.30)" in second
    listed = said(capsys, "journal log.sqlite list")[1]
    assert "0.80 dB rms, calibration 0.80 to 0.30 on angles held out  one\n     printed; sanded" in listed
    rows = [line for line in said(capsys, "journal log.sqlite export")[1].splitlines() if not line.startswith("#")]
    found = list(csv.DictReader(rows))
    assert [(row["number"], row["rms_db"], row["rms_change_db"], row["changed"]) for row in found] == [
        ("1", "0.8", "", ""),
        ("2", "0.5", "-0.3", "depth_mm 80 to 84"),
    ]
    assert found[0]["files"] == "first/design.toml; first; first/calibrated.toml; first"
    text = said(capsys, "journal log.sqlite export --text")[1]
    # The design stands there whole: it reads back.
    lines = text.split("Design:\n")[2].splitlines()
    (prototypes / "again.toml").write_text("\n".join(line.removeprefix("    ") for line in lines))
    assert read_design("again.toml").waveguide == read_design("second/design.toml").waveguide
    assert said(capsys, "journal log.sqlite plot --out history")[0] == 0
    assert set(contents(prototypes / "history")) == {"journal.png", "journal.csv", "journal.txt"}


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("log.sqlite add", "--design: missing, add keeps the whole design"),
        ("log.sqlite list", "log.sqlite: is not there"),
        ("log.sqlite plot", "--out: missing"),
        ("log.sqlite list --out o", "--out: belongs to plot, not to list. Remove it"),
        ("log.sqlite export --note x", "--note: belongs to add, not to export"),
        ("log.sqlite add --design nothing.toml", "nothing.toml: cannot be read"),
        ("log.sqlite add --design first/design.toml --file gone", "--file gone: is not there"),
        ("log.sqlite add --design first/design.toml --comparison gone", "gone: cannot be read"),
        ("log.sqlite add --design first/design.toml --calibration first/design.toml", "is no calibrated driver"),
        ("first/design.toml add --design first/design.toml", "first/design.toml: cannot be read or written"),
        ("first/design.toml list", "first/design.toml: cannot be read or written"),
        ("first list", "first: is a folder"),
        ("first add --design first/design.toml", "first: is a folder"),
    ],
)
def test_bad_input_adds_nothing(capsys, prototypes, line, message):
    before = contents(prototypes)
    code, _, err = said(capsys, f"journal {line}")
    assert (code, message in err) == (2, True), err
    assert contents(prototypes) == before


def test_action_of_another_name_is_told_the_nearest(capsys, here):
    code, _, err = asked(capsys, "journal log.sqlite ad")
    assert (code, "Did you mean add?" in err) == (2, True)
