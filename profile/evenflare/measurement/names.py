"""Names of files that hold the angle of a reading: turn_{off_axis_deg}.wav, tilt_{off_axis_deg}_{repeat}.wav."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from evenflare.files import InputError, is_folder, names_in, short
from evenflare.text import visible

ANGLE, REPEAT = "off_axis_deg", "repeat"
SLOTS = {ANGLE: r"([+-]?\d+(?:[.,]\d+)?)", REPEAT: r"(\d+)"}
"""What may stand in braces, and what of a name it stands for."""
FEW = 5
"""Names that a message lists."""


@dataclass(frozen=True)
class Named:
    """A file and what its name says: degrees as written, and which reading of that direction, from 1."""

    file: Path
    degrees: float
    repeat: int


def found(folder: Path, template: str, *, where: str) -> list[Named]:
    """The files that a template names, sought from `folder`; by angle, then repeat.

    where : how a message begins: file, table and key.
    Errors: InputError if the template has no angle, unknown braces, or names no file, or two files of one angle.
    """
    start, place = f'{where} = "{short(template)}"', (folder / template).parent
    named = so_far(folder, template, where=where)
    if not is_folder(place):
        raise InputError(f"{start}: {short(str(place))} is no folder. Name one that is there")
    if not named:
        raise InputError(f"{start}: names no file in {place}. {_instead(template, names_in(place))}")
    return named


def so_far(folder: Path, template: str, *, where: str) -> list[Named]:
    """The same where none need be there yet. Errors: InputError as `found`, but for files that are missing."""
    start, place = f'{where} = "{short(template)}"', (folder / template).parent
    expression, slots = _expression(template, start)
    if "{" in str(Path(template).parent):
        raise InputError(f"{start}: braces must stand in the file's name, not in a folder's. Move the files together")
    there = names_in(place) if is_folder(place) else []
    named = []
    for name in there:
        match = expression.fullmatch(name)
        if match:
            read = dict(zip(slots, match.groups(), strict=True))
            named.append(Named(place / name, float(read[ANGLE].replace(",", ".")), int(read.get(REPEAT, 1))))
    _check_once(named, start, repeats=REPEAT in slots)
    return sorted(named, key=lambda each: (each.degrees, each.repeat))


def _expression(template: str, start: str) -> tuple[re.Pattern[str], list[str]]:
    """What a file's name must match, and what stands in its groups."""
    pieces = re.split(r"\{(.*?)\}", Path(template).name)
    texts, slots = pieces[::2], pieces[1::2]
    for slot in slots:
        if slot not in SLOTS:
            near = difflib.get_close_matches(slot, SLOTS, n=1)
            hint = f"Did you mean {{{near[0]}}}?" if near else "Write one of them"
            raise InputError(f"{start}: {{{slot}}} must be {{{ANGLE}}} or {{{REPEAT}}}. {hint}")
    if slots.count(ANGLE) != 1 or slots.count(REPEAT) > 1:
        raise InputError(
            f"{start}: must hold {{{ANGLE}}} once, and {{{REPEAT}}} at most once. Write for example"
            f" turn_{{{ANGLE}}}{Path(template).suffix or '.wav'}"
        )
    if len(slots) == 2 and not texts[1]:
        raise InputError(
            f"{start}: nothing stands between the angle and the repeat: must be told apart. Rename, as in"
            f" turn_10_1{Path(template).suffix}"
        )
    expression = re.escape(texts[0])
    for slot, text in zip(slots, texts[1:], strict=True):
        expression += SLOTS[slot] + re.escape(text)
    return re.compile(expression), slots


def named_as(template: str, degrees: float, *, repeat: int) -> str:
    """The name that a template gives a reading."""
    return template.replace(f"{{{ANGLE}}}", f"{round(degrees, 3) + 0.0:g}").replace(f"{{{REPEAT}}}", str(repeat))


def played_beside(reference: Path) -> Path:
    """Where the sweep lies that was sent out, if the reference is what came back of it."""
    return reference.with_name(f"{reference.stem}_played{reference.suffix}")


def printable(name: str) -> str:
    """A file's name as it can be written and printed, on one line, whatever bytes it is made of."""
    return visible(name.encode("utf-8", "replace").decode(), lines=False)


def _instead(template: str, names: list[str]) -> str:
    """What there is in place of a file that matches."""
    if not names:
        return "It is empty: copy the files there"
    names = [printable(name) for name in names]
    near = difflib.get_close_matches(Path(template).name, names, n=FEW, cutoff=0.3) or names[:FEW]
    more = f" and {len(names) - len(near)} more" if len(names) > len(near) else ""
    return f"There are {short(', '.join(near))}{more}: correct the name"


def _check_once(named: Iterable[Named], start: str, *, repeats: bool) -> None:
    by_reading: dict[tuple[float, int], Path] = {}
    for each in named:
        other = by_reading.setdefault((each.degrees, each.repeat), each.file)
        if other != each.file:
            hint = "Remove one" if repeats else f"Remove one, or number them with {{{REPEAT}}}"
            raise InputError(f"{start}: {other.name} and {each.file.name} are both of {each.degrees:g} degrees. {hint}")


def signed(degrees: float, *, where: str) -> float:
    """An angle from -180 to 360 degrees as -180 to 180: 350 is -10. InputError outside."""
    if not -180.0 <= degrees <= 360.0:
        raise InputError(f"{where}: the angle {degrees:g} must be -180 to 360 degrees. Rename the file")
    return degrees - 360.0 if degrees > 180.0 else degrees
