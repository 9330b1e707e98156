"""Cabinets solved at wavenumbers: from memory, from disk, or anew, and how far up they can be."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, TypeVar

import numpy as np

from evenflare import __version__
from evenflare.directivity.types import Observation
from evenflare.exterior import store
from evenflare.exterior.memory import available_memory
from evenflare.exterior.operator import CabinetResponse, Opening, observed, responses, waves_of
from evenflare.exterior.panels import ORDER, PanelMesh, meshed, nodes_of
from evenflare.exterior.patches import box
from evenflare.exterior.scattering import INSIDE, Scatterer, Space, bytes_needed, ready
from evenflare.exterior.solids import checked, room_below, solid_mesh, solid_patches
from evenflare.files import InputError
from evenflare.units import ComplexArray, FloatArray, IntArray
from evenflare.waveguide.cabinet import Cabinet
from evenflare.waveguide.solid import AnyCabinet

PER_WAVELENGTH = 2.2
"""Cells of three by three nodes along a wavelength: the index is then 0.01 dB off, at 2.0 it was 0.02, at 1.6 0.3
(measured on a round cabinet against the axisymmetric judge, 2.5 to 6 kHz)."""
MOST_BYTES = 900_000_000
"""Of the matrices of all parities: beyond, a box is not solved; see top_wavenumber."""
MOST_BYTES_SOLID = 2_000_000_000
"""The same of other bodies, which have fewer mirror planes or none."""
EACH, FILL, FACTORS = 0.6, 1.5e-7, 6e-11
"""s of one core for each wavenumber, each pair of nodes and image, and, on one core however many there are, for each
node cubed and parity (measured)."""
BANDS_PER_OCTAVE = 4
"""Wavenumbers of one band share a mesh."""
MOST_KEPT = 400
"""Responses in memory;
MOST_ASKED lists of wavenumbers, and
MOST_HEARD sets of directions, in which all of an operator's waves are kept."""
MOST_ASKED = 256
MOST_HEARD = 6
MOST_OPERATORS = 6
SPEED = 343.0
"""m/s, of sound, where a message speaks of Hz."""
SAME = 1e-9
"""Ratio less one of two wavenumbers that are one."""


Key = TypeVar("Key")
Value = TypeVar("Value")


def _keep(known: dict[Key, Value], key: Key, value: Value, most: int) -> Value:
    """The value, kept; the oldest go where there are too many."""
    while len(known) >= most:
        known.pop(next(iter(known)), None)
    return known.setdefault(key, value)


