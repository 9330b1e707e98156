"""A single wrong number in a program's file, planted at places all over it, is found by cutting in software."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.proof.proof import Proof
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Waveguide
from programs_shared import made, process, sizes_of

SMALL = Waveguide(Conical(12 * MM, 40 * DEGREE))
# A seat that the small part has room for.
ASKED = process(seat=dataclasses.replace(process().seat, bolts=0, diameter=60 * MM))
WRONG = 0.3
"""mm."""


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    return {name: gcode(each, ASKED, design_id="a1", name="small") for name, each in made(SMALL, ASKED).items()}


def proved(texts: dict[str, str], folder: Path) -> Proof:
    for name, text in texts.items():
        (folder / f"{name}.nc").write_text(text, encoding="utf-8")
    return prove_files(SMALL, [folder / f"{name}.nc" for name in texts], ASKED, sizes=sizes_of(SMALL))


def planted(text: str, place: float, off: float, pattern: str) -> str:
    """The text with the Z of one line `off` mm wrong: that at a share `place` of those that match."""
    lines = text.split("\n")
    found = [k for k, line in enumerate(lines) if re.search(pattern, line)]
    k = found[int(place * len(found))]
    lines[k] = re.sub(r"Z(-?[\d.]+)", lambda z: f"Z{float(z[1]) + off:.4f}", lines[k])
    return "\n".join(lines)


def test_as_written_they_pass(texts, tmp_path):
    assert proved(texts, tmp_path).passed


@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("off", [-WRONG, WRONG])
def test_a_wrong_z_on_the_wall_is_found(texts, tmp_path, place, off):
    front = {name: texts[name] for name in ("roughing", "finishing")}
    wrong = front | {"finishing": planted(front["finishing"], place, off, r"^X.*Z-")}
    *_, found = proved(wrong, tmp_path).programs
    assert not found.accepted
    if off < 0.0:
        # The ball's end comes that much lower: along the normal of a cone of 40 degrees sin 40 of it, less between
        # cells and where the way to its neighbours has begun.
        assert 0.1 * MM < found.gouge.size <= 0.3 * MM
    else:
        # The turns beside it, at most 0.5 mm off, leave a ridge that is higher than the scallop asked for.
        assert found.leftover.size > 1.5 * ASKED.scallop_height


@pytest.mark.parametrize("off", [-WRONG, WRONG])
def test_a_wrong_z_on_the_seats_floor_is_found(texts, tmp_path, off):
    # The first line of the floor has its Z, which holds until the next.
    wrong = texts["back"].replace("Z-3.0\n", f"Z{-3.0 + off:.4f}\n", 1)
    assert wrong != texts["back"]
    (found,) = proved({"back": wrong}, tmp_path).programs
    assert not found.accepted
