"""The folder of filters for a processor: tables in floating and fixed point, text and WAV, and a README."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np

from evenflare.dsp.filter_set import WayFilters
from evenflare.dsp.filters_file import SIGNS
from evenflare.dsp.fir import Fir
from evenflare.dsp.fixed_point import LOWEST, QUIET, WORDS, FixedPoint, Word, fixed_point, fixed_values
from evenflare.dsp.peaks import Peak, sections_peak, taps_peak
from evenflare.results.filters import COEFFICIENTS, digits
from evenflare.text import comments, table
from evenflare.units import MILLISECOND, FloatArray, amplitude_db, power_db

TAPS = Word(1, 23, 1, 23)
"""Of finite impulse responses in fixed point: 24-bit PCM."""


def plain_wav(values: FloatArray, sample_rate: int) -> bytes:
    """A WAV file of one channel (N,) of 32-bit floats: chunks fmt (code 3), fact and data, and no other.

    Source: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (1991), and Microsoft's
    update of 1994, by which what is not PCM has a size of extension (0) and a fact chunk (from memory).
    """
    data = np.asarray(values, dtype="<f4").tobytes()
    fact = b"fact" + struct.pack("<II", 4, values.size)
    return _riff(struct.pack("<HHIIHHH", 3, 1, sample_rate, 4 * sample_rate, 4, 32, 0), fact, data)


def pcm_wav(values: Sequence[int], sample_rate: int) -> bytes:
    """A WAV file of one channel of whole numbers of 24 bits: chunks fmt (code 1) and data. Source as `plain_wav`."""
    data = np.asarray(values, dtype="<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return _riff(struct.pack("<HHIIHH", 1, 1, sample_rate, 3 * sample_rate, 3, 24), b"", data)


def _riff(form: bytes, more: bytes, data: bytes) -> bytes:
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + more + b"data" + struct.pack("<I", len(data)) + data
    body += b"\0" * (len(data) % 2)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def fixed_taps(taps: Fir) -> tuple[tuple[int, ...], int]:
    """Taps as whole numbers of 24 bits, and the shift in bits that they share."""
    return fixed_values(taps.taps, TAPS)


def taps_text(taps: Fir, header: Sequence[str]) -> str:
    """Whole numbers of `fixed_taps`, one a line."""
    values, shift = fixed_taps(taps)
    about = (
        f"finite impulse response, {taps.sample_rate} Hz, latency {taps.latency} samples, a tap a line:"
        f" {TAPS.name}, a tap is the number / 2^{TAPS.fraction} times 2^{shift}"
    )
    return "\n".join([*comments([*header, about]), *map(str, values)]) + "\n"


def sections_text(ways: Sequence[WayFilters], header: Sequence[str]) -> str:
    """The text of sections_float.csv."""
    lines = [
        (way.name, str(rate), str(place), *digits(each))
        for way in ways
        for rate, own in way.sections.items()
        for place, each in enumerate(own, start=1)
    ]
    return table(("way", "sample_rate_hz", "section", *COEFFICIENTS), lines, header=[*header, SIGNS])


def ways_text(ways: Sequence[WayFilters], header: Sequence[str]) -> str:
    """The text of ways.csv."""
    lines = [
        (
            way.name,
            str(rate),
            f"{way.gain:.6f}",
            repr(10.0 ** (way.gain / 20.0)),
            "-1" if way.inverted else "1",
            f"{way.delay / MILLISECOND:.6f}",
            f"{way.delay * rate:.4f}",
            str(len(own)),
            str(way.firs[rate].taps.size if rate in way.firs else 0),
            str(way.firs[rate].latency if rate in way.firs else 0),
        )
        for way in ways
        for rate, own in way.sections.items()
    ]
    names = ("way", "sample_rate_hz", "gain_db", "gain", "polarity", "delay_ms", "delay_samples", "sections")
    return table((*names, "taps", "latency_samples"), lines, header=header)


def fixed_texts(ways: Sequence[WayFilters], header: Sequence[str]) -> tuple[str, str, list[str]]:
    """The texts of sections_fixed.csv and of fixed_point.csv; and what cannot be used, a sentence each."""
    rows: list[tuple[str, ...]] = []
    costs: list[tuple[str, ...]] = []
    faults = []
    for way in ways:
        for rate, own in way.sections.items():
            peak = sections_peak(own, sample_rate=rate)
            for word in WORDS:
                start = (way.name, str(rate), word.name)
                try:
                    made = fixed_point(own, word, sample_rate=rate)
                except ValueError as error:
                    faults.append(f"{way.name} at {rate} Hz in {word.name} is left out: {error}. Take a longer word")
                    continue
                rows += [
                    (*start, str(place), str(each.shift), *map(str, each.values))
                    for place, each in enumerate(made.sections, start=1)
                ]
                costs.append((*start, word.signal, *_costs(made, peak)))
    fixed_columns = ("way", "sample_rate_hz", "word", "section", "shift_bits", *COEFFICIENTS)
    cost_columns = (
        *("way", "sample_rate_hz", "word", "signal_word", "input_shift_bits", "greatest_gain_db", "worst_peak_db"),
        *("departure_db", "noise_direct_db", "noise_feedback_db", "noise_transposed_db", "noise_measured_db"),
        "saturated",
    )
    scale = "a coefficient is the number / 2^n of its word Qm.n, times 2^shift_bits"
    return (
        table(fixed_columns, rows, header=[*header, SIGNS, scale]),
        table(cost_columns, costs, header=[*header, "levels re full scale, rms", *faults]),
        faults,
    )


def _costs(made: FixedPoint, peak: Peak) -> tuple[str, ...]:
    noise = (made.noise, made.fed_back, made.transposed, made.measured)
    return (
        str(made.down),
        *(f"{each:.3f}" for each in (peak.gain, peak.worst)),
        f"{made.departure:.6f}",
        *(f"{each:.2f}" for each in noise),
        str(made.saturated),
    )


def fir_text(ways: Sequence[WayFilters], header: Sequence[str]) -> str:
    """The text of fir_fixed.csv."""
    lines = []
    for way in ways:
        for rate, taps in way.firs.items():
            values, shift = fixed_taps(taps)
            made = np.array(values) * 2.0 ** (shift - TAPS.fraction)
            peak = taps_peak(taps)
            down = max(0, int(np.ceil(np.log2(np.abs(made).sum() * (1.0 + 1e-3)))))
            wanted, found = (
                amplitude_db(np.abs(np.fft.rfft(each, 4 * made.size)) + 1e-30) for each in (taps.taps, made)
            )
            heard = wanted > wanted.max() + QUIET
            off = float(np.abs(found - wanted)[heard].max())
            noise = float(power_db(2.0 ** (-2 * TAPS.signal_fraction) / 12.0))
            sizes = (str(taps.taps.size), str(taps.latency), str(shift), str(down))
            levels = (f"{peak.gain:.3f}", f"{peak.worst:.3f}", f"{off:.6f}", f"{noise:.2f}")
            lines.append((way.name, str(rate), *sizes, *levels))
    names = ("way", "sample_rate_hz", "taps", "latency_samples", "shift_bits", "input_shift_bits", "greatest_gain_db")
    return table((*names, "worst_peak_db", "departure_db", "noise_direct_db"), lines, header=header)


def readme(ways: Sequence[WayFilters], *, title: str, either: bool, notes: Sequence[str]) -> str:
    """The text of README.txt; `either`: sections and finite impulse response are each the whole correction."""
    names = ", ".join(way.name for way in ways)
    rates = ", ".join(str(rate) for rate in ways[0].sections)
    responses = any(way.firs for way in ways)
    order = "sections in the order of their numbers, gain, polarity, delay"
    if responses and either:
        order = f"{order}.\nOr the finite impulse response in place of the sections; never both"
    elif responses:
        order = order.replace("gain", "finite impulse response, gain", 1)
    words = "\n".join(f"  {each.name}: signal {each.signal}, 1 is full scale" for each in WORDS)
    lines = [
        f"Filters to load into a processor: {title}",
        "",
        f"Ways: {names}. Sample rates in Hz: {rates}. Take the rows of yours.",
        "Order of operations in every way:",
        f"{order}.",
        *notes,
        "",
        f"Sections: {SIGNS}.",
        "Gain: dB, and as a factor. Polarity: -1 turns the signal over. Delay: ms, and samples, which may be broken:",
        "round them, the same way for all, or delay by parts of a sample.",
        "",
        "sections_float.csv: coefficients with all digits. ways.csv: gain, polarity, delay, how many sections.",
        "sections_fixed.csv: the same as whole numbers. In Qm.n, m bits stand before the point (the sign is one of",
        "them) and n behind it. A coefficient is the number / 2^n times 2^shift_bits: sum the five products, shift the",
        "sum left by shift_bits, round once. Words:",
        words,
        "fixed_point.csv, for each: shift the input right by input_shift_bits, and no input can saturate any section",
        "(by the sum of the magnitudes of the impulse response up to each); make up for it behind, by analogue gain.",
        f"departure_db: greatest from the exact response, from {LOWEST:g} Hz, within {-QUIET:g} dB of its top.",
        "noise_..._db: rounding at the output, rms re full scale, for a direct form I with a long accumulator, rounded",
        "once a section; the same with first-order error feedback; a transposed direct form II, rounded three times.",
        "Each rounding to a step D adds D^2/12, shaped by what follows (Jackson 1970). No dither is added or counted:",
        "dither of triangular density before each rounding adds D^2/6 more, 4.8 dB in all. noise_measured_db: found in",
        "a run in whole numbers, direct form I, with the input that drives the output hardest; saturated: how many",
        "samples did.",
    ]
    if responses:
        lines += [
            "",
            "fir_WAY_RATE.wav: 32-bit float, one channel, chunks fmt (code 3), fact and data only; .txt: a tap a line.",
            "fir_WAY_RATE_pcm24.wav and .txt: whole numbers of 24 bits (code 1). A tap is the number / 2^23 times",
            "2^shift_bits of fir_fixed.csv; shift the sum of products left by as much. The PCM file cannot say the",
            "shift. input_shift_bits, departure_db and noise_direct_db as above.",
        ]
    return "\n".join(lines) + "\n"