@dataclass(frozen=True, eq=False)
class Operator:
    """What a cabinet makes of a mouth's waves at rising wavenumbers (F,), rad/m.

    top : rad/m, up to which it can be solved at all; above, nothing is known of it.

    What is asked of it is kept: candidates of one search ask for the same again and again.
    """

    cabinet: AnyCabinet
    wavenumber: FloatArray
    responses: tuple[CabinetResponse, ...]
    top: float
    _asked: dict[bytes, IntArray] = field(default_factory=dict, repr=False)
    _heard: dict[tuple[Any, ...], tuple[ComplexArray, ...]] = field(default_factory=dict, repr=False)

    def solved(self, wavenumber: FloatArray) -> IntArray:
        """(S,) which response is that of each of the first S of rising wavenumbers (K,), rad/m: of those up to the
        highest that was solved.

        LookupError for one below it at which it was not solved.
        """
        key = wavenumber.tobytes()
        if (found := self._asked.get(key)) is not None:
            return found
        known = self.wavenumber
        asked = wavenumber[: np.searchsorted(wavenumber, known[-1] * (1.0 + SAME), side="right") if known.size else 0]
        place = np.searchsorted(known, asked * (1.0 - SAME))
        if np.any(np.abs(known[place] / asked - 1.0) > SAME):
            raise LookupError("the cabinet was not solved at every wavenumber that was asked for")
        return _keep(self._asked, key, place, MOST_ASKED)

    @cached_property
    def waves(self) -> int:
        """W, how many of a mouth's waves it knows at its highest wavenumber, where these are most."""
        return max((each.mouth.size for each in self.responses), default=0)

    @cached_property
    def _back(self) -> ComplexArray:
        """(F, W, W) what every response has, and 0 for waves that it does not know."""
        result = np.zeros((len(self.responses), self.waves, self.waves), dtype=np.complex128)
        for row, each in zip(result, self.responses, strict=True):
            row[: each.mouth.size, : each.mouth.size] = each.back
        return result

    def back_of(self, solved: IntArray, kept: IntArray) -> ComplexArray:
        """(S, W, W) of those of a mouth's waves with the indices `kept` (W,), all known, of responses `solved`."""
        if kept[-1] == kept.size - 1:
            return self._back[solved, : kept.size, : kept.size]
        return self._back[np.ix_(solved, kept, kept)]

    def heard(
        self, solved: IntArray, sent: ComplexArray, kept: IntArray, observation: Observation, *, mouth: float
    ) -> ComplexArray:
        """(S, P A) the pressure in every direction, of responses `solved` (S,), where the mouth sends out `sent`
        (S, W) of its waves with the indices `kept` (W,), all known.

        mouth : m, how far the mouth lies ahead of the point from which directions count, the observation's own point of
                reference left aside. ValueError for a point inside the ball about the cabinet.
        """
        tables = self._tables(observation, mouth)
        result = np.empty((solved.size, observation.plane.size * observation.off_axis.size), dtype=np.complex128)
        whole = np.zeros((solved.size, kept[-1] + 1), dtype=np.complex128)
        whole[:, kept] = sent
        # Of waves that are not sent, which are the last ones at low wavenumbers, nothing is heard.
        count = whole.shape[1] - (whole[:, ::-1] != 0.0).argmax(axis=1)
        for row, which, waves, most in zip(result, solved.tolist(), whole, count.tolist(), strict=True):
            table = tables[which][:most]
            np.matmul(waves[: len(table)], table, out=row)
        return result

    def _tables(self, observation: Observation, mouth: float) -> tuple[ComplexArray, ...]:
        """See observed."""
        seen = mouth, observation.distance, observation.plane.tobytes(), observation.off_axis.tobytes()
        if (found := self._heard.get(seen)) is not None:
            return found
        middle = np.array([0.0, 0.0, mouth]) - self.cabinet.centre
        made = observed(self.responses, observation, middle=middle, reach=self.cabinet.reach)
        return _keep(self._heard, seen, made, MOST_HEARD)


class ShortOfMemoryError(ValueError):
    """A cabinet cannot be solved: `needed` bytes, and `free` are; up to `top`, rad/m, it can."""

    def __init__(self, needed: int, free: int, top: float) -> None:
        self.needed, self.free, self.top = needed, free, top
        super().__init__(
            f"the cabinet needs {needed / 1e9:.2g} GB of memory, and {free / 1e9:.2g} GB are free; it can be solved up"
            f" to a wavenumber of {top:.4g} rad/m, {top * SPEED / (2 * np.pi):.0f} Hz in air of {SPEED:g} m/s. Ask for"
            " no higher frequencies"
        )


@dataclass(frozen=True)
class Solved:
    """One wavenumber, rad/m, is ready.

    done, total : how many are, and how many there are to be.
    kept        : whether it was on disk already.
    fault       : what was wrong with what was on disk, or empty.
    """

    wavenumber: float
    done: int
    total: int
    kept: bool
    fault: str = ""


def operator_of(
    cabinet: AnyCabinet,
    wavenumber: FloatArray,
    *,
    is_round: bool,
    cores: int = 1,
    progress: Callable[[Solved], None] | None = None,
) -> Operator:
    """The cabinet's for its waveguide's mouth, at those of the wavenumbers (F,), rad/m, that can be solved. Each is
    kept on disk as soon as it is solved, so that an interrupted run goes on where it was.

    Errors: ValueError if the surface is too intricate to be solved at all; ShortOfMemoryError.
    """
    return operators_of(cabinet, [(mouth_of(cabinet, is_round=is_round), wavenumber)], cores=cores, progress=progress)[
        0
    ]


