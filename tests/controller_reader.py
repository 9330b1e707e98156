"""A reader of programs that shares nothing with the product: what each word means on each kind of control, as manuals
of such controls have it (from memory; plain words by NISTIR 6556, The NIST RS274NGC Interpreter, version 3, 2000).

Numbers without a decimal point count least increments, as on controls that are strict about it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

import numpy as np

PLAIN = {
    **{"G0": "rapid", "G1": "straight", "G2": "clockwise", "G3": "counter-clockwise", "G4": "dwell"},
    **{"G17": "XY", "G18": "ZX", "G20": "inch", "G21": "mm", "G54": "offset"},
    **{"G40": "off", "G49": "off", "G80": "off", "G97": "off", "G90": "absolute", "G94": "per minute"},
    **{"M3": "spindle", "M4": "spindle", "M5": "stop", "M30": "end"},
}
MEANINGS = {
    "plain": PLAIN,
    "small": {**PLAIN, "M2": "end"},
    "metric_words": {**PLAIN, "G70": "inch", "G71": "mm", "G20": "mirror", "G21": "mirror"},
    "blended": {**PLAIN, "G7": "diameter", "G43": "length", "G53": "machine", "G64": "blend", "M6": "change"},
    "machining_centre": {**PLAIN, "G28": "reference", "G91": "relative", "G43": "length", "M6": "change"},
    "lathe_cycles": {**PLAIN, "G28": "reference", "G90": "cycle", "G94": "cycle", "G98": "per minute"},
}
SECONDS = {"plain": "P", "small": "P", "metric_words": "X", "blended": "P", "lathe_cycles": "U"}
"""The letter by which G4 counts seconds; on a machining centre P counts milliseconds."""
FINE = math.radians(0.25)
"""Between points of an arc: within 0.2 um of one of 60 mm, (1 - cos(FINE / 2)) R."""


@dataclass
class Read:
    """What the machine did: moves (x, y, z in mm, X of a lathe as a radius, feed in mm/min, rapid), and what else."""

    moves: list[tuple[float, float, float, float, bool]] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    dwell: float = 0.0
    spindle: float = 0.0
    tool: int = 0
    length: int = 0
    blend: float = 0.0
    number: int = 0
    running: bool = False


class RefusedError(Exception):
    """The control stops."""


def interpret(text: bytes, dialect: str) -> Read:
    """What a control of that kind does with a file."""
    done, meaning, place = Read(), MEANINGS[dialect], dict[str, float]()
    unit, motion, turned, feed, ended = 0.0, "", False, 0.0, False
    modes = _implied(dialect)
    line_end = b"\r\n" if dialect in ("machining_centre", "lathe_cycles") else b"\n"
    for raw in text.split(line_end):
        line = raw.decode("ascii")
        if "\r" in line or "\n" in line:
            raise RefusedError(f"line end in {line!r}")
        if line.strip() in ("", "%"):
            continue
        if line.startswith(";" if dialect == "small" else "("):
            done.comments.append(line.strip("(); "))
            continue
        if ended:
            raise RefusedError(f"{line} after the end")
        words = [(name, value) for name, value in re.findall(r"([A-Z])([-+.\d]+)", line) if name != "N"]
        if "".join(name + value for name, value in words) != re.sub(r"^N\d+|\s", "", line):
            raise RefusedError(line)
        codes = [f"{name}{float(value):g}" for name, value in words if name in "GM"]
        means = [meaning[code] if code in meaning else _refused(code) for code in codes]
        values = {name: value for name, value in words if name not in "GM"}
        done.said += means
        modes.update(means)
        if bad := {"cycle", "mirror"} & set(means):
            raise RefusedError(f"{line}: {bad.pop()}")
        if "O" in values:
            done.number = int(values.pop("O"))
        if "mm" in means or "inch" in means:
            unit = 1.0 if "mm" in means else 25.4
        turned = turned or "ZX" in means
        if "dwell" in means:
            done.dwell += _dwell(values, dialect)
            continue
        if "T" in values:
            text_of = values.pop("T")
            done.tool = int(text_of[:2] if dialect == "lathe_cycles" else text_of)
        if "S" in values:
            done.spindle = float(values.pop("S"))
        if "length" in means:
            done.length = int(values.pop("H"))
        if "blend" in means:
            done.blend = float(values.pop("P")) * unit
        if "spindle" in means or "stop" in means:
            done.running = "spindle" in means
        if "relative" in means or "machine" in means or "reference" in means:
            place.clear()  # Somewhere of the machine's own: nothing of the work is known.
            continue
        ended = "end" in means
        motion = next((each for each in means if each in _MOTIONS), motion)
        if "F" in values:
            feed = _length(values.pop("F")) * unit
        if values:
            if not unit or not motion or {"absolute", "per minute"} - modes:
                raise RefusedError(f"{line}: nothing says in which mode")
            _go(done, values, place, motion=motion, unit=unit, feed=feed, turned=turned)
    if not ended:
        raise RefusedError("cut short")
    return done


_MOTIONS = ("rapid", "straight", "clockwise", "counter-clockwise")


def _implied(dialect: str) -> set[str]:
    return {"absolute"} if dialect == "lathe_cycles" else set()


def _refused(code: str) -> str:
    raise RefusedError(f"{code} means nothing here")


def _length(text: str) -> float:
    return float(text) if "." in text else float(text) * 1e-3


def _dwell(values: dict[str, str], dialect: str) -> float:
    (letter, value), *others = values.items()
    if others or letter != SECONDS.get(dialect, "P"):
        raise RefusedError(f"dwell by {values}")
    return float(value) if dialect in SECONDS else float(int(value)) * 1e-3


def _go(done, values, place, *, motion, unit, feed, turned):
    start, axes = dict(place), "XZ" if turned else "XYZ"
    centre = {name: _length(values.pop(name)) * unit for name in "IJKR" if name in values}
    for name, value in values.items():
        if name not in axes:
            raise RefusedError(f"axis {name}")
        place[name] = _length(value) * unit
    if len(place) < len(axes):
        return
    first = [place["X"] / 2, 0.0, place["Z"]] if turned else [place[name] for name in "XYZ"]
    if motion == "rapid":
        done.moves.append((*first, 0.0, True))
        return
    if not done.running or not feed or len(start) < len(axes):
        raise RefusedError("a cut without spindle, feed or a known place")
    if motion == "straight":
        done.moves.append((*first, feed, False))
        return
    begin = [start["X"] / 2, 0.0, start["Z"]] if turned else [start[name] for name in "XYZ"]
    # In ZX clockwise is seen from +Y, where Z points right and X up: counter-clockwise goes from Z to X.
    u, v, w = (2, 0, 1) if turned else (0, 1, 2)
    names = ("K", "I") if turned else ("I", "J")
    way = 1.0 if motion == "counter-clockwise" else -1.0
    if "R" in centre:
        du, dv = first[u] - begin[u], first[v] - begin[v]
        chord = math.hypot(du, dv)
        rise = math.sqrt(max(centre["R"] ** 2 - 0.25 * chord**2, 0.0)) * way
        cu, cv = begin[u] + 0.5 * du - rise * dv / chord, begin[v] + 0.5 * dv + rise * du / chord
    else:
        cu, cv = begin[u] + centre[names[0]], begin[v] + centre[names[1]]
    angle = math.atan2(begin[v] - cv, begin[u] - cu)
    sweep = (way * (math.atan2(first[v] - cv, first[u] - cu) - angle)) % (2 * math.pi)
    radius = math.hypot(begin[u] - cu, begin[v] - cv)
    count = max(2, math.ceil(sweep / FINE))
    share = np.arange(1, count) / count
    points = np.empty((count - 1, 3))
    points[:, u], points[:, v] = (
        cu + radius * np.cos(angle + way * sweep * share),
        cv + radius * np.sin(angle + way * sweep * share),
    )
    points[:, w] = begin[w] + (first[w] - begin[w]) * share
    done.moves += [(*point, feed, False) for point in [*points.tolist(), first]]
