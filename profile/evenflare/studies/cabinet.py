"""What a cabinet does: one waveguide in a baffle, on a cabinet and free-standing, side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from evenflare import metrics, radiation
from evenflare.design.file import Design
from evenflare.directivity.types import Directivity
from evenflare.radiation import Method
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
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

    @property
    def where_words(self) -> str:
        """In what, and whether the design says so."""
        if self.as_designed:
            return f"{self.where}, as designed"
        return self.where if self.mounting.kind == "baffle" else f"{self.where}, an invented default"


@dataclass(frozen=True)
class Mounted:
    """What was found of a case over frequency.

    index         : (F,) dB.
    beamwidth     : (F,) rad, horizontal, and
    beamwidth_vertical : vertical.
    on_axis_level : (F,) dB re 20 uPa.
    valid         : (F,) whether it can be trusted.
    """

    case: Case
    index: FloatArray
    beamwidth: FloatArray
    on_axis_level: FloatArray
    valid: BoolArray
    beamwidth_vertical: FloatArray


@dataclass(frozen=True)
class CabinetEffect:
    """One waveguide in several mountings.

    frequency : (F,) Hz.
    mounted   : what was found, in the order of NAMES; the first is what the others are held against.
    missing   : why another could not be shown, a sentence each without its full stop.
    method    : by which all were solved; None, each by the one that solves it as it is.
    """

    frequency: FloatArray
    mounted: tuple[Mounted, ...]
    missing: tuple[str, ...] = ()
    method: Method | None = "boundary_elements"

    @property
    def lines(self) -> list[str]:
        """What a page says, a sentence each."""
        said = [f"{NAMES[each.case.name].capitalize()}: {each.case.where_words}." for each in self.mounted]
        said += [f"{each}." for each in self.missing]
        return [*said, *(self._against_first(each) for each in self.mounted[1:])]

    def _against_first(self, mounted: Mounted) -> str:
        frequency, first = self.frequency, self.mounted[0]
        step = mounted.index - first.index
        worst, felt = int(np.nanargmax(np.abs(step))), np.flatnonzero(np.abs(step) > FELT)
        within = f"within {FELT:g} dB of it"
        if not felt.size:
            until = f"{within} everywhere"
        elif felt[-1] + 1 == step.size:
            until = f"not {within} at the highest frequency solved"
        else:
            until = f"{within} above {hertz(frequency[felt[-1]])}"
        return (
            f"{NAMES[mounted.case.name].capitalize()} the index departs from that {NAMES[first.case.name]} by up to"
            f" {signed(step[worst])} dB, at {hertz(frequency[worst])}; it is {until}."
        )


def cases(waveguide: Waveguide) -> Iterator[Case]:
    """The ways to mount a waveguide: the design's own among them, others of invented sizes that follow the mouth.

    A body that is no round cabinet counts as free-standing; a sphere, as a cabinet. In a rectangular cabinet, round or
    not, that and the baffle; so where an oblong one stands free.
    """
    own = waveguide.mounting
    if not waveguide.is_round and own.body is not None:
        yield Case("baffle", False, "flush in an infinite baffle", Mounting())
        yield Case("free_standing", True, body_words(own), own)
        return
    if own.cabinet is not None:
        yield Case("baffle", False, "flush in an infinite baffle", Mounting())
        yield Case("cabinet", True, own.cabinet.words, own)
        return
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


def body_words(mounting: Mounting) -> str:
    """A free-standing body in words."""
    body = mounting.body
    if isinstance(body, RoundCabinet):
        return (
            f"a round cabinet of diameter {millimetres(body.diameter, 1)}, {millimetres(body.depth, 1)} deep, edges of"
            f" radius {millimetres(body.edge_radius, 1)}"
        )
    if isinstance(body, RolledShell):
        return (
            f"a shell with a rim rolled to a radius of {millimetres(body.rim_radius, 1)}, its back"
            f" {millimetres(body.back_diameter, 1)} across and {millimetres(body.back_depth, 1)} behind the throat"
        )
    return "a body through points"


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


def cabinet_effect(design: Design) -> CabinetEffect | None:
    """The waveguide of a design in each mounting, by boundary elements, rectangular cabinets by the march, an oblong
    one that stands free by both; None where fewer than two can be solved.

    design : of a waveguide that is round, in a rectangular cabinet or free; it is solved at its frequencies, or some.
    """
    observation = replace(design.observation, frequency=chosen(design.observation.frequency))
    method: Method | None = "boundary_elements" if design.waveguide.mounting.cabinet is None else "march"
    if design.waveguide.oblong_body is not None:
        method = None
    found, missing = [], []
    for case in cases(design.waveguide):
        mounted = replace(design, waveguide=replace(design.waveguide, mounting=case.mounting), observation=observation)
        try:
            found.append((case, radiation.solve(mounted, method=method, setting="screen")))
        except (ValueError, ArithmeticError) as error:
            missing.append(f"{NAMES[case.name]} it cannot be shown ({error})")
    return replace(effect(found, missing), method=method) if len(found) > 1 else None


def effect(found: Sequence[tuple[Case, Directivity]], missing: Sequence[str]) -> CabinetEffect:
    """What was found of each case, all at the same frequencies. The first is what the others are held against."""
    return CabinetEffect(
        found[0][1].observation.frequency,
        tuple(Mounted(case, *_curves(directivity)) for case, directivity in found),
        tuple(missing),
    )


def _curves(directivity: Directivity) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, FloatArray]:
    return (
        metrics.directivity_index(directivity),
        metrics.beamwidth(directivity, plane=0.0),
        metrics.on_axis_level(directivity),
        directivity.valid,
        metrics.beamwidth(directivity, plane=metrics.PLANES["vertical"]),
    )
