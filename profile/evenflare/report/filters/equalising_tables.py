"""The tables and records of an equaliser."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare import __version__, metrics
from evenflare.dsp.equalisation import Equalisation, MadeFilter
from evenflare.dsp.filters_file import SIGNS, sections_record
from evenflare.dsp.interference import interpolated
from evenflare.report.filters.equalising import EITHER, apart_words, directions_words
from evenflare.results import tables
from evenflare.text import comments
from evenflare.units import DEGREE, amplitude_db

SHOWN = ("on_axis_db", "listening_window_db", "early_reflections_db", "sound_power_db", "in_room_db")


def columns(found: Equalisation) -> tables.Columns:
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


def coefficients_text(found: Equalisation, header: Sequence[str]) -> str:
    """The text of coefficients.csv: all digits, a row a section and sample rate."""
    lines = comments([*header, SIGNS, apart_words(found)])
    lines.append("sample_rate_hz,section,kind,frequency_hz,gain_db,quality,b0,b1,b2,a1,a2")
    for rate, sections in found.fitted.sections.items():
        for place, (each, made) in enumerate(zip(sections, found.fitted.biquads(rate), strict=True), start=1):
            named = f"{rate},{place},{each.kind},{each.frequency:.3f},{each.gain:.4f},{each.quality:.5f}"
            lines.append(",".join([named, *(repr(float(value)) for value in (*made.b, *made.a[1:]))]))
    return "\n".join(lines) + "\n"


def taps_text(made: MadeFilter, header: Sequence[str]) -> str:
    """A finite impulse response as text, a tap a line."""
    own = made.taps
    said = (*header, f"finite impulse response, {own.sample_rate} Hz, latency {own.latency} samples, a tap a line")
    return "\n".join([*comments(said), *map(repr, own.taps.tolist())]) + "\n"


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
