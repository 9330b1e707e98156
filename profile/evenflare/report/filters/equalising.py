"""An equaliser in words, and its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from evenflare.directivity.types import Observation
from evenflare.dsp.equalisation import Equalisation, MadeFilter
from evenflare.dsp.filters_file import SIGNS
from evenflare.dsp.interference import Dip
from evenflare.report.kit import sheet
from evenflare.results.equaliser import EITHER, apart_words, directions_words
from evenflare.words import band_name, hertz, signed, spoken

PRE_RINGING = (
    "Pre-ringing is what a filter gives out before its largest sample. Its level is the greatest sample before that"
    " peak's own flank (which ends where, going back in time, the magnitude first rises again), in dB re the peak; its"
    " length is the time from the first sample above −60 dB re the peak to the peak."
)


def dip_words(dip: Dip, observation: Observation) -> str:
    """One dip that is left alone, a sentence without its full stop."""
    return (
        f"{hertz(dip.frequency)}, {dip.depth:.1f} dB deep between {hertz(dip.low)} and {hertz(dip.high)}: interference,"
        f" {directions_words(dip, observation)}"
    )


def left_alone_lines(found: Equalisation) -> list[str]:
    """What is left alone, a sentence each."""
    observation = found.before.observation
    lines = [dip_words(dip, observation) for dip in found.wanted.dips]
    return lines or [f"nothing: no dip of {found.aim.dip:g} dB or more of the aim is absent in other directions"]


def aim_words(found: Equalisation) -> str:
    """What is made even, in words."""
    share = 100.0 * found.aim.power_share
    window = spoken(found.aim.window)
    what = window if share == 0 else f"{100 - share:.0f} % {window} and {share:.0f} % sound power (of their levels)"
    slope = "flat" if found.aim.slope == 0 else f"{signed(found.aim.slope)} dB per octave"
    passed = "" if found.high_pass is None else f", fourth-order high-pass at {hertz(found.high_pass)}"
    low, high = found.band
    return f"{what}, {slope} from {hertz(low)} to {hertz(high)}{passed}"


def fit_words(found: Equalisation) -> str:
    """How well the sections do what is wanted."""
    fitted = found.fitted
    count = len(fitted.sections[found.rate])
    return (
        f"{count} sections: {fitted.rms:.3f} dB rms from what is wanted, at most {signed(fitted.largest)} dB, at"
        f" {hertz(fitted.at)}"
    )


def boost_words(found: Equalisation) -> str:
    """What it costs in level."""
    cost = found.headroom
    return (
        f"Greatest boost {cost.greatest_boost:.2f} dB, at {hertz(cost.at)}, of all frequencies and sample rates, in the"
        f" band and outside: lower the input by as much, so that no tone exceeds full scale; by {cost.worst:.2f} dB,"
        " and no signal at all does"
    )


def outside_words(found: Equalisation) -> str:
    """What the sections do outside the band."""
    most = max(each.boost for each in found.partings.values())
    allowed = found.limits.outside
    low, high = found.band
    words = f"Outside {hertz(low)} to {hertz(high)} the sections raise by {signed(most)} dB at most"
    if most <= allowed + 0.005:
        return f"{words} (allowed: {allowed:g} dB)"
    return (
        f"{words}: more than the {allowed:g} dB of --outside-db, beside the band, where the correction of its end fades"
        " over an octave"
    )


def parting_words(found: Equalisation) -> str:
    """Where sections and finite impulse response part."""
    inside = max(found.partings.values(), key=lambda each: each.inside)
    outside = max(found.partings.values(), key=lambda each: each.outside)
    return (
        f"Sections and FIR part by {inside.inside:.2f} dB at most in the band, at {hertz(inside.inside_at)}, and by"
        f" {outside.outside:.2f} dB outside it, at {hertz(outside.outside_at)}, where no correction was asked for"
    )


def time_words(found: Equalisation, made: MadeFilter) -> str:
    """A finite impulse response in time."""
    ring, own = made.ringing, made.taps
    level = "none above rounding" if ring.level < -140 else f"{ring.level:.1f} dB re the peak".replace("-", "−")
    return (
        f"{own.sample_rate} Hz, {found.wish.phase} phase: {own.taps.size} taps, latency {own.latency} samples"
        f" ({1e3 * own.latency / own.sample_rate:.2f} ms); pre-ringing {level}, above −60 dB for"
        f" {1e3 * ring.duration:.2f} ms before the peak; within {made.off:.3f} dB and {made.turned:.2f} degrees of its"
        " curve over the band"
    )


def page(
    found: Equalisation,
    drawn: Mapping[str, Any],
    *,
    title: str,
    what: str,
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with the pictures of `equalising_figures.pictures`."""
    cost, rate = found.headroom, found.rate
    words = {
        "equalised.png": (
            "Levels on axis, in the listening window and of the sound power before and after; correction.",
            "Levels re the mean on axis over the band. What is left uneven after the filter is directivity, which no"
            " filter mends. Shaded: interference, left alone, because a boost there would fill the dip on axis"
            " and put a peak everywhere else.",
        ),
        "headroom.png": (
            "Correction by third-octave band, and the level each band can still reach.",
            "Where the lower line lies far below the upper one, the driver could play louder than the filter lets it"
            " when all bands play together.",
        ),
        "fir.png": (
            "The finite impulse response over time, as a level.",
            "What lies before time 0 is heard as a soft onset where it is long and strong: shorten the response, or"
            " choose a mixed phase. The sections ring only after.",
        ),
        "group_delay.png": (
            "Group delay of the sections and of the finite impulse response over frequency.",
            "A slow change is not heard; a narrow bump beside a steep correction is where the filter rings.",
        ),
    }
    shown = {name: sheet.picture(figure, alt=words[name][0], caption=words[name][1]) for name, figure in drawn.items()}
    sections = [
        (spoken(each.kind), hertz(each.frequency), signed(each.gain) if each.gain else "", f"{each.quality:.3f}")
        for each in found.fitted.sections[rate]
    ]
    bands = [
        (band_name(band), signed(boost), f"{alone:.1f}", f"{even:.1f}")
        for band, boost, alone, even in zip(cost.band, cost.boost, cost.alone, cost.even, strict=True)
    ]
    parts = [
        sheet.PageSection(
            "The correction",
            [
                f"Made even: {aim_words(found)}.",
                f"{fit_words(found)}.",
                f"{apart_words(found)}.",
                "The correction is the same in all directions, so the shape of the directivity stays as it is.",
                f"{EITHER}.",
                f"{parting_words(found)}.",
                f"{outside_words(found)}.",
            ],
            pictures=[shown["equalised.png"]],
        ),
        sheet.PageSection("Left alone", [f"{line[0].upper()}{line[1:]}." for line in left_alone_lines(found)]),
        sheet.PageSection(
            "Headroom",
            [
                f"{boost_words(found)}.",
                "Levels are on axis, for the drive and at the distance of the directivity (far field: 1 m). Alone: this"
                " band by itself at full scale behind the filter. All: every band, with the input lowered.",
            ],
            ("Band", "Correction, dB", "Alone, dB", "All, dB"),
            bands,
            [shown["headroom.png"]],
        ),
        sheet.PageSection(
            "Greatest gain",
            [
                "From 0 Hz to half the sample rate. Worst peak: what no signal exceeds (the sum of the magnitudes of"
                " the impulse response)."
            ],
            ("Filter", "Sample rate", "Greatest gain, dB", "At", "Worst peak, dB"),
            [
                (name, f"{rate} Hz", signed(each.gain), hertz(each.place), signed(each.worst))
                for rate, pair in found.peaks.items()
                for name, each in zip(("sections", "FIR"), pair, strict=True)
            ],
        ),
        sheet.PageSection(
            "In time",
            [
                PRE_RINGING,
                *(f"{time_words(found, made)}." for made in found.made.values()),
                "The sections are minimum-phase: nothing of them comes before the sound.",
            ],
            pictures=[shown["fir.png"], shown["group_delay.png"]],
        ),
        sheet.PageSection(
            "Sections",
            [
                f"As at {rate} Hz. At another rate frequency, gain and Q differ a little, so that the curve does"
                " not: enter those of your rate, or its coefficients, from coefficients.csv.",
                f"{SIGNS}.",
            ],
            ("Kind", "Frequency", "Gain, dB", "Q"),
            sections,
        ),
    ]
    return sheet.sheet(title, what, parts=parts, written=written, command=command)
