"""A session file drafted from what a folder holds, with what it cannot know left for the user to fill in."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from evenflare.files import InputError, is_file, is_folder, names_in, write_text
from evenflare.measurement.names import ANGLE, REPEAT, printable
from evenflare.measurement.text_response import SUFFIXES
from evenflare.schema import counted
from evenflare.text import Line, toml

NAME = "session.toml"
SOUND, TEXT, SOFA = "wav", "text", "sofa"
WORDS = {
    "vertical": re.compile(r"(?<![a-z])(v|ver|vert|vertical|tilt|el|elevation|up|down)(?![a-z])"),
    "horizontal": re.compile(r"(?<![a-z])(h|hor|horiz|horizontal|turn|az|azimuth|left|right)(?![a-z])"),
    "reference": re.compile(r"(?<![a-z])(ref|reference|sweep|stimulus|excitation)(?![a-z])"),
    "calibration": re.compile(r"(?<![a-z])(mic|microphone|cal|calibration)(?![a-z])"),
}
"""Words in names that say what a file is."""
DESIGN = "design.toml"
RIG = (
    "distance_m =             # FILL IN: from the turntable's axis to the microphone",
    "source_height_m =        # FILL IN: above the ground; with the next it tells the reflection-free time",
    "microphone_height_m =    # FILL IN",
    "wall_m =                 # to the nearest other surface beside the line between both, if there is one",
    "temperature_c =          # left out: 20",
    "humidity_percent =       # left out: 50",
    'mounting = "free_standing"   # or "baffle", "sphere", "cabinet"; left out: the design\'s',
    "rotation_centre_z_mm =   # where the turntable's axis crosses the waveguide's; left out: the mouth plane",
)
"""What no name of a file tells."""
MOST_REPEATS = 99
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_AFTER_DASH = re.compile(r"(?:(?<=-)-|\+)?\d+(?:[.,]\d+)?")
"""The same where every number stands behind a dash, as in turn-0 and turn--10."""


@dataclass(frozen=True)
class Draft:
    """A session file that was drafted.

    path    : of it.
    assumed : what the names were taken to say, and which files were not used, in words.
    """

    path: Path
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class NamedOrbit:
    """Files whose names differ by an angle alone, or by that and a repeat: degrees as in the names."""

    template: str
    degrees: tuple[float, ...]
    names: tuple[str, ...]

    @property
    def sides(self) -> int:
        """Of the axis, on which it has angles."""
        turned = [each - 360.0 if each > 180.0 else each for each in self.degrees]
        return len({each > 0.0 for each in turned if each not in (0.0, 180.0, -180.0)})

    def about(self, what: str) -> bool:
        """Whether its names have a word for that."""
        return WORDS[what].search(self.template.lower().replace("_", " ")) is not None


def write_session(folder: Path | str) -> Draft:
    """Draft session.toml in a folder from the names of its files. What must be filled in stands as comments.

    Errors: InputError if there is a session file already, the folder is none, or it holds no readings.
    """
    folder = Path(folder)
    path = folder / NAME
    if is_file(path) or is_folder(path):
        raise InputError(f"{path}: is there already, and is not overwritten. Move it, or edit it")
    if not is_folder(folder):
        what = "is a file" if is_file(folder) else "is not there"
        raise InputError(f"{folder}: {what}. Name the folder that holds the readings")
    names = [name for name in names_in(folder) if not name.startswith(".")]
    kinds = {name: _kind(name) for name in names if _kind(name)}
    # A name that is no text cannot stand in a session file, and one with braces would mean something else there.
    usable = {name: kind for name, kind in kinds.items() if printable(name) == name and not set("{}") & set(name)}
    orbits = {kind: _orbits([n for n, of in usable.items() if of == kind]) for kind in (SOUND, TEXT)}
    single = set(usable) - {name for each in orbits.values() for orbit in each for name in orbit.names}
    special = {
        what: next((n for n in sorted(single) if usable[n] == ending and _is(what, n)), None)
        for what, ending in (("reference", SOUND), ("calibration", TEXT))
    }
    kind = SOUND if orbits[SOUND] else TEXT
    sofas = [n for n, of in usable.items() if of == SOFA]
    if orbits[kind]:
        lines, used, assumed = _readings(kind, orbits[kind], special["reference"] if kind == SOUND else None)
    elif sofas:
        lines, used = [("kind", "sofa"), ("sofa", sofas[0])], {sofas[0]}
        assumed = [f"{sofas[0]} holds the readings, by its ending"]
    else:
        raise InputError(
            f"{folder}: holds no files with an angle in their names. Rename them, as in turn_-10.wav, turn_0.wav and"
            " turn_10.wav"
        )
    tables: list[Line] = [("rig", RIG), ("files", tuple(lines))]
    if special["calibration"]:
        used.add(special["calibration"])
        tables.append(("microphone", {"calibration": special["calibration"]}))
        assumed.append(f"{special['calibration']} is the microphone's calibration, by its name")
    if DESIGN in names:
        assumed.append(f"{DESIGN} is what was built, by its name")
    left = [f"not used: {printable(name)}" for name in kinds if name not in used]
    draft = toml(
        "Drafted from the names of the files in this folder: check every line, fill in what is marked FILL IN.",
        ("name", printable(Path(os.path.realpath(folder)).name)[:100] or "measurement"),
        ("design", DESIGN) if DESIGN in names else f'design = "{DESIGN}"   # what was built, if it is at hand',
        *tables,
        *(["", *left] if left else []),
    )
    write_text(path, draft)
    return Draft(path, (*assumed, *left))


def _kind(name: str) -> str:
    suffix = Path(name).suffix.lower()
    return SOUND if suffix == ".wav" else TEXT if suffix in SUFFIXES else SOFA if suffix == ".sofa" else ""


def _is(what: str, name: str) -> bool:
    """Whether a name says that the file is this."""
    return WORDS[what].search(Path(name).stem.lower().replace("_", " ")) is not None


def _orbits(names: Sequence[str]) -> list[NamedOrbit]:
    """The orbits that names make up, the largest first."""
    number = _AFTER_DASH if any(re.search(r"-[+-]\d", name) for name in names) else _NUMBER
    groups: dict[tuple[str, ...], list[str]] = {}
    for name in names:
        groups.setdefault((*number.split(Path(name).stem), Path(name).suffix), []).append(name)
    found = [orbit for texts, alike in groups.items() if (orbit := _orbit(number, texts, alike)) is not None]
    return sorted(found, key=lambda orbit: (-len(orbit.degrees), orbit.template))


def _orbit(number: re.Pattern[str], texts: tuple[str, ...], names: Sequence[str]) -> NamedOrbit | None:
    """What names of the same words differ by; None where that is not one angle, or an angle and a repeat."""
    columns = list(zip(*(number.findall(Path(name).stem) for name in names), strict=True))
    varying = [i for i, column in enumerate(columns) if len(set(column)) > 1]
    repeats = [i for i in varying if all(each.isdigit() and 1 <= int(each) <= MOST_REPEATS for each in columns[i])]
    if len(varying) == 2 and repeats:
        repeat = min(repeats, key=lambda i: (len(set(columns[i])), -i))
        angle = next(i for i in varying if i != repeat)
    elif len(varying) == 1:
        angle, repeat = varying[0], -1
    else:
        return None
    # In turn-0, turn-10, turn-20 the dash stands before every number: it is no sign.
    dashed = all(each.startswith("-") for each in columns[angle])
    template = texts[0]
    for i, column in enumerate(columns):
        slot = f"{{{ANGLE}}}" if i == angle else f"{{{REPEAT}}}" if i == repeat else column[0]
        template += ("-" if i == angle and dashed else "") + slot + texts[i + 1]
    degrees = tuple(sorted({float(each.lstrip("-" if dashed else "").replace(",", ".")) for each in columns[angle]}))
    if not all(-180.0 <= each <= 360.0 for each in degrees):
        return None
    return NamedOrbit(template + texts[-1], degrees, tuple(names))


def _readings(kind: str, orbits: Sequence[NamedOrbit], reference: str | None) -> tuple[list[Line], set[str], list[str]]:
    """[files] for sounds or texts, the files that it names, and what was assumed."""
    planes = _planes(orbits)
    name = "response" if kind == TEXT else "impulse_response" if reference is None else "sweep"
    lines, used, assumed = list[Line]([("kind", name)]), set[str](), list[str]()
    assumed.append(f'kind "{name}", by the names\' endings' + (f" and {reference}" if reference else ""))
    if reference is not None:
        lines.append(("reference", reference, "as it was played"))
        used.add(reference)
        assumed.append(f"{reference} is the sweep as it was played, by its name")
    for plane, orbit in planes.items():
        what = f"{counted(len(orbit.degrees), 'angle')} from {orbit.degrees[0]:g} to {orbit.degrees[-1]:g}"
        sure = orbit.about(plane)
        lines.append((plane, orbit.template, what if sure else f"{what}; taken for this plane: check"))
        why = "by its name" if sure else "though nothing in the names says so: check"
        assumed.append(f"{orbit.template} ({what}) is the {plane} plane, {why}")
        used.update(orbit.names)
    if len(planes) == 2 and all(orbit.sides == 2 for orbit in planes.values()):
        lines.append(("symmetry", "none", "both planes are there on both sides"))
        assumed.append('symmetry "none": both planes are there on both sides')
    else:
        lines.append(
            'symmetry =   # FILL IN "round", "two_planes", "left_right" or "none": what a missing side or plane is'
        )
    return lines, used, assumed


def _planes(orbits: Sequence[NamedOrbit]) -> Mapping[str, NamedOrbit]:
    """Which orbit is which plane, by the words in the names, else the larger one horizontal."""
    left, found = list(orbits), dict[str, NamedOrbit]()
    for plane in ("horizontal", "vertical"):
        named = [orbit for orbit in left if orbit.about(plane)]
        if named:
            found[plane] = named[0]
            left.remove(named[0])
    for plane in ("horizontal", "vertical"):
        if plane not in found and left:
            found[plane] = left.pop(0)
    return {plane: found[plane] for plane in ("horizontal", "vertical") if plane in found}
