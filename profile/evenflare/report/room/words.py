"""Designs in a room in words: the number, which is evener, reflections in time, and what a reader must know first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.room.evenness import MOVED_BY, Balance
from evenflare.room.paths import HIGHEST, LOWEST, WIDER, counted_bands
from evenflare.room.response import RoomResponse
from evenflare.room.room import Room, absorption_at, reflects, reverberation_time
from evenflare.room.windows import JUST_NOTICEABLE, JUST_NOTICEABLE_SOURCE
from evenflare.studies.seats import HALF, DesignInRoom, TwoBalances, counting, two_balances
from evenflare.units import BoolArray, FloatArray
from evenflare.words import band_name, hertz, signed

PARTING = 2.0
"""dB between this room and the standard's estimate, from which on they part."""
LONGEST = 100.0
"""s, above which a reverberation time is no more than long."""
UNHEARD = 60.0
"""dB under the direct sound, from where on nothing that comes back is told as a level."""
TOLD = 0.05
"""Share of what counts that may lie where nothing is known without a warning: the number hardly hangs on it."""
STEPPING = 3.0
"""dB of a step between the last images and the tail, from which on it is warned of."""
COMPARED_AT = (250.0, 1000.0, 4000.0)
"""Hz, at which a reverberation time is said."""


def counted_words(balance: Balance) -> str:
    """The thirds that make up the number."""
    return " to ".join(band_name(end) for end in counting(balance.thirds, balance.weight))


def seconds(time: float) -> str:
    """A reverberation time in words."""
    if time < 0.01:
        return "less than 0.01 s"
    return f"{time:.2f} s" if time < LONGEST else f"more than {LONGEST:g} s"


def room_words(room: Room) -> str:
    """The room, in words."""
    size = " by ".join(f"{side:g}" for side in room.size)
    times = (
        f"{seconds(time)} at {hertz(f)}"
        for time, f in zip(reverberation_time(room, COMPARED_AT), COMPARED_AT, strict=True)
    )
    return (
        f"{room.name}, {size} m: image sources to order {room.order}, then a diffuse tail after"
        f" {room.tail.capitalize()}; reverberation time {', '.join(times)}"
    )


def scatter_words(scatter: float) -> str:
    """A scatter, which may be far below what is printed of the number."""
    return "less than 0.01 dB" if scatter < 0.005 else f"{scatter:.2f} dB"


def evenness_words(response: RoomResponse) -> str:
    """The one number, the room's own beside it, its scatter, and where there is a filter, what it is without."""
    found, filtered = response.balance, bool(np.any(response.filter_db))
    if not np.isfinite(found.evenness):
        return (
            "Nothing comes back to the seats where the loudspeaker plays: direct sound has nothing to be held against"
        )
    return (
        f"Reflected less direct level: {found.evenness:.2f} dB rms about each seat's mean, third-octaves"
        f" {counted_words(found)}"
        + (
            f", by what the filters leave of each; {response.unfiltered.evenness:.2f} dB without them, all alike"
            if filtered
            else ""
        )
        + f"; an ideal omnidirectional source has {found.floor:.2f} dB here, and seats and source moved by"
        f" {1e2 * MOVED_BY:g} cm scatter the number by {scatter_words(found.scatter)}"
    )


def evener_words(designs: Sequence[DesignInRoom]) -> list[str]:
    """Which of two designs is evener, and whether that is more than the scatter; nothing for one."""
    if len(designs) != 2:
        return []
    found = two_balances(*(each.response.balance for each in designs))
    if found is None:
        return ["The two designs cannot be compared: there is no third in which both play and anything comes back"]
    return [told_of_two(found, [each.name for each in designs])]


def told_of_two(found: TwoBalances, names: Sequence[str]) -> str:
    """The sentence, without its full stop."""
    where = " to ".join(band_name(end) for end in found.band)
    numbers = sorted(found.numbers)
    ahead = names[0 if found.difference < 0.0 else 1]
    scatter = f"what moving seats and source by {1e2 * MOVED_BY:g} cm scatters the difference by"
    if not found.telling:
        return (
            f"Neither is evener where both play, {where}: {found.numbers[0]:.2f} and {found.numbers[1]:.2f} dB, no more"
            f" apart than {scatter} ({scatter_words(found.scatter)})"
        )
    return (
        f"Evener where both play, {where}: {ahead}, by {abs(found.difference):.2f} dB ({numbers[0]:.2f} against"
        f" {numbers[1]:.2f}), more than {scatter} ({scatter_words(found.scatter)})"
    )


def clarity_words(designs: Sequence[DesignInRoom]) -> list[str]:
    """The early-to-late ratio of each seat, or how two designs differ in it, beside what is just noticeable."""
    each = [one.response.windows.clarity_by_seat for one in designs]
    if not all(np.all(np.isfinite(one)) for one in each):
        return []
    noticeable = f"just noticeable is about {JUST_NOTICEABLE:g} dB of speech ({JUST_NOTICEABLE_SOURCE})"
    what = "Early-to-late ratio C50, mean of the octaves 500 Hz to 4 kHz"
    if len(each) == 1:
        ends = signed(each[0].min()), signed(each[0].max())
        return [f"{what}: {ends[0]} to {ends[1]} dB over the seats; {noticeable}"]
    apart = each[0] - each[1]
    heard = int(np.count_nonzero(np.abs(apart) >= JUST_NOTICEABLE))
    return [
        f"{what}: {designs[0].name} less {designs[1].name} {signed(apart.min())} to {signed(apart.max())} dB over the"
        f" seats, noticeable at {heard} of {apart.size}; {noticeable}"
    ]


