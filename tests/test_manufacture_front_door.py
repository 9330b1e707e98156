"""No way from a waveguide to a machine's files but through the proof that cuts the part in software."""

from __future__ import annotations

import ast
import dataclasses
from pathlib import Path

import numpy as np
import pytest

import evenflare
from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.milling.programs import PartPrograms, programs
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof import programs as proving
from evenflare.manufacture.proof.programs import Proved, prove_programs, write_programs
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Exponential, Waveguide

MANUFACTURE = Path(evenflare.__file__).parent / "manufacture"
FLARE = Waveguide(Exponential(0.04, 0.04, 0.008))
SIZES = solid_sizes(FLARE.meridian, Solid(flange_diameter=120 * MM))
LATHE = read_process("lathe")


def proved() -> Proved:
    return prove_programs(FLARE, LATHE, SIZES, design_id="0a1b2c", name="small flare")


def test_programs_that_cut_the_part_are_written(tmp_path: Path) -> None:
    found = proved()
    write_programs(found, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"outside.nc", "turning.nc", "toolpath.csv"}
    assert (tmp_path / "turning.nc").read_text(encoding="utf-8") == found.texts[1]


def test_a_gouge_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A point 0.2 mm too far out, where the process allows 0.05 mm."""

    def gouging(*given):
        first, program = programs(*given).programs
        wrong = np.array(program.position)
        wrong[np.flatnonzero(np.abs(wrong[:, 2] + 0.015) < 0.002)[-1], 0] += 0.2 * MM
        return PartPrograms((first, dataclasses.replace(program, position=wrong)))

    monkeypatch.setattr(proving, "programs", gouging)
    found = proved()
    assert not found.may_be_written
    with pytest.raises(InputError, match=r"turning\.nc: cut in software, gouge 0\.\d+ mm, must be at most 0\.05"):
        write_programs(found, tmp_path)
    assert not list(tmp_path.iterdir())


def test_programs_are_not_taken_without_their_proof() -> None:
    found = proved()
    with pytest.raises(ValueError, match="without a proof"):
        dataclasses.replace(found, proof=None)
    with pytest.raises(ValueError, match="without a proof"):
        Proved(found.programs, found.texts)


def test_milling_returns_moves_and_text_and_writes_no_file() -> None:
    """Whatever writes imports it from `files`, or opens or writes by a method of a path."""
    for path in sorted((MANUFACTURE / "milling").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "evenflare.files":
                assert not {alias.name for alias in node.names} & {"write_text", "write_bytes", "writing"}, path.name
            if isinstance(node, ast.Attribute):
                assert node.attr not in ("write_text", "write_bytes", "write"), path.name
