"""What is said of a reading while it can still be repeated, and who of several that differ is believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from evenflare.measurement.names import printable
from evenflare.measurement.neighbours import LEAST_LATE, LEAST_LEVEL, Difference, Fault
from evenflare.units import MILLISECOND

DRIFTED_DB = 0.3
"""Between repeats, from which a change of level is told; common practice, no source."""


def stem(file: Path) -> str:
    """What a reading is called: its file's name without the ending."""
    return printable(file.stem)


def outvoted(said: Mapping[Path, Mapping[Path, str]]) -> dict[Path, str]:
    """Readings that most of those they were held against contradict, and the words of one of these.

    said : by reading, in the order in which they came, what each of the others says against it, or "". The most
           contradicted is taken out before the others are asked again; of two that differ it is the later one.
    """
    left, found = list(said), dict[Path, str]()
    while True:
        worst: tuple[int, int, str] = (0, 0, "")
        for order, file in enumerate(left):
            heard = [said[file][other] for other in left if other in said[file]]
            against = [words for words in heard if words]
            if 2 * len(against) > len(heard):
                worst = max(worst, (len(against), order, against[-1]))
        if worst[0] == 0:
            return found
        found[left.pop(worst[1])] = worst[2]


def fault_words(fault: Fault, names: Sequence[str]) -> str:
    """What its neighbours say against a reading, the verdict first."""
    beside = " and ".join(names[i] for i in fault.neighbours)
    if fault.what == "inverted":
        return f"inverted, repeat it: of the opposite polarity to {beside}. Check the leads"
    if fault.what == "late":
        return f"{_late(fault.amount)}, repeat it: beside {beside}. Check the recorder's start and the distance"
    return f"{louder(fault.amount)}, repeat it: than {beside} tell. Check that no gain was turned, and the angle"


def repeat_words(pair: Difference | None, other: Path) -> str:
    """What another reading of its direction says against one; nothing if they agree."""
    if pair is None:
        return ""
    if pair.inverted:
        return f"inverted, repeat it: of the opposite polarity to {stem(other)}, the same direction"
    if pair.late is not None and abs(pair.late) > LEAST_LATE:
        return f"{_late(pair.late)}, repeat it: beside {stem(other)}, the same direction"
    if abs(pair.louder) > LEAST_LEVEL:
        return f"{louder(pair.louder)}, repeat it: than {stem(other)}, the same direction"
    return ""


def louder(decibels: float) -> str:
    """By how much."""
    return f"{abs(decibels):.1f} dB {'louder' if decibels > 0.0 else 'weaker'}"


def _late(seconds: float) -> str:
    return f"{abs(seconds) / MILLISECOND:.3f} ms {'late' if seconds > 0.0 else 'early'}"