def ratio_words(response: RoomResponse) -> str:
    """Direct-to-reverberant ratio and spread of the seats."""
    mean = response.mean(response.thirds.direct_to_reverberant)
    spread = np.sqrt(response.mean(response.spread**2))
    over = f"{signed(mean.min())} to {signed(mean.max())} dB"
    if mean.min() > UNHEARD:
        over = f"more than {UNHEARD:g} dB"
    elif mean.max() > UNHEARD:
        over = f"{signed(mean.min())} dB to more than {UNHEARD:g} dB"
    return (
        f"Direct-to-reverberant ratio {over} over the seats; their steady states differ by {spread:.2f} dB rms, each"
        " less its mean"
    )


def parting_words(response: RoomResponse) -> str:
    """Where this room and the standard's estimate part."""
    thirds, apart = response.thirds.frequency, response.departure
    weight = response.balance.weight
    far = (np.abs(apart) >= PARTING) & (weight >= HALF * weight.max())
    runs = [run for run in np.split(np.arange(far.size), np.flatnonzero(np.diff(far)) + 1) if far[run[0]]]
    if not runs:
        return f"The standard's estimated in-room response is within {PARTING:g} dB wherever it plays"
    places = []
    for run in runs:
        ends, worst = [band_name(thirds[place]) for place in run[[0, -1]]], run[np.abs(apart[run]).argmax()]
        level = signed(apart[worst])
        if run.size == 1:
            places.append(f"{ends[0]} ({level} dB)")
        else:
            places.append(f"{ends[0]} to {ends[1]} ({level} dB at {band_name(thirds[worst])})")
    return f"Parts from the standard's estimate by {PARTING:g} dB or more at {', '.join(places)}"


def join_words(response: RoomResponse) -> str:
    """How image sources and tail meet."""
    if response.room.order == 0:
        return "No image sources: all reflected sound is the tail"
    if response.join_db is None:
        return "The last order of images brings next to nothing"
    return (
        f"The last order of images brings {signed(response.join_db)} dB against what the tail's formula gives for it:"
        " 0 is a join without a step"
    )


def room_warnings(room: Room) -> list[str]:
    """What of a room makes its numbers mean little, without full stops."""
    thirds, found = counted_bands(), []
    back = reflects(room, thirds)
    if not back.any():
        found.append(
            f"{room.name}: its surfaces absorb everything, so nothing comes back, and there is no balance of direct and"
            " reflected sound. Lower an absorption of 1"
        )
    elif not back.all():
        found.append(
            f"{room.name}: its surfaces absorb everything at {_spans(thirds, ~back)}, where nothing comes back: these"
            " thirds are left out. Lower an absorption of 1"
        )
    rigid = np.all(absorption_at(room, thirds) == 0.0, axis=0)
    if rigid.any():
        longest = seconds(float(reverberation_time(room, thirds[rigid]).max()))
        found.append(
            f"{room.name}: its surfaces absorb nothing at {_spans(thirds, rigid)}, where the air alone takes sound"
            f" (reverberation time {longest}): no room is like that. Write what its surfaces absorb"
        )
    if room.order == 0:
        found.append(
            f"{room.name}: [reflections] order = 0 follows no reflection: all reflected sound is the diffuse tail, the"
            " same at every seat, so the number compares direct sound with sound power alone. Write order = 12"
        )
    return found


def _spans(thirds: FloatArray, chosen: BoolArray) -> str:
    """Thirds in words: their first and last, where they are one run, else all of them."""
    found = np.flatnonzero(chosen)
    if found.size > 2 and found[-1] - found[0] == found.size - 1:
        return f"{band_name(thirds[found[0]])} to {band_name(thirds[found[-1]])}"
    return ", ".join(band_name(each) for each in thirds[found])


def unknown_warnings(
    path: str, balance: Balance, *, unknown: tuple[tuple[float, ...], float], kept_out: Sequence[float]
) -> list[str]:
    """What of a design is not in its number though it plays there, whatever band was asked for."""
    found, (lacking, share) = [], unknown
    if share > TOLD:
        found.append(
            f"{path}: its valid band leaves {counted_words(balance)} to count instead of {hertz(LOWEST)} to"
            f" {hertz(HIGHEST)}: nothing is known of {_run(lacking)}, {100.0 * share:.0f} % of what it plays. {WIDER}"
        )
    if kept_out:
        found.append(
            f"{path}: its filters let {_run(kept_out)} through, so it plays there, though --from-hz and --to-hz leave"
            " that out of the number. Leave them out, or correct the filters"
        )
    return found


def _run(thirds: Sequence[float]) -> str:
    return _spans(np.array(thirds), np.ones(len(thirds), dtype=np.bool_))


def warnings(designs: Sequence[DesignInRoom]) -> list[str]:
    """What a reader of the numbers must know, without full stops."""
    found = room_warnings(designs[0].response.room)
    for each in designs:
        found += unknown_warnings(each.path, each.response.balance, unknown=each.unknown, kept_out=each.kept_out)
        if each.response.join_db is not None and abs(each.response.join_db) > STEPPING:
            found.append(
                f"{each.name}: {join_words(each.response)}. The room's field is far from diffuse: absorption lies on"
                " few surfaces. Raise [reflections] order, so that less is left to the tail"
            )
    return found


def lines(each: DesignInRoom) -> list[str]:
    """What was found of a design, a sentence each without its full stop."""
    response = each.response
    return [evenness_words(response), ratio_words(response), parting_words(response)]