def operators_of(
    cabinet: AnyCabinet,
    asked: Sequence[tuple[Opening, FloatArray]],
    *,
    cores: int = 1,
    progress: Callable[[Solved], None] | None = None,
) -> list[Operator]:
    """As operator_of, for several openings with rising wavenumbers (F,), rad/m, each: one elimination serves all of
    them that ask for a wavenumber.
    """
    top = top_wavenumber(cabinet)
    keys = [(cabinet, opening, wavenumber.tobytes()) for opening, wavenumber in asked]
    ready_made = {i: _OPERATORS[key] for i, key in enumerate(keys) if key in _OPERATORS}
    missing = [i for i in range(len(keys)) if i not in ready_made]
    for i in missing:
        _check_memory(cabinet, *asked[i])
    found: dict[int, dict[float, CabinetResponse]] = {i: {} for i in missing}
    wanted = {i: asked[i][1][asked[i][1] <= top].tolist() for i in missing}
    every = sorted(set(itertools.chain.from_iterable(wanted.values())), reverse=True)
    space = Space()
    # From the most work to the least, so that what is left is soon known.
    for done, k in enumerate(every, start=1):
        mine = [i for i in missing if k in wanted[i]]
        of_each, kept, fault = _responses(cabinet, k, [asked[i][0] for i in mine], cores, space)
        for i, each in zip(mine, of_each, strict=True):
            found[i][k] = each
        if progress is not None:
            progress(Solved(k, done, len(every), kept, fault))
    for i in missing:
        solved = tuple(found[i][k] for k in wanted[i])
        made = Operator(cabinet, np.array(wanted[i]), solved, top)
        ready_made[i] = _keep(_OPERATORS, keys[i], made, MOST_OPERATORS)
    return [ready_made[i] for i in range(len(keys))]


def mouth_of(cabinet: AnyCabinet, *, is_round: bool) -> Opening:
    """The opening that holds any mouth with its centre where the cabinet has it."""
    x, y, z = cabinet.centre.tolist()
    return Opening((x, y, z), cabinet.nearest_edge if is_round else float(np.hypot(*cabinet.flat)), is_round)


def is_kept(cabinet: AnyCabinet, wavenumber: FloatArray, *, is_round: bool) -> bool:
    """Whether all that can be solved of the wavenumbers (F,), rad/m, was, and lies on disk."""
    wanted = wavenumber[wavenumber <= top_wavenumber(cabinet)].tolist()
    opening = mouth_of(cabinet, is_round=is_round)
    return all(store.file_of(_key(cabinet, k, opening)).is_file() for k in wanted)


def check_memory(cabinet: AnyCabinet, wavenumber: FloatArray, *, is_round: bool) -> None:
    """ShortOfMemoryError unless what is missing of wavenumbers (F,), rad/m, can be solved in free memory."""
    _check_memory(cabinet, mouth_of(cabinet, is_round=is_round), wavenumber)


def _check_memory(cabinet: AnyCabinet, opening: Opening, wavenumber: FloatArray) -> None:
    most = max(available_memory(), MOST_BYTES)
    asked = wavenumber[wavenumber <= top_wavenumber(cabinet)].tolist()
    for k in reversed(asked):
        if (needed := memory_needed(cabinet, k)) <= most:
            return
        if not store.file_of(_key(cabinet, k, opening)).is_file():
            raise ShortOfMemoryError(needed, most, _highest(cabinet, most))


@lru_cache(maxsize=64)
def top_wavenumber(cabinet: AnyCabinet) -> float:
    """rad/m, of the highest band whose matrices fit into MOST_BYTES, or for other bodies than boxes MOST_BYTES_SOLID.

    Errors: ValueError for a body of so many faces that there is none.
    """
    if isinstance(cabinet, Cabinet):
        return _highest(cabinet, MOST_BYTES)
    top = _highest(cabinet, MOST_BYTES_SOLID)
    if top == 0.0:
        raise ValueError(
            f"the cabinet's {len(cabinet.solid.outlines)} flat faces need {memory_needed(cabinet, 4.0) / 1e9:.3g} GB of"
            f" memory at any frequency: at most {MOST_BYTES_SOLID / 1e9:g} are used. Export it with a larger tolerance,"
            " so that its curves are fewer facets"
        )
    return top


def _highest(cabinet: AnyCabinet, most: int) -> float:
    tops = (2.0 ** (np.arange(2 * BANDS_PER_OCTAVE, 10 * BANDS_PER_OCTAVE) / BANDS_PER_OCTAVE)).tolist()
    at, ahead = 0, len(tops)
    # Memory goes with the fourth power of the wavenumber at most, with less where edges and faces make the cells: so
    # far ahead it still fits, but for what whole cells make of that.
    while ahead > 0:
        octaves = 0.25 * np.log2(most / memory_needed(cabinet, tops[at]))
        ahead = min(int(BANDS_PER_OCTAVE * octaves), len(tops) - 1 - at)
        at += max(ahead, 0)
    while at >= 0 and memory_needed(cabinet, tops[at]) > most:
        at -= 1
    while at + 1 < len(tops) and memory_needed(cabinet, tops[at + 1]) <= most:
        at += 1
    return float(tops[at]) if at >= 0 else 0.0


