"""A crossover in words, and its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.dsp.filters_file import SIGNS
from evenflare.dsp.handover import Handover
from evenflare.dsp.joining import Joined
from evenflare.report.filters.loudness import MEANT, headroom_words, trim_words, whole_words
from evenflare.report.kit import sheet
from evenflare.results.crossover import names
from evenflare.results.headroom import DANGER
from evenflare.schema import counted
from evenflare.units import DEGREE, MILLIMETRE, MILLISECOND
from evenflare.words import hertz, signed, spoken

KINDS = {"linkwitz_riley": "Linkwitz-Riley", "butterworth": "Butterworth", "linear_phase": "linear phase"}
STEP_LIMITS = (
    "Not in it: the edges of a box, which add ripples of some 2 dB; a driver off the middle; directions off axis; walls"
    " and floor, which take part of the step back"
)


def said_names(joined: Joined) -> list[str]:
    """The ways from the top, as words."""
    return [spoken(name) for name in names(joined)]


def slope_words(joined: Joined, place: int) -> str:
    """The slope of a crossing."""
    slope = joined.crossover.crossings[place].slope
    kind = KINDS[slope.kind]
    return f"{kind}, order {slope.order}"


def crossing_words(joined: Joined, place: int) -> str:
    """Where two ways part, a sentence without its full stop."""
    each, label = joined.handovers[place], said_names(joined)
    index = ", ".join(
        f"{name} {value:.1f}"
        for name, value in zip((label[each.upper], label[each.lower], "sum"), each.index, strict=True)
    )
    return (
        f"{label[each.lower].capitalize()} to {label[each.upper]} at {each.frequency:.0f} Hz,"
        f" {slope_words(joined, place)}: index there {index} dB"
    )


def meeting_words(each: Handover) -> str:
    """Where the directivities meet."""
    indices = f"Indices meet at {_list(each.meets)}" if each.meets else "Indices meet nowhere in the band"
    beams = f"horizontal beamwidths at {_list(each.meets_beam)}" if each.meets_beam else "horizontal beamwidths nowhere"
    return f"{indices}; {beams}"


def lobe_words(each: Handover) -> str:
    """The vertical lobe and the nulls beside it."""
    low, high = (f"{end / DEGREE:+.0f}".replace("-", "−") for end in each.lobe)
    nulls = ", ".join(f"{angle / DEGREE:+.0f}° ({level:.0f} dB)".replace("-", "−") for angle, level in each.nulls)
    return (
        f"At {hertz(each.lobe_at)} vertically within 6 dB of the axis from {low}° to {high}°; nulls in front:"
        f" {nulls or 'none'}"
    )


def dip_words(each: Handover) -> str:
    """The dip of the power."""
    if each.dip > -0.05:
        return "No dip of the power"
    return f"Power dips by {-each.dip:.1f} dB through interference, most at {hertz(each.dip_at)}"


def fault_words(joined: Joined) -> list[str]:
    """Nulls where people may be, without full stops."""
    found = []
    for each in joined.cancelled:
        place = "on the axis"
        if each.place is not None:
            height = each.place[1] / MILLIMETRE
            place = f"{each.place[2]:.1f} m away, {abs(height):.0f} mm {'below' if height < 0 else 'above'} the axis"
        found.append(
            f"fault: a null at {hertz(each.frequency)}, {-each.depth:.0f} dB below the ways in phase, {place}. Turn the"
            " polarity of a way, search its delay, or bring the ways nearer together"
        )
    return found


def way_words(joined: Joined, place: int) -> str:
    """What a way is set to."""
    setting = joined.crossover.settings[place]
    polarity = "inverted" if setting.inverted else "normal"
    own = joined.speaker.own_filters[place]
    said = ""
    if (equaliser := own.fitted) is not None:
        low, high = equaliser.band
        count = len(equaliser.fitted.sections[joined.speaker.sample_rates[-1]])
        said += (
            f"; equaliser of {counted(count, 'section')} from {hertz(low)} to {hertz(high)}, which leaves"
            f" {equaliser.fitted.rms:.2f} dB rms"
        )
    elif own.equaliser is not None:
        said += "; the equaliser of its file in its sections"
    if own.high_pass is not None:
        said += f"; high-pass at {hertz(own.high_pass.frequency)}, {6 * own.high_pass.slope.order} dB per octave"
    return (
        f"{said_names(joined)[place].capitalize()}: delay {setting.delay / MILLISECOND:.3f} ms, gain"
        f" {signed(setting.gain)} dB, polarity {polarity}{said}"
    )


def even_words(joined: Joined) -> str:
    """How even it is."""
    found, (low, high) = joined.found, joined.speaker.band
    tried = f"; {found.start.score:.2f} dB before the search, {found.tried} tried" if found.tried else ""
    return (
        f"{hertz(low)} to {hertz(high)}: listening window even within"
        f" {found.evenness.window:.2f} dB rms, where people may be within {found.evenness.places:.2f} dB, sound power"
        f" within {found.evenness.power:.2f} dB rms of a straight line; above and below the axis apart by"
        f" {found.evenness.tilt:.2f} dB; all together {found.evenness.score:.2f} dB{tried}"
    )


def end_words(joined: Joined) -> list[str]:
    """Open values that ended where their range does."""
    label, found = names(joined), []
    for each in joined.found.at_end:
        part, _, place = each.partition(" ")
        whose = (
            f"[{label[int(place) + 1]}.crossover] frequency_hz"
            if part == "frequency"
            else f"[{label[int(place)]}] {part}"
        )
        found.append(f"{whose}: the best value lies at the end of its range. A wider range may do better")
    return found


def step_words(joined: Joined) -> str:
    """The baffle step of a sphere; empty where no front is given."""
    step = joined.speaker.step
    if step is None or step.radius is None:
        return ""
    return (
        f"Baffle step of a sphere of the same front ({step.radius / MILLIMETRE:.0f} mm radius), a quick estimate: 3 dB"
        f" down at {hertz(step.half_way)}, 6 dB far below; the last section of every way takes it back, a low shelf of"
        f" {step.gain:.1f} dB at {hertz(step.frequency)} that leaves {step.left:.2f} dB rms"
    )


def solved_step_words(joined: Joined) -> list[str]:
    """The step of every way in the front of a cabinet that was solved."""
    found = []
    for way in joined.speaker.sounds.ways:
        step = joined.speaker.solved_steps.get(way.name)
        if step is None:
            continue
        taken = "in what its own equaliser takes out" if way.level != "nothing" else "nothing takes it back"
        found.append(
            f"{spoken(way.name).capitalize()}: the cabinet takes 3 dB from its level on axis at {hertz(step.half_way)},"
            f" and up to 6 dB below ({taken}); as a low shelf, {step.gain:.1f} dB at {hertz(step.frequency)}, Q"
            f" {step.quality:.2f}, that would leave {step.left:.2f} dB rms, its edges' ripples"
        )
    return found


def lines(joined: Joined) -> list[str]:
    """All of it in short."""
    found = [*fault_words(joined), even_words(joined)]
    for place, each in enumerate(joined.handovers):
        found += [
            f"{crossing_words(joined, place)}",
            *(f"  {say(each)}" for say in (meeting_words, lobe_words, dip_words)),
        ]
    found += [way_words(joined, place) for place in range(len(names(joined)))]
    step, trim = step_words(joined), trim_words(joined)
    found += [*whole_words(joined), *headroom_words(joined), *([trim] if trim else [])]
    return [*found, *([step] if step else []), *solved_step_words(joined)]


def _list(frequencies: Sequence[float]) -> str:
    return ", ".join(hertz(each) for each in frequencies)


def _degrees(value: float) -> str:
    return f"{value / DEGREE:.0f}" if np.isfinite(value) else "none"


def page(
    joined: Joined, drawn: Mapping[str, Any], *, what: str, written: Sequence[tuple[str, str]], command: str
) -> str:
    """The page, with the pictures of `crossing_figures.pictures`."""
    words = {
        "ways.png": (
            "Level on axis of each way behind its filter and of the sum; phase of the filters.",
            "Where two ways overlap they should be in phase: the sum is then level. Dotted: crossovers.",
        ),
        "index.png": (
            "Directivity index and beamwidths of the ways and of the sum.",
            "The sum should go from one way's curve to the other's without a step: cross over where they meet. The"
            " sum's index rises where the ways interfere.",
        ),
        "lobes.png": (
            "Vertical levels at and about each crossover.",
            "The lobe should point at the listener at 0 degrees at all three frequencies; nulls above and below it"
            " should lie where nobody sits.",
        ),
        "vertical_map.png": (
            "Vertical map of the sum over frequency and angle.",
            "Up is positive. Dark notches off axis near a crossover are the nulls between two ways.",
        ),
        "power.png": (
            "Listening window, sound power with and without interference, and their difference.",
            "What the room hears dips where the ways are far apart against the wavelength: bring them nearer together,"
            " or lower the crossover.",
        ),
        "whole_range.png": (
            "Listening window and axis against the target from end to end, and the filters that bring them there.",
            "The window should lie on the target; what the filters raise costs level.",
        ),
        "headroom.png": (
            "Greatest level of the loudspeaker over frequency, and the level at which each way gives out.",
            "The lowest curve rules at each frequency. The dot is where the loudspeaker, played louder and louder,"
            " meets it first.",
        ),
    }
    shown = {name: sheet.picture(figure, alt=words[name][0], caption=words[name][1]) for name, figure in drawn.items()}
    label = said_names(joined)
    rows = []
    for each in joined.handovers:
        for whose, which in ((label[each.upper], 0), (label[each.lower], 1), ("sum", 2)):
            rows.append(
                (
                    f"{hertz(each.frequency)}, {whose}",
                    f"{each.index[which]:.1f}",
                    _degrees(each.horizontal[which]),
                    _degrees(each.vertical[which]),
                )
            )
    step, solved, trim = step_words(joined), solved_step_words(joined), trim_words(joined)
    whole = [f"{each}." for each in whole_words(joined)]
    loud = [f"{each}." for each in (*headroom_words(joined), *([trim] if trim else []))]
    loud_pictures = [shown[name] for name in ("headroom.png",) if name in shown]
    if loud_pictures:
        loud += [f"{MEANT}.", f"{DANGER[0].upper()}{DANGER[1:]}."]
    parts = [
        sheet.PageSection(
            "The crossover",
            [
                f"{even_words(joined)}.",
                *(f"{crossing_words(joined, place)}." for place in range(len(joined.handovers))),
                *(f"{way_words(joined, place)}." for place in range(len(label))),
            ],
            pictures=[shown["ways.png"]],
        ),
        sheet.PageSection(
            "Where the directivities meet",
            [f"{hertz(each.frequency)}: {_lower(meeting_words(each))}." for each in joined.handovers],
            ("At the crossover", "Index, dB", "Beamwidth horizontal, degrees", "vertical, degrees"),
            rows,
            [shown["index.png"]],
        ),
        sheet.PageSection(
            "Vertical lobes",
            [f"{lobe_words(each)}." for each in joined.handovers],
            pictures=[shown["lobes.png"], shown["vertical_map.png"]],
        ),
        sheet.PageSection(
            "Power",
            [
                *(f"{hertz(each.frequency)}: {_lower(dip_words(each))}." for each in joined.handovers),
                "Without interference: each way the share of the axis that it has, with an index of its own.",
            ],
            pictures=[shown["power.png"]],
        ),
        *([sheet.PageSection("From end to end", whole, pictures=[shown["whole_range.png"]])] if whole else []),
        *([sheet.PageSection("How loud it plays", loud, pictures=loud_pictures)] if loud else []),
        *([sheet.PageSection("Baffle step", [f"{step}.", f"{STEP_LIMITS}."])] if step else []),
        *([sheet.PageSection("The cabinet's step", [f"{each}." for each in solved])] if solved else []),
        sheet.PageSection(
            "Assumed",
            [f"{each[0].upper()}{each[1:]}." for each in joined.speaker.assumed],
        ),
        sheet.PageSection("Filters", [f"{line}." for line in filter_lines(joined)]),
    ]
    return sheet.sheet(
        joined.speaker.name,
        what,
        parts=parts,
        written=written,
        command=command,
        warnings=[*fault_words(joined), *warnings(joined)],
    )


def filter_lines(joined: Joined) -> list[str]:
    """How the files are to be used."""
    rate, apart = joined.speaker.sample_rates[-1], max(joined.apart.values())
    found = [
        f"Curves are those at {rate} Hz; the sum on axis at the other rates is within {apart:.2f} dB",
        "Sections of a way: its high-pass and its equaliser, if they are here, then its slopes",
        "Each way: its sections, its finite impulse response if there is one, gain, polarity, delay",
        "Lower ways also pass the all-pass of each Linkwitz-Riley crossing above their own, so that all stay in phase",
        SIGNS,
    ]
    if joined.firs:
        own = joined.firs[rate][0]
        found.append(
            f"Linear-phase slopes are finite impulse responses of {own.taps.size} taps at {rate} Hz, latency"
            f" {own.latency / rate / MILLISECOND:.2f} ms in all ways, within {joined.fir_off:.2f} dB of their slope"
        )
    return found


def warnings(joined: Joined) -> list[str]:
    """What should make the designer look twice, without full stops."""
    found = end_words(joined)
    if not joined.total.valid.all():
        bad = joined.speaker.sounds.frequency[~joined.total.valid]
        found.append(f"a way that counts is outside its valid band from {hertz(bad[0])} to {hertz(bad[-1])}")
    return found


def _lower(text: str) -> str:
    return f"{text[0].lower()}{text[1:]}"
