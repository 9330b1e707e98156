"""The tables and records of an equaliser."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare import __version__, metrics
from evenflare.directivity.types import Observation
from evenflare.dsp.equalisation import Equalisation
from evenflare.dsp.filters_file import SIGNS, sections_record
from evenflare.dsp.interference import Dip, interpolated
from evenflare.results import formats, tables
from evenflare.results.filters import COEFFICIENTS, digits
from evenflare.text import table
from evenflare.units import DEGREE, amplitude_db
from evenflare.words import hertz

EITHER = "Use the sections or the finite impulse response, not both: each is the whole correction"
SHOWN = ("on_axis_db", "listening_window_db", "early_reflections_db", "sound_power_db", "in_room_db")


def columns(found: Equalisation) -> formats.Columns:
    """One row per frequency that the sample rate can hold: correction, levels before and after, group delay."""
    frequency = found.before.observation.frequency
    held = frequency < 0.5 * found.rate
    at = frequency[held]
    response, own = found.response(at), found.made[found.rate].taps
    before, after = (tables.standard_columns(each) for each in (found.before, found.after))
    for each, directivity in ((before, found.before), (after, found.after)):
        each["on_axis_db"] = metrics.on_axis_level(directivity)
    sections, taps = found.delays(at)
    turned = own.response(at) * np.exp(2j * np.pi * at * own.latency / own.sample_rate)
    wanted = found.wanted
    inside = (at >= wanted.frequency[0] * 0.999999) & (at <= wanted.frequency[-1] * 1.000001)
    left = np.where(inside, interpolated(wanted.frequency, wanted.left_alone, at), np.nan)
    return {
        "frequency_hz": at,
        "correction_db": amplitude_db(response),
        "correction_deg": np.angle(response) / DEGREE,
        "fir_correction_db": amplitude_db(turned),
        "fir_correction_deg": np.angle(turned) / DEGREE,
        "left_alone_db": left,
        **{name: before[name][held] for name in SHOWN},
        **{f"equalised_{name}": after[name][held] for name in SHOWN},
        "correction_group_delay_ms": 1e3 * sections,
        "fir_group_delay_ms": 1e3 * taps,
        "valid": found.before.valid[held].astype(np.float64),
    }


def directions_words(dip: Dip, observation: Observation) -> str:
    """Where a dip is, and in which directions in front it is not: angles in degrees, plane by plane."""
    parts = {1.0: [], 0.0: []}  # type: dict[float, list[str]]
    front = np.abs(observation.off_axis) <= 0.5 * np.pi + metrics.SAME_ANGLE
    angle = observation.off_axis[front] / DEGREE
    for azimuth, row in zip(observation.plane, dip.lacking[:, front], strict=True):
        name = "" if observation.plane.size == 1 else f"azimuth {azimuth / DEGREE:.0f}° at "
        for has, found in parts.items():
            ends = np.flatnonzero(np.diff(row)) + 1
            runs = [run for run in np.split(np.arange(row.size), ends) if row[run[0]] == has]
            words = [
                f"{angle[run[0]]:.0f}°" if run.size == 1 else f"{angle[run[0]]:.0f} to {angle[run[-1]]:.0f}°"
                for run in runs
            ]
            if words:
                found.append(name + ", ".join(words).replace("-", "−"))
    absent, present = parts[1.0], parts[0.0]
    return f"not found at {'; '.join(absent) or 'no angle in front'}; found at {'; '.join(present) or 'none'}"


def apart_words(found: Equalisation) -> str:
    """How far the sample rates' curves are apart."""
    level, phase = (max(each[i] for each in found.fitted.apart.values()) for i in (0, 1))
    low, high = found.band
    return (
        f"Curves of all sample rates are within {level:.3f} dB and {phase:.1f} degrees of the one at {found.rate} Hz,"
        f" {hertz(low)} to {hertz(high)}"
    )


