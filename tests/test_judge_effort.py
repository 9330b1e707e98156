"""What the judge in three dimensions is said to take before it is asked, and what it says while it works."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from commandline import said
from evenflare.air import Air
from evenflare.radiation.effort import effort
from evenflare.radiation.loudspeaker_elements import memory_needed, meshes, whole_solver
from evenflare.report.kit import canvas
from evenflare.waveguide import Cabinet, Conical, Mounting, Waveguide
from test_loudspeaker_elements import seen

AIR = Air()
BOXED = replace(Waveguide(Conical(0.05, 45 * np.pi / 180)), mounting=Mounting(cabinet=Cabinet(0.2, 0.25, 0.2)))


def test_memory_and_unknowns_are_those_of_the_meshes() -> None:
    found = effort(BOXED, seen(400.0, 900.0), AIR, setting="screen")
    assert found.unknowns == meshes(BOXED, 900.0, AIR, setting="screen")[0].mesh.size
    assert found.memory == memory_needed(BOXED, 900.0, AIR, setting="screen")


def test_time_rises_with_frequency_and_falls_with_cores() -> None:
    """No wall clock is held against it: a machine that does other things answers differently each time."""
    low, high = effort(BOXED, seen(300.0, 3000.0), AIR).seconds
    assert 0.0 < 3.0 * low < high  # 3 times: unknowns are four times as many, their matrix sixteen times as large


def test_progress_counts_the_frequencies() -> None:
    told: list[int] = []
    whole_solver("estimate", progress=told.append)(BOXED, seen(300.0, 400.0, 500.0), AIR)
    assert told == [1, 2, 3]


@pytest.mark.usefixtures("compiled")
def test_command_says_it_first(here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    (here / "boxed.toml").write_text(
        "[waveguide]\nfamily = 'conical'\ndepth_mm = 40\nwall_angle_deg = 45\n[driver]\nexit_diameter_mm = 25.4\n"
        "[mounting]\nkind = 'cabinet'\nwidth_mm = 180\nheight_mm = 200\ndepth_mm = 150\n"
        "[analysis]\nfrequencies_hz = [400, 500]\noff_axis_step_deg = 30\n"
    )
    words = "solve boxed.toml --out out --method boundary_elements --setting estimate"
    code, _, err = said(capsys, words)
    assert code == 0
    assert re.search(r"Solving takes about \d+ s and \d+ MB of memory: \d+ unknowns at the highest frequency", err)
