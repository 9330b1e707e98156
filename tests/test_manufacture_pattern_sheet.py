"""The sheet that goes with a pattern: sizes as cast and finished, cautions, and what no public table confirms."""

from __future__ import annotations

from dataclasses import replace

import pytest
import trimesh

from evenflare.manufacture.casting.pattern_files import export_pattern
from oblongs import MM, SHAPES, Choice
from test_manufacture_casting import BELL, BRONZE, PROCESS, TOLD


def test_sheet_tells_sizes_as_cast_and_finished_with_cautions(tmp_path):
    done = export_pattern(BELL, Choice("shell"), replace(PROCESS, casting=BRONZE), tmp_path, **TOLD)
    text = done.sheet.read_text(encoding="utf-8")
    for words in (
        "contraction: 1.30208 % of the casting, pattern = casting x (1 + s), that is x 1.013021",
        "hint, not used: bronze",
        "DCTG 12 of ISO 8062-3:2023 as cast, half",
        "parting line:",
        "draw: below 1.5 degrees: z 0.00 to 0.4",
        "dry-sand core",
        "marking, on the outside: 0a1b2c BRONZE",
        "licensed foundry",
        "lead-free",
    ):
        assert words in text
    rows = {line.split(",")[0]: line.split(",")[1:] for line in text.splitlines() if not line.startswith("#")}
    assert rows["height"] == ["160.000", "166.000", "4.000", "168.161", "yes"]
    assert float(rows["mouth diameter"][0]) == pytest.approx(2 * BELL.meridian.mouth_radius / MM, abs=1e-3)
    # 6 mm at DCTG 13, one coarser: +-3.
    assert rows["wall thickness"] == ["6.000", "6.000", "3.000", "6.078", "no"]
    assert done.mass == pytest.approx(done.pattern.volume * 8700)
    assert trimesh.load(done.mesh).volume == pytest.approx(done.pattern.volume * 1e9 * 1.0130208**3, rel=1e-5)


def test_sheet_has_both_sides_of_a_rectangular_outside(tmp_path):
    done = export_pattern(
        SHAPES["cone"],
        Choice(flange_width=0.23, flange_height=0.15),
        replace(PROCESS, casting=BRONZE),
        tmp_path,
        **TOLD,
    )
    lines = done.sheet.read_text(encoding="utf-8").splitlines()
    rows = {line.split(",")[0]: line.split(",")[1:] for line in lines if not line.startswith("#")}
    # A draft of 1.5 degrees begins behind the front, so that front and finished size are those asked for.
    assert rows["outside width at the front"][0] == "230.000"
    assert rows["outside height across at the front"][0] == "150.000"


def test_tolerances_that_no_public_table_confirms_say_so(tmp_path):
    coarse = replace(PROCESS, casting=replace(BRONZE, grade=14))
    small = export_pattern(BELL, Choice("shell"), coarse, tmp_path / "small", **TOLD)
    wide = export_pattern(BELL, Choice("shell", flange_diameter=0.45), coarse, tmp_path / "wide", **TOLD)
    assert "as cast, half" in small.sheet.read_text(encoding="utf-8")
    assert "as cast (above 400 mm from memory: verify), half" in wide.sheet.read_text(encoding="utf-8")
