"""How loud a loudspeaker can play, and how it is from end to end, in words and pictures."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.dsp.headroom import GivingOut
from evenflare.dsp.joining import Joined
from evenflare.report.kit import canvas, style
from evenflare.results.crossover import columns, names
from evenflare.units import FloatArray, amplitude_db
from evenflare.words import hertz, signed, spoken

CAUSES = {"level": "its level limit", "power": "power", "excursion": "excursion"}
MEANT = (
    "Of steady tones, one frequency at a time, on axis at 1 m: music has peaks above its mean, and heat and a port's"
    " noise set limits of their own. Two drivers of a way are each at their own limit"
)


def headroom_words(joined: Joined) -> list[str]:
    """Which way gives out first, and where the others would, without full stops; none where no way has a limit."""
    found = joined.headroom
    if found is None:
        return []
    label = [spoken(name) for name in names(joined)]

    def where(each: GivingOut) -> str:
        return f"at {hertz(each.frequency)} ({CAUSES[each.cause]})"

    first, *others = found.order
    words = [f"At {first.level:.1f} dB at 1 m the {label[first.way]} gives out first, {where(first)}"]
    words += [f"The {label[each.way]} gives out at {each.level:.1f} dB, {where(each)}" for each in others]
    free = [name for name, each in zip(label, joined.speaker.levels.limits, strict=True) if not each]
    *most, last = free or [""]
    named = f"{', the '.join(most)} and the {last}" if most else last
    return [*words, *([f"No limit is given of the {named}"] if free else [])]


def trim_words(joined: Joined) -> str:
    """How far the ways are turned down against each other; empty unless all sensitivities are given."""
    trims = joined.speaker.levels.trims
    if trims is None:
        return ""
    each = ", ".join(f"{spoken(name)} {signed(trim)} dB" for name, trim in zip(names(joined), trims, strict=True))
    return f"Behind amplifiers of equal gain the sensitivities ask for these gains besides: {each}"


def whole_words(joined: Joined) -> list[str]:
    """How near the sum comes to what is wanted from end to end, without full stops; none where nothing is."""
    even, wanted = joined.evened, joined.speaker.whole_range
    if even is None or wanted is None:
        return []
    low, high = even.band
    count = len(even.sections.sections[joined.speaker.sample_rates[-1]])
    said = [
        f"{hertz(low)} to {hertz(high)}: listening window within {even.rms:.2f} dB rms of the target, by"
        f" {count} section{'s' if count != 1 else ''} in all ways alike"
    ]
    lowest, rate = len(names(joined)) - 1, joined.speaker.sample_rates[-1]
    if joined.speaker.aligned(lowest, rate):
        at = np.geomspace(5.0, 500.0, 400)
        moved = joined.speaker.aligned_responses(at, rate)[lowest]
        peak = float(amplitude_db(np.abs(moved)).max())
        corner = wanted.alignment.pairs[0].frequency
        raises = f", raising it by up to {peak:.1f} dB" if peak > 0.05 else ""
        said.append(
            f"The {spoken(names(joined)[lowest])}'s sections make an alignment of order"
            f" {2 * len(wanted.alignment.pairs)} at {hertz(corner)} of its own{raises}"
        )
    if even.limited > 0.0:
        said.append(
            f"The target asks for {even.limited:.1f} dB more boost than [whole_range] boost_db allows: narrow"
            " from_hz and to_hz, or let it slope"
        )
    return said


def headroom_picture(joined: Joined) -> Any:
    """How loud it can play over frequency, and where each way gives out."""
    found, frequency = joined.headroom, joined.speaker.sounds.frequency
    assert found is not None  # some way has a limit
    drawn, panel = canvas.stacked(4.0, ratios=[1.0])
    (axes,) = np.atleast_1d(panel)
    style.dressed(axes, "How loud it can play", x="frequency, Hz", y="dB SPL on axis at 1 m")
    greatest = found.greatest.min(axis=0)
    axes.plot(frequency, greatest, color=style.SKY, linewidth=5.0, alpha=0.6, label="loudspeaker", zorder=1.5)
    for name, line, level in zip(names(joined), style.LINES, found.greatest, strict=False):
        if np.isfinite(level).any():
            axes.plot(frequency, level, color=line[0], linestyle=line[1], linewidth=1.6, label=spoken(name))
    played = f"played at {found.first.level:.1f} dB"
    axes.plot(frequency, found.played, color=style.INK, linewidth=1.1, label=played)
    met = frequency == found.first.frequency
    axes.plot(frequency[met], greatest[met], "o", color=style.PLUM, markersize=7, clip_on=False)
    low = 10.0 * np.floor(np.min(greatest[np.isfinite(greatest)]) / 10.0)
    # A way that is hardly heard could play as loud as can be.
    axes.set_ylim(low, max(low + 30.0, 10.0 * np.ceil(np.max(found.played) / 10.0 + 2.0)))
    style.over_frequency(axes, frequency, joined.total.valid)
    style.legend(axes)
    return drawn


def whole_picture(joined: Joined) -> Any:
    """The listening window against what is wanted, and the sections that bring it there."""
    table, frequency = columns(joined), joined.speaker.sounds.frequency
    drawn, (above, below) = canvas.stacked(5.4, ratios=(3, 2))
    style.dressed(above, "From end to end", x="", y="level, dB")
    above.plot(frequency, table["target_db"], color=style.SKY, linewidth=5.0, alpha=0.6, label="target")
    for column, label, line in (
        ("listening_window_db", "listening window", style.LINES[0]),
        ("on_axis_db", "on axis", style.LINES[1]),
    ):
        above.plot(frequency, table[column], color=line[0], linestyle=line[1], linewidth=1.6, label=label)
    shown: FloatArray = table["listening_window_db"]
    above.set_ylim(3.0 * np.floor(max(shown.min(), shown.max() - 36.0) / 3.0), 3.0 * np.ceil(shown.max() / 3.0 + 0.5))
    style.dressed(below, "", x="frequency, Hz", y="filters, dB")
    below.plot(frequency, table["evened_db"], color=style.PLUM, linewidth=1.6, label="all ways")
    rate, lowest = joined.speaker.sample_rates[-1], names(joined)[-1]
    if joined.speaker.aligned(len(names(joined)) - 1, rate):
        moved = amplitude_db(joined.speaker.aligned_responses(frequency, rate)[-1])
        line = style.LINES[2]
        below.plot(frequency, moved, color=line[0], linestyle=line[1], label=f"{spoken(lowest)}'s alignment")
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, frequency, joined.total.valid, veil=veil)
        style.legend(axes)
    return drawn