def memory_needed(cabinet: AnyCabinet, wavenumber: float) -> int:
    """Bytes at that wavenumber, rad/m, worked out without solving it."""
    return bytes_needed(*_unknowns(_anywhere(cabinet), _band(wavenumber)))


def seconds_needed(cabinet: AnyCabinet, wavenumber: float, cores: int) -> float:
    """About how long a wavenumber, rad/m, takes."""
    nodes, parities = _unknowns(_anywhere(cabinet), _band(wavenumber))
    return (EACH + FILL * parities * nodes**2) / cores + FACTORS * parities * nodes**3


@lru_cache(maxsize=512)
def _unknowns(cabinet: AnyCabinet, band: int) -> tuple[int, int]:
    """Nodes of the part that mirror planes leave, and parities."""
    part = box(cabinet) if isinstance(cabinet, Cabinet) else solid_patches(cabinet.solid)
    return nodes_of(part, _size(band)), 2 ** len(part.mirrors)


def _anywhere(cabinet: AnyCabinet) -> AnyCabinet:
    """The body itself: one mesh for all that sits in its front, wherever."""
    return replace(cabinet, x=0.0, y=0.0)


def _band(k: float) -> int:
    return int(np.ceil(BANDS_PER_OCTAVE * np.log2(k) - 1e-9))


def _size(band: int) -> float:
    """m, of the cells for a band's highest wavenumber."""
    return float(2 * np.pi / 2.0 ** (band / BANDS_PER_OCTAVE) / PER_WAVELENGTH)


@lru_cache(maxsize=2)
def _body(cabinet: AnyCabinet, band: int, cores: int) -> Scatterer:
    mesh = _mesh(cabinet, band)
    if isinstance(cabinet, Cabinet):
        return ready(mesh, cores)
    return checked(ready(mesh, cores, room=room_below(mesh, cabinet.solid)))


def _mesh(cabinet: AnyCabinet, band: int) -> PanelMesh:
    if isinstance(cabinet, Cabinet):
        return meshed(box(cabinet), _size(band))
    return solid_mesh(cabinet.solid, _size(band))


_OPERATORS: dict[tuple[AnyCabinet, Opening, bytes], Operator] = {}
_KEPT: dict[tuple[AnyCabinet, float, Opening], CabinetResponse] = {}
_ONE_AT_A_TIME = threading.Lock()


def _responses(
    cabinet: AnyCabinet, k: float, openings: Sequence[Opening], cores: int, space: Space
) -> tuple[list[CabinetResponse], bool, str]:
    """The response of each opening, whether all were there already, and what was wrong with what was on disk."""
    body = _anywhere(cabinet)
    with _ONE_AT_A_TIME:
        found: dict[Opening, CabinetResponse] = {}
        faults: list[str] = []
        for opening in openings:
            if (known := _KEPT.get((body, k, opening))) is None:
                mouth, around = waves_of(k, radius=opening.radius, reach=cabinet.reach, is_round=opening.is_round)
                try:
                    known = store.found(_key(cabinet, k, opening), wavenumber=k, mouth=mouth, around=around)
                except InputError as error:
                    faults.append(str(error))
            if known is not None:
                found[opening] = known
        missing = [each for each in dict.fromkeys(openings) if each not in found]
        if missing:
            surface = _body(body, _band(k), cores)
            made = responses(k, surface, missing, reach=cabinet.reach, cores=cores, space=space)
            for opening, each in zip(missing, made, strict=True):
                # As it will be read: whoever solves it and whoever finds it get the same to the last bit.
                found[opening] = store.as_kept(each)
                store.written(found[opening], _key(cabinet, k, opening))
        for opening, each in found.items():
            _keep(_KEPT, (body, k, opening), each, MOST_KEPT)
        return [found[each] for each in openings], not missing, "\n".join(faults)


def _key(cabinet: AnyCabinet, k: float, opening: Opening) -> dict[str, Any]:
    """All that a response depends on, as JSON can hold it."""
    return {
        "version": __version__,
        "cabinet": _anywhere(cabinet).key,
        "opening": {
            "centre": list(opening.centre),
            "radius": opening.radius,
            "turn": [list(each) for each in opening.turn],
        },
        "wavenumber": k,
        "is_round": opening.is_round,
        "cells_per_wavelength": PER_WAVELENGTH,
        "bands_per_octave": BANDS_PER_OCTAVE,
        "order": ORDER,
        "inside": INSIDE,
    }
