"""The commands as a user gives them, and a design and a target that are in order."""

from __future__ import annotations

import io
import os
import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from evenflare.cli import run

SCRIPT = Path(sys.executable).with_name("evenflare")
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
"""Standard output buffered, as at a user's: a full disk may then show only at the end."""

DESIGN = """
name = "plain cone"
[waveguide]
family = "conical"
depth_mm = 80
wall_angle_deg = 42
roundover_radius_mm = 15
[driver]
exit_diameter_mm = 25.4
"""
TARGET = """
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1500, 4000]
index_db = [7.0, 9.0]
tolerance_db = [0.5, 0.5]
[limits]
depth_mm = [60, 100]
mouth_diameter_mm = [150, 240]
[search]
families = ["conical", "free"]
candidates = 60
seed = 3
"""


def said(capsys, line: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command line."""
    capsys.readouterr()
    code = run(shlex.split(line))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def asked(capsys, line: str) -> tuple[int, str, str]:
    """The same where the options themselves end the program."""
    with pytest.raises(SystemExit) as end:
        run(shlex.split(line))
    return (end.value.code, *capsys.readouterr())


def started(line: str, *, command: Sequence[str] = (str(SCRIPT),), **others) -> subprocess.Popen[str]:
    """The installed command, or another that takes its words, in a process of its own."""
    words = [*command, *shlex.split(line)]
    arguments = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "env": ENVIRONMENT}
    return subprocess.Popen(words, **(arguments | others))


def finished(line: str, **others) -> tuple[int, str, str]:
    """Exit code and both streams of the installed command."""
    process = started(line, **others)
    out, err = process.communicate(timeout=120)
    assert "Traceback" not in (out or "") + (err or "")
    return process.returncode, out, err


def paint_dots(patched: pytest.MonkeyPatch) -> None:
    """Figures are made but each is painted as a dot."""
    from PIL import Image

    from evenflare.report.kit import canvas

    dot = io.BytesIO()
    Image.new("RGB", (1, 1)).save(dot, "PNG")
    patched.setattr(canvas, "_png", lambda _: dot.getvalue())


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too, with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
