"""What a cabinet does: one waveguide in a baffle, on a cabinet and free-standing, side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from evenflare import files, metrics
from evenflare.directivity.types import Directivity
from evenflare.report.kit import canvas, style
from evenflare.report.waveguide.drawing import body_words
from evenflare.results import tables
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Mounting, RolledShell, RoundCabinet, Waveguide
from evenflare.words import hertz, millimetres, signed

FRONT = 60 * MILLIMETRE
"""Of an invented cabinet's diameter above the mouth's: a narrow front."""
CABINET_DEPTH = 1.2
"""Of an invented cabinet over the mouth's diameter."""
EDGE = 15 * MILLIMETRE
"""Radius of an invented cabinet's edges."""
BEHIND = 40 * MILLIMETRE
"""Of an invented body behind the throat plane at least: room for a driver."""
RIM = 0.08
"""Radius of an invented shell's rolled rim over the mouth's diameter."""
BACKS = (0.5, 0.75, 1.0, 1.25)
"""Diameter of an invented shell's back over the mouth's: the first that fits round the wall."""
BACK_EDGE = 0.05
"""Radius of an invented shell's back edge over the mouth's diameter."""
FELT = 0.5
"""dB of the index from which a cabinet is worth a word."""
PER_OCTAVE = 6
"""Frequencies that are solved at most: a cabinet's effects are wider."""

NAMES = {"baffle": "in a baffle", "cabinet": "on a cabinet", "free_standing": "free-standing"}


class Case(NamedTuple):
    """A way to mount a waveguide: its name in NAMES, whether the design says so, and in what, in words."""

    name: str
    as_designed: bool
    where: str
    mounting: Mounting


@dataclass(frozen=True)
class CabinetEffect:
    """One waveguide in several mountings.

    columns : frequency_hz, then index, horizontal beamwidth, on-axis level and validity of each case, prefixed by it.
    cases   : those solved, in the order of NAMES.
    missing : why another could not be shown, a sentence each without its full stop.
    """

    columns: tables.Columns
    cases: tuple[Case, ...]
    missing: tuple[str, ...] = ()

    @property
    def lines(self) -> list[str]:
        """What a page says, a sentence each."""
        said = [f"{NAMES[case.name].capitalize()}: {_where(case)}." for case in self.cases]
        said += [f"{each}." for each in self.missing]
        return [*said, *(self._against_baffle(case) for case in self.cases[1:])]

    def _against_baffle(self, case: Case) -> str:
        frequency = self.columns["frequency_hz"]
        step = self.columns[f"{case.name}_index_db"] - self.columns[f"{self.cases[0].name}_index_db"]
        worst, felt = int(np.nanargmax(np.abs(step))), np.flatnonzero(np.abs(step) > FELT)
        within = f"within {FELT:g} dB of it"
        if not felt.size:
            until = f"{within} everywhere"
        elif felt[-1] + 1 == step.size:
            until = f"not {within} at the highest frequency solved"
        else:
            until = f"{within} above {hertz(frequency[felt[-1]])}"
        return (
            f"{NAMES[case.name].capitalize()} the index departs from that {NAMES[self.cases[0].name]} by up to"
            f" {signed(step[worst])} dB, at {hertz(frequency[worst])}; it is {until}."
        )


def _where(case: Case) -> str:
    if case.as_designed:
        return f"{case.where}, as designed"
    return case.where if case.mounting.kind == "baffle" else f"{case.where}, an invented default"


def cases(waveguide: Waveguide) -> Iterator[Case]:
    """The ways to mount a round waveguide: the design's own among them, others of invented sizes that follow the mouth.

    A body that is no round cabinet counts as free-standing; a sphere, as a cabinet.
    """
    own = waveguide.mounting
    body, sphere = own.body, own.radius
    yield Case("baffle", own.kind == "baffle", "flush in an infinite baffle", Mounting())
    if sphere is not None:
        yield Case("cabinet", True, f"a rigid sphere of radius {millimetres(sphere, 1)}", own)
    elif isinstance(body, RoundCabinet):
        yield Case("cabinet", True, body_words(own), own)
    else:
        yield _case("cabinet", default_cabinet(waveguide))
    if body is not None and not isinstance(body, RoundCabinet):
        yield Case("free_standing", True, body_words(own), own)
    else:
        yield _case("free_standing", default_shell(waveguide))


def _case(name: str, mounting: Mounting) -> Case:
    return Case(name, False, body_words(mounting), mounting)


