"""What `measure --watch` does: looks at the folder of a session again and again, and says what each new file is."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from threadpoolctl import threadpool_limits

from evenflare.files import InputError, is_folder, names_in, opened
from evenflare.measurement.names import played_beside, printable
from evenflare.measurement.orbits import plane_name
from evenflare.measurement.planned import PlannedSession, ReadingPlace, key_of, read_planned
from evenflare.measurement.session import places_so_far
from evenflare.measurement.spoken import stem
from evenflare.measurement.watching import Bench, Verdict
from evenflare.schema import counted
from evenflare.units import DEGREE

POLL = 0.2
"""s from look to look; a file that has not changed between two, and says itself that it is whole, is read."""
SETTLED, UNSURE = 0.5, 2.0
"""s without a change, after which a file is read that does not say how long it is, and one that says otherwise."""
STUCK = 5.0
"""s without a change, after which a file that lacks its end is told."""
FEW = 4
"""Angles of a plane that a line lists."""
SESSION = "session.toml"


class Said(NamedTuple):
    """A line for the user, and whether it is of a reading that is to be repeated."""

    words: str
    bad: bool


@dataclass
class _Seen:
    """A file as it was seen: size and time of its last change, since when it is so, whether it was read or told."""

    state: tuple[int, int]
    since: float
    done: bool = False


class Watch:
    """A session that is being recorded."""

    def __init__(self, path: Path) -> None:
        """`path`: the session file, or the folder that holds session.toml. Errors: InputError as `read_planned`."""
        self.planned: PlannedSession = read_planned(path / SESSION if is_folder(path) else path)
        for folder in self.planned.folders:
            if not is_folder(folder):
                raise InputError(f"{self.planned.session.path} [files]: {folder} is no folder. Make it, or correct it")
        self.bench = Bench(self.planned)
        self._seen: dict[Path, _Seen] = {}
        self._verdicts: dict[Path, Verdict] = {}
        self._places: dict[Path, ReadingPlace] = {}
        self._told: set[str] = set()
        self._begun = False

    def look(self, now: float) -> list[Said]:
        """What there is to say since the last look; `now`: s, of a clock that only goes forward."""
        try:
            self._places = places_so_far(self.planned.session.path, self.planned.table)
        except InputError as error:
            return self._once(str(error), bad=True)
        said = self._strangers()
        ready = []
        for file in sorted(self._places, key=lambda file: (_changed(file), file.name)):
            settled, words = self._settled(file, now)
            if settled:
                ready.append(file)
            said += self._once(words, bad=True) if words else []
        gone = [file for file in self.bench.places if file not in self._places]
        for file in gone:
            self.bench.drop(file)
            self._seen.pop(file, None)
        if ready or gone or not self._begun:
            before = self._verdicts
            with threadpool_limits(1):  # small matrices: threads would wait for each other, longest on a busy machine
                for file in ready:
                    self.bench.put(file, self._places[file])
                self._verdicts = self.bench.verdicts()
            said += [Said(f"{stem(file)}: gone", False) for file in gone]
            said += self._news(ready, before)
            said.append(Said(self.to_go(), False))
        self._begun = True
        return said

    @property
    def complete(self) -> bool:
        """Whether every reading of the plan is there and good."""
        return bool(self.planned.wanted) and not self._missing() and not self._bad()

    def to_go(self) -> str:
        """What is still missing of the plan, and what is to be repeated, in a line."""
        bad = [stem(file) for file in self._bad()]
        again = f"to repeat: {', '.join(bad)}" if bad else ""
        if not self.planned.wanted:
            return "; ".join([f"{counted(len(self._verdicts), 'reading')} there", *([again] if again else [])])
        missing = self._missing()
        total = len(self.planned.wanted)
        if not missing:
            return f"all {total} are there; {again}" if again else f"all {total} are there and good"
        return "; ".join([f"{len(missing)} of {total} to go: {listed(missing)}", *([again] if again else [])])

    def summary(self) -> list[str]:
        """What is good, what to repeat and what is missing."""
        bad = self._bad()
        lines = [f"{len(self._verdicts) - len(bad)} good"]
        lines += [f"{stem(file)}: {self._verdicts[file].words}" for file in bad]
        missing = self._missing()
        if missing:
            lines.append(f"missing: {listed(missing, most=len(missing))}")
        return lines

    def _news(self, ready: list[Path], before: dict[Path, Verdict]) -> list[Said]:
        """A line for each reading that is new or judged otherwise than before; of those there first, the bad ones."""
        wanted = {key_of(place) for place in self.planned.wanted}
        said = []
        for file, verdict in self._verdicts.items():
            new, old = file in ready, before.get(file)
            if new and not self._begun and verdict.good:
                continue
            if new or (old is not None and old.good != verdict.good):
                stray = new and wanted and key_of(self._places[file]) not in wanted
                more = "; not in the plan" if stray else ""
                late = "" if new else "now that its neighbours are there: " if not verdict.good else "after all "
                said.append(Said(f"{stem(file)}: {late}{verdict.words}{more}", not verdict.good))
        good = sum(self._verdicts[file].good for file in ready)
        if not self._begun and good:
            said.insert(0, Said(f"{counted(len(ready), 'reading')} there already, {good} good", False))
        return said

    def _settled(self, file: Path, now: float) -> tuple[bool, str]:
        """Whether a file is to be read now, and what is to be told instead; one that is being written is waited for."""
        state = _state(file)
        if state is None:
            return False, ""
        seen = self._seen.get(file)
        if seen is None or seen.state != state:
            old = not self._begun and time.time() - 1e-9 * state[1] > STUCK
            seen = self._seen[file] = _Seen(state, now - STUCK if old else now)
            if not old:
                return False, ""
        if seen.done:
            return False, ""
        still, stated = now - seen.since, _stated(file)
        if stated is not None and stated > state[0] + 1:
            if still < STUCK:
                return False, ""
            words = f"has {state[0]} of {stated} bytes and grows no more. Copy it again, or repeat it"
            return False, f"{stem(file)}: {words}"
        needed = SETTLED if stated is None else 0.0 if abs(stated - state[0]) <= 1 else UNSURE
        if still < needed:
            return False, ""
        seen.done = True
        return True, ""

    def _strangers(self) -> list[Said]:
        """WAV files beside the readings that no name of the session stands for."""
        table = self.planned.table
        folder = self.planned.session.path.parent
        names = " or ".join(each for each in (table.horizontal, table.vertical) if each is not None)
        references = [folder / each for each in (table.reference,) if each is not None]
        own = {self.planned.near, *references, *(played_beside(each) for each in references)}
        said = []
        for place in self.planned.folders:
            for name in names_in(place):
                if name.lower().endswith(".wav") and place / name not in self._places and place / name not in own:
                    said += self._once(f"{printable(name)}: not read, its name is not as {names}. Rename it", bad=False)
        return said

    def _once(self, words: str, *, bad: bool) -> list[Said]:
        if words in self._told:
            return []
        self._told.add(words)
        return [Said(words, bad)]

    def _bad(self) -> list[Path]:
        return sorted(
            (file for file, verdict in self._verdicts.items() if not verdict.good), key=lambda file: self._places[file]
        )

    def _missing(self) -> list[ReadingPlace]:
        there = {key_of(place) for place in self.bench.places.values()}
        return [place for place in self.planned.wanted if key_of(place) not in there]


def listed(places: Iterable[ReadingPlace], *, most: int = FEW) -> str:
    """Angles by plane: horizontal +40, +50, +60, +70 and 8 more; repeats in brackets from the second on."""
    planes: dict[float, list[str]] = {}
    for azimuth, off_axis, repeat in places:
        angle = f"{round(off_axis / DEGREE, 3) + 0.0:+g}".replace("+0", "0") if abs(off_axis) < 1e-9 else ""
        angle = angle or f"{round(off_axis / DEGREE, 3):+g}"
        planes.setdefault(azimuth, []).append(angle + (f" (repeat {repeat})" if repeat > 1 else ""))
    parts = []
    for azimuth, angles in planes.items():
        more = f" and {len(angles) - most} more" if len(angles) > most else ""
        parts.append(f"{plane_name(azimuth)} {', '.join(angles[:most])}{more}")
    return "; ".join(parts)


def _state(file: Path) -> tuple[int, int] | None:
    """Size and time of the last change; None if it has gone."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _changed(file: Path) -> int:
    state = _state(file)
    return 0 if state is None else state[1]


def _stated(file: Path) -> int | None:
    """Bytes that a WAV file says it has; None where it does not say, or is none."""
    try:
        with opened(file) as read:
            start = read.read(12)
    except InputError:
        return None
    if start[:4] != b"RIFF" or len(start) < 12:
        return None
    size = int.from_bytes(start[4:8], "little")
    # Of recorders that cannot go back.
    return None if size in (0, 2**32 - 1) else size + 8
