"""The tables and the record of a crossover."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from evenflare import __version__, metrics
from evenflare.directivity.types import Directivity
from evenflare.dsp.baffle_step import BaffleStep, on_axis_step, power_step
from evenflare.dsp.biquad import response
from evenflare.dsp.crossover import steps
from evenflare.dsp.filters_file import SIGNS, Equaliser, sections_record
from evenflare.dsp.handover import Handover, vertical_level
from evenflare.dsp.joining import Joined, way_sections
from evenflare.dsp.own_filters import FittedEqualiser
from evenflare.results import formats, tables
from evenflare.results.filters import COEFFICIENTS, digits
from evenflare.results.headroom import evened_columns, evened_record, headroom_record, trims_record
from evenflare.text import table
from evenflare.units import DEGREE, MILLIMETRE, MILLISECOND, FloatArray, amplitude_db

STANDARD = ("listening_window_db", "early_reflections_db", "sound_power_db", "in_room_db", "sound_power_index_db")


def names(joined: Joined) -> list[str]:
    """Of the ways, from the top."""
    return [way.name for way in joined.speaker.sounds.ways]


def columns(joined: Joined) -> formats.Columns:
    """One row per frequency: filters, the ways behind them, their indices, and the sum."""
    sounds, total = joined.speaker.sounds, joined.total
    frequency = sounds.frequency
    found: formats.Columns = {"frequency_hz": frequency}
    axis = sounds.pressure[:, :, 0, int(np.argmin(np.abs(sounds.observation.off_axis)))] * joined.filters
    level = _at_one_metre(joined)
    step, rate = joined.speaker.step, joined.speaker.sample_rates[-1]
    shelf = response([] if step is None else [step.shelf(rate)], frequency, sample_rate=rate)
    for place, name in enumerate(names(joined)):
        filters = sounds.ahead[place] * joined.filters[place] * shelf
        found[f"{name}_filter_db"] = amplitude_db(filters)
        found[f"{name}_filter_deg"] = np.angle(filters) / DEGREE
        found[f"{name}_on_axis_db"] = amplitude_db(axis[place]) - level
        found[f"{name}_taken_out_db"] = amplitude_db(sounds.taken[place])
        found[f"{name}_index_db"] = metrics.directivity_index(sounds.own[place])
        for plane, azimuth in metrics.PLANES.items():
            found[f"{name}_beamwidth_{plane}_deg"] = metrics.beamwidth(sounds.own[place], azimuth) / DEGREE
    found["on_axis_db"] = amplitude_db(total.on_axis) - level
    shift = metrics.on_axis_level(total) - found["on_axis_db"]
    standard = tables.standard_columns(total)
    for each in STANDARD:
        found[each] = standard[each] - (0.0 if "index" in each else shift)
    found["index_db"] = metrics.directivity_index(total)
    for plane, azimuth in metrics.PLANES.items():
        found[f"beamwidth_{plane}_deg"] = metrics.beamwidth(total, azimuth) / DEGREE
    found["sphere_power_db"] = joined.power - level
    found["power_without_lobes_db"] = joined.lobeless - level
    found["power_dip_db"] = joined.power - joined.lobeless
    if step is not None and step.radius is not None:
        radius, speed = step.radius, sounds.speed_of_sound
        found["baffle_shelf_db"] = amplitude_db(shelf)
        found["baffle_step_db"] = on_axis_step(frequency, radius, speed_of_sound=speed)
        found["baffle_step_power_db"] = power_step(frequency, radius, speed_of_sound=speed)
    found |= evened_columns(joined)
    found["valid"] = total.valid.astype(np.float64)
    return found


def _at_one_metre(joined: Joined) -> float:
    """dB, of a way of 1 Pa m at the observation's distance."""
    observation = joined.total.observation
    return 0.0 if observation.far_field else -float(amplitude_db(observation.distance))


def lobe_columns(joined: Joined) -> formats.Columns:
    """Vertical levels of the sum at every crossing: a row per crossing and angle, up positive."""
    rows: list[FloatArray] = []
    for each in joined.handovers:
        known, angle, level = vertical_level(joined.total, each.frequency)
        rows.append(np.stack([np.full(angle.size, known), angle / DEGREE, level]))
    frequency, angle, level = np.concatenate(rows, axis=1)
    return {"frequency_hz": frequency, "off_axis_deg": angle, "level_db": level}


def coefficients_text(joined: Joined, header: Sequence[str]) -> str:
    """The text of coefficients.csv: all digits, a row a section, way and sample rate."""
    rows = [
        (str(rate), name, str(place), *digits(each))
        for rate in joined.speaker.sample_rates
        for way, name in enumerate(names(joined))
        for place, each in enumerate(way_sections(joined, way, rate), start=1)
    ]
    return table(("sample_rate_hz", "way", "section", *COEFFICIENTS), rows, header=[*header, SIGNS])