def default_cabinet(waveguide: Waveguide) -> Mounting:
    """A round cabinet that follows the mouth; its sizes are invented."""
    across = waveguide.mouth_width
    depth = max(CABINET_DEPTH * across, waveguide.depth + BEHIND)
    return Mounting(body=RoundCabinet(across + FRONT, depth, EDGE))


def default_shell(waveguide: Waveguide) -> Mounting:
    """A shell with a rolled rim that follows the mouth, its back as narrow as the wall lets it be; sizes are invented.

    Where none fits, the widest, which says so when it is used.
    """
    across = waveguide.mouth_width
    mounting = Mounting()
    for back in BACKS:
        mounting = Mounting(body=RolledShell(RIM * across, back * across, BEHIND, BACK_EDGE * across))
        try:
            if replace(waveguide, mounting=mounting).outside:
                break
        except ValueError:
            continue
    return mounting


def chosen(frequency: FloatArray) -> FloatArray:
    """Of the frequencies asked for those that the mountings are compared at: PER_OCTAVE at most, both ends kept."""
    if frequency.size < 3:
        return frequency
    octaves = float(np.log2(frequency[-1] / frequency[0]))
    step = max(1, int(np.ceil((frequency.size - 1) / (PER_OCTAVE * octaves) - 1e-9)))
    return np.unique(np.append(frequency[::step], frequency[-1]))


def effect(found: Sequence[tuple[Case, Directivity]], missing: Sequence[str]) -> CabinetEffect:
    """What was found of each case, all at the same frequencies. The first is what the others are held against."""
    columns: tables.Columns = {"frequency_hz": found[0][1].observation.frequency}
    for case, directivity in found:
        columns |= {
            f"{case.name}_index_db": metrics.directivity_index(directivity),
            f"{case.name}_beamwidth_deg": metrics.beamwidth(directivity, plane=0.0) / DEGREE,
            f"{case.name}_on_axis_level_db": metrics.on_axis_level(directivity),
            f"{case.name}_valid": directivity.valid.astype(np.float64),
        }
    return CabinetEffect(columns, tuple(case for case, _ in found), tuple(missing))


def write(path: Path, found: CabinetEffect, *, header: Sequence[str], cautions: Sequence[str], distance: float) -> None:
    """`cabinet_effect.csv`. header : lines that say whose it is; cautions : as of other tables; distance : m, or inf.

    Errors: InputError if it cannot be written.
    """
    seen = "1 m" if np.isinf(distance) else f"{distance:g} m"
    said = [
        "cabinet effect: directivity index (whole sphere), horizontal beamwidth and on-axis level by mounting",
        *header,
        f"units: Hz, dB, degrees; level re 20 uPa at {seen}; solved by boundary elements; valid 1 where to be trusted",
        *(f"{case.name}: {_where(case)}" for case in found.cases),
        *found.missing,
        *cautions,
    ]
    files.write_text(path, tables.csv_text(found.columns, header=said))


def figure(found: CabinetEffect) -> Any:
    """Index, horizontal beamwidth and on-axis level over frequency; the level re that of the first case."""
    columns, frequency = found.columns, found.columns["frequency_hz"]
    drawn, (above, middle, below) = canvas.stacked(6.8, ratios=(3, 3, 2))
    first = found.cases[0].name
    style.dressed(above, "Cabinet effect", x="", y="index, dB")
    style.dressed(middle, "", x="", y="horizontal beamwidth, degrees")
    style.dressed(below, "", x="frequency, Hz", y=f"on-axis level\nre {first}, dB")
    for case, (colour, dash) in zip(found.cases, style.LINES, strict=False):
        look = {"color": colour, "linestyle": dash, "linewidth": 1.9}
        words = f"{NAMES[case.name]}{' (as designed)' if case.as_designed else ''}"
        above.plot(frequency, columns[f"{case.name}_index_db"], label=words, **look)
        middle.plot(frequency, columns[f"{case.name}_beamwidth_deg"], **look)
        level = columns[f"{case.name}_on_axis_level_db"] - columns[f"{first}_on_axis_level_db"]
        below.plot(frequency, level, **look)
    above.set_ylim(0, style.ceiling(above, 2.0))
    middle.set_ylim(0, style.ceiling(middle, 30.0))
    middle.set_yticks(np.arange(0, middle.get_ylim()[1] + 1, 60))
    valid = np.all([columns[f"{case.name}_valid"] == 1 for case in found.cases], axis=0)
    for axes in (above, middle, below):
        style.over_frequency(axes, frequency, valid, veil="one is not valid" if axes is above else "")
    style.legend(above)
    return drawn
