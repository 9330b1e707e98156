"""Every command once, each on what those before it wrote: from a target to the seats. Invented data throughout.

Run on its own it tells whether a set of library versions carries the product, in a minute or two.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest

from commandline import TARGET, said
from evenflare import read_design, solve
from room_shared import ROOM
from synthetic_rig import field_of, write_session_files

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("compiled")]

BODY = 'exit_diameter_mm = 25.4\n[mounting]\nkind = "sphere"\nradius_mm = 150\n'
ANALYSIS = "[analysis]\nfrom_hz = 400\nto_hz = 16000\nper_octave = 6\n"
SPEAKER = """
name = "invented two-way"
[waveguide]
directivity = "measured"
[woofer]
piston_radius_mm = 80
sphere_radius_mm = 150
below_mm = 220
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 1500
"""
EXPORTS = {
    "router": ("roughing.nc", "finishing.nc", "back.nc", "proof.json", "solid.step"),
    "lathe": ("turning.nc", "proof.json"),
    "sheets": ("layers.dxf", "layers.csv", "glue_up.txt"),
    "casting": ("pattern.stl", "pattern.csv"),
}


def did(capsys, line: str, *written: str) -> str:
    """The standard output of a command that ended well and wrote these files, none of them empty."""
    code, out, err = said(capsys, f"{line} --quiet")
    assert code == 0, f"{line}\n{out}{err}"
    assert [path for path in written if not Path(path).stat().st_size] == []
    return out


def test_from_target_to_seats(capsys, here):
    Path("target.toml").write_text(TARGET.replace("exit_diameter_mm = 25.4\n", BODY))
    did(capsys, "search target.toml --out run --candidates 60 --workers 2", "run/best.toml", "run/report.html")
    history = list(csv.DictReader(line for line in did(capsys, "history run").splitlines() if line[0] != "#"))
    assert len({row["number"] for row in history}) == 60

    design = Path("design.toml")
    best = Path("run/best.toml").read_text()
    design.write_text(best if "[analysis]" in best else f"{best}\n{ANALYSIS}")
    did(capsys, "solve design.toml --out solved", "solved/directivity.csv", "solved/index_and_beamwidth.png")
    assert math.isfinite(json.loads(did(capsys, "score design.toml --target target.toml --json"))["score_db"])
    for process, files in EXPORTS.items():
        step = "--step" if process == "router" else ""
        folder = f"to_cut/{process}"
        papers = ("drawing.pdf", "setup_sheet.pdf", "solid.3mf", "report.html", *files)
        did(capsys, f"export design.toml --out {folder} --process {process} {step}", *(f"{folder}/{f}" for f in papers))

    did(capsys, "plan --source-height-m 3 --microphone-height-m 3 --distance-m 2 --mouth-mm 240 --out plan")
    write_session_files(Path("readings"), field_of(solve(read_design(design))))
    did(capsys, "measure readings/session.toml --out measured", "measured/directivity.sofa", "measured/summary.csv")
    did(capsys, "solve design.toml --like measured --out predicted", "predicted/directivity.csv")
    did(capsys, "compare measured predicted --out compared --tolerance-db 1", "compared/report.html")
    did(capsys, "spread measured predicted --out between_units", "between_units/spread.json")
    did(capsys, "calibrate design.toml measured --out calibration --fit angle", "calibration/calibrated.toml")
    did(capsys, "journal log.sqlite add --design design.toml --comparison compared --calibration calibration")
    assert "best of the search" in did(capsys, "journal log.sqlite list")

    did(
        capsys,
        "equalise measured --out filters --from-hz 1500 --high-pass-hz 1200 --boost-db 18",
        "filters/equaliser.json",
    )
    Path("speaker.toml").write_text(SPEAKER)
    did(capsys, "crossover speaker.toml --out crossed", "crossed/crossover.json", "crossed/speaker/directivity.csv")
    Path("room.toml").write_text(ROOM)
    did(capsys, "room measured room.toml --out seats --filters filters/equaliser.json", "seats/room.html")
    assert "ok" in did(capsys, "check")