def coefficients_text(found: Equalisation, header: Sequence[str]) -> str:
    """The text of coefficients.csv: all digits, a row a section and sample rate."""
    rows = [
        (
            *(str(rate), str(place), each.kind, f"{each.frequency:.3f}", f"{each.gain:.4f}", f"{each.quality:.5f}"),
            *digits(made),
        )
        for rate, sections in found.fitted.sections.items()
        for place, (each, made) in enumerate(zip(sections, found.fitted.biquads(rate), strict=True), start=1)
    ]
    columns = ("sample_rate_hz", "section", "kind", "frequency_hz", "gain_db", "quality", *COEFFICIENTS)
    return table(columns, rows, header=[*header, SIGNS, apart_words(found)])


def record(found: Equalisation, *, name: str, design_id: str, directivity: str, command: str) -> dict[str, Any]:
    """What equaliser.json holds, in plain values."""
    low, high = found.band
    cost, fitted, observation = found.headroom, found.fitted, found.before.observation
    return {
        "what": f"filters of an equaliser. {EITHER}",
        "evenflare": __version__,
        "name": name,
        "design_id": design_id,
        "directivity": directivity,
        "command": command,
        "sign_convention": SIGNS,
        "aim": {
            "window": found.aim.window,
            "power_share": found.aim.power_share,
            "slope_db_per_octave": found.aim.slope,
            "smoothing_per_octave": found.aim.smoothing,
            "high_pass_hz": found.high_pass,
            "from_hz": low,
            "to_hz": high,
        },
        "limits": {
            "sections": found.limits.sections,
            "section_gain_db": found.limits.gain,
            "boost_db": found.limits.boost,
            "outside_db": found.limits.outside,
        },
        "fit": {
            "rms_db": fitted.rms,
            "largest_db": fitted.largest,
            "largest_at_hz": fitted.at,
            "rates_apart": {str(rate): {"db": each[0], "deg": each[1]} for rate, each in fitted.apart.items()},
        },
        "headroom": {
            "greatest_boost_db": cost.greatest_boost,
            "at_hz": cost.at,
            "worst_peak_db": cost.worst,
            "rates": {
                str(rate): {
                    name: {"greatest_gain_db": each.gain, "at_hz": each.place, "worst_peak_db": each.worst}
                    for name, each in zip(("sections", "fir"), pair, strict=True)
                }
                for rate, pair in found.peaks.items()
            },
            "bands": [
                {"band_hz": band, "boost_db": boost, "alone_db": alone, "even_db": even}
                for band, boost, alone, even in zip(cost.band, cost.boost, cost.alone, cost.even, strict=True)
            ],
        },
        "left_alone": [
            {
                "frequency_hz": dip.frequency,
                "from_hz": dip.low,
                "to_hz": dip.high,
                "depth_db": dip.depth,
                "shared_db": dip.shared,
                "directions": directions_words(dip, observation),
            }
            for dip in found.wanted.dips
        ],
        "sections": sections_record(fitted),
        "sections_and_fir": {
            str(rate): {
                "apart_in_band_db": each.inside,
                "in_band_at_hz": each.inside_at,
                "apart_outside_db": each.outside,
                "outside_at_hz": each.outside_at,
                "sections_outside_db": each.boost,
            }
            for rate, each in found.partings.items()
        },
        "fir": {
            "phase": found.wish.phase,
            "delay_of_axis_ms": 1e3 * found.delay,
            "files": {
                str(rate): {
                    "wav": f"fir_{rate}.wav",
                    "text": f"fir_{rate}.txt",
                    "taps": made.taps.taps.size,
                    "latency_samples": made.taps.latency,
                    "off_db": made.off,
                    "off_deg": made.turned,
                    "pre_ringing_db": made.ringing.level if np.isfinite(made.ringing.level) else None,
                    "pre_ringing_ms": 1e3 * made.ringing.duration,
                }
                for rate, made in found.made.items()
            },
        },
    }