def record(joined: Joined, *, command: str) -> dict[str, Any]:
    """What crossover.json holds, in plain values."""
    speaker, found = joined.speaker, joined.found
    return {
        "what": "filters of a crossover: sections, then the finite impulse response if there is one, delay, gain,"
        " polarity",
        "evenflare": __version__,
        "name": speaker.name,
        "design_id": speaker.design_id,
        "speaker": str(speaker.path),
        "command": command,
        "sign_convention": SIGNS,
        "crossings": [_crossing(joined, place, each) for place, each in enumerate(joined.handovers)],
        "ways": [_way(joined, place, name) for place, name in enumerate(names(joined))],
        "evenness": {
            "power_share": speaker.power_share,
            "from_hz": speaker.band[0],
            "to_hz": speaker.band[1],
            "listening_window_rms_db": found.evenness.window,
            "power_rms_db": found.evenness.power,
            "places_rms_db": found.evenness.places,
            "tilt_rms_db": found.evenness.tilt,
            "tilt_weight": speaker.heard_by.tilt_weight,
            "score_db": found.evenness.score,
            "score_before_search_db": found.start.score,
            "tried": found.tried,
            "at_end_of_range": list(found.at_end),
        },
        "faults": [
            {
                "what": "null",
                "frequency_hz": each.frequency,
                "depth_db": each.depth,
                "place_m": None if each.place is None else list(each.place),
            }
            for each in joined.cancelled
        ],
        "rates_apart_db": {str(rate): value for rate, value in joined.apart.items()},
        "fir_off_db": joined.fir_off if joined.firs else None,
        "baffle_step": _step(speaker.step),
        "cabinet_steps": {name: _step(step) for name, step in speaker.solved_steps.items()},
        "whole_range": evened_record(joined),
        "headroom": headroom_record(joined),
        "trims_db": trims_record(joined),
        "assumed": list(speaker.assumed),
    }


def _way(joined: Joined, way: int, name: str) -> dict[str, Any]:
    speaker, setting, own = joined.speaker, joined.crossover.settings[way], joined.speaker.own_filters[way]
    fitted = own.fitted
    passed = [
        {
            "side": side or "all_pass",
            "kind": crossing.slope.kind,
            "order": crossing.slope.order,
            "frequency_hz": crossing.frequency,
        }
        for crossing, side in steps(joined.crossover, way)
        if side is not None or crossing.slope.kind == "linkwitz_riley"
    ]
    return {
        "name": name,
        "equalised_to": speaker.sounds.ways[way].level if fitted is None else fitted.aim,
        "equaliser": None if own.equaliser is None else _equaliser(own.equaliser),
        "high_pass": None
        if own.high_pass is None
        else {"kind": "butterworth", "order": own.high_pass.slope.order, "frequency_hz": own.high_pass.frequency},
        "positions_mm": [
            {"right": place[0] / MILLIMETRE, "up": place[1] / MILLIMETRE, "forward": place[2] / MILLIMETRE}
            for place in speaker.sounds.ways[way].positions
        ],
        "delay_ms": setting.delay / MILLISECOND,
        "delay_samples": {str(rate): setting.delay * rate for rate in speaker.sample_rates},
        "gain_db": setting.gain,
        "polarity": "inverted" if setting.inverted else "normal",
        "slopes": passed,
        "sections": {
            str(rate): [{"b": each.b.tolist(), "a": each.a.tolist()} for each in way_sections(joined, way, rate)]
            for rate in speaker.sample_rates
        },
        "fir": {
            str(rate): {
                "text": f"fir_{name}_{rate}.txt",
                "taps": each[way].taps.size,
                "latency_samples": each[way].latency,
            }
            for rate, each in joined.firs.items()
        },
    }


def _equaliser(own: FittedEqualiser | Equaliser) -> dict[str, Any]:
    found: dict[str, Any] = {"from_hz": own.band[0], "to_hz": own.band[1]}
    if isinstance(own, Equaliser):
        return {**found, "file": str(own.path)}
    fitted = own.fitted
    return {
        **found,
        "left_rms_db": fitted.rms,
        "left_largest_db": fitted.largest,
        "sections": sections_record(fitted),
    }


def _crossing(joined: Joined, place: int, each: Handover) -> dict[str, Any]:
    slope = joined.crossover.crossings[place].slope
    label = names(joined)

    def three(values: tuple[float, float, float], factor: float = 1.0) -> dict[str, float | None]:
        whose = (label[each.upper], label[each.lower], "sum")
        pairs = zip(whose, values, strict=True)
        return {name: value / factor if np.isfinite(value) else None for name, value in pairs}

    return {
        "between": [label[each.upper], label[each.lower]],
        "frequency_hz": each.frequency,
        "kind": slope.kind,
        "order": slope.order,
        "db_per_octave": 6 * slope.order,
        "index_db": three(each.index),
        "beamwidth_horizontal_deg": three(each.horizontal, DEGREE),
        "beamwidth_vertical_deg": three(each.vertical, DEGREE),
        "indices_meet_hz": list(each.meets),
        "beamwidths_meet_hz": list(each.meets_beam),
        "vertical_lobe_at_hz": each.lobe_at,
        "vertical_lobe_deg": [end / DEGREE for end in each.lobe],
        "vertical_nulls": [{"off_axis_deg": angle / DEGREE, "level_db": level} for angle, level in each.nulls],
        "power_dip_db": each.dip,
        "power_dip_at_hz": each.dip_at,
    }


def _step(step: BaffleStep | None) -> dict[str, float | str | None] | None:
    if step is None:
        return None
    return {
        "of": "the cabinet, solved" if step.radius is None else "a sphere, a quick estimate",
        "sphere_radius_mm": None if step.radius is None else step.radius / MILLIMETRE,
        "half_way_hz": step.half_way,
        "shelf_frequency_hz": step.frequency,
        "shelf_gain_db": step.gain,
        "shelf_quality": step.quality,
        "left_rms_db": step.left,
    }


def coarse(total: Directivity) -> Directivity:
    """A directivity in every third plane and every second angle: what a folder of it holds."""
    observation = total.observation
    planes, angles = slice(None, None, 3), slice(None, None, 2)
    fewer = replace(observation, off_axis=observation.off_axis[angles], plane=observation.plane[planes])
    return replace(total, observation=fewer, pressure=total.pressure[:, planes, angles])
