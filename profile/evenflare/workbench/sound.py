"""A shape solved as the command line solves it, and the answer in plain values for curves."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import radiation
from evenflare.commands.remarks import check_solvable, faults_of
from evenflare.design.file import Design
from evenflare.directivity.types import Directivity, Observation
from evenflare.metrics import PLANES, beamwidth, directivity_index, levels_re_on_axis
from evenflare.objective import score, search_observation, winner_frequencies
from evenflare.radiation import Setting, method_for
from evenflare.studies.verdict import verdict
from evenflare.target.target import Target, wanted_beamwidth, wanted_index
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import kept
from evenflare.words import unit_apart

LOWEST_LEVEL = -40.0
"""dB re on axis, below which a map tells nothing apart."""
MAPPED = 90.0
"""Degrees off the axis up to which the map goes."""


@dataclass(frozen=True)
class ShapeSound:
    """A design's sound.

    setting : at which it was solved, in seconds.
    """

    design: Design
    directivity: Directivity
    setting: Setting
    seconds: float


def observed(design: Design, target: Target | None) -> Observation:
    """Where a design is heard: as its file asks, or, with a target, where candidates of a search are, so that its score
    is that of `evenflare score`, and at the usual frequencies beyond.
    """
    if target is None:
        return design.observation
    return replace(search_observation(target), frequency=winner_frequencies(target))


def solved(path: Path, design: Design, target: Target | None, setting: Setting, *, checked: bool = True) -> ShapeSound:
    """The sound of a design, of the file `path`. InputError for what cannot be solved.

    checked : with what the march finds of its own error, which takes the most of an oblong waveguide's time.
    """
    from evenflare.radiation.angles import resolved
    from evenflare.radiation.march import index_solver

    started = time.monotonic()
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        method, cores = method_for(design.waveguide.mounting), os.cpu_count() or 1
        alone = method == "march" and not checked
        solver = index_solver(setting, cores=cores) if alone else radiation.solver(setting, method=method, cores=cores)
        asked = solver if target is not None else resolved(solver)
        directivity = asked(design.waveguide, observed(design, target), design.air)
    return ShapeSound(design, directivity, setting, time.monotonic() - started)


def curves(found: ShapeSound) -> dict[str, Any]:
    """What the page draws: frequencies in Hz, indices in dB, angles in degrees."""
    directivity = found.directivity
    observation = directivity.observation
    planes = _planes(found)
    level = np.maximum(levels_re_on_axis(directivity), LOWEST_LEVEL)
    shown = (observation.off_axis >= -1e-9) & (observation.off_axis <= MAPPED * DEGREE + 1e-9)
    impedance = directivity.throat_impedance
    return {
        "setting": found.setting,
        "seconds": round(found.seconds, 4),
        "checked": directivity.error_estimate is not None,
        "frequency": _plain(observation.frequency),
        "valid": directivity.valid.tolist(),
        "index": _plain(directivity_index(directivity)),
        "beamwidth": {name: _plain(beamwidth(directivity, plane=azimuth) / DEGREE) for name, azimuth in planes.items()},
        "map": {
            "angle": _plain(observation.off_axis[shown] / DEGREE),
            "level": {
                name: [_plain(row, 2) for row in level[:, _nearest(observation, azimuth)][:, shown].T]
                for name, azimuth in planes.items()
            },
        },
        "impedance": None
        if impedance is None
        else {"real": _plain(impedance.real), "imaginary": _plain(impedance.imag)},
    }


def judged(found: ShapeSound, target: Target, path: Path) -> dict[str, Any]:
    """A sound against a target: score, terms, verdict and limits. InputError where it cannot be scored."""
    waveguide, directivity = found.design.waveguide, found.directivity
    with faults_of(path, solving=True):
        if found.setting != "full":
            # As the search does: too coarse to be trusted is good enough to see which way it goes.
            directivity = replace(directivity, valid=np.ones_like(directivity.valid))
        scored = score(directivity, waveguide, target)
        said = verdict(directivity, scored, target)
    held = kept(waveguide, target.limits)
    return {
        "score": round(scored.value, 4),
        "feasible": scored.feasible,
        "headline": said.headline,
        "lines": said.lines,
        "limits": [
            {
                "name": unit_apart(name),
                "value": _number(each.value),
                "low": _number(each.low),
                "high": _number(each.high),
                "kept": each.kept,
            }
            for name, each in held.items()
        ],
    }


def wanted(target: Target, frequency: FloatArray) -> dict[str, Any]:
    """What a target asks for, at frequencies (F,) Hz; nothing outside its band."""
    inside = frequency[(frequency >= target.frequency[0]) & (frequency <= target.frequency[-1])]
    frequency = np.union1d(inside, target.frequency)
    index, tolerance, _ = wanted_index(target, frequency)
    beams = {}
    for name, azimuth in target.planes.items():
        beam = wanted_beamwidth(target, frequency, plane=azimuth)
        if beam is not None:
            beams[name.removeprefix("_")] = _plain(beam / DEGREE)
    return {
        "frequency": _plain(frequency),
        "index": _plain(index),
        "low": _plain(index - tolerance),
        "high": _plain(index + tolerance),
        "beamwidth": beams,
    }


def _planes(found: ShapeSound) -> dict[str, float]:
    """Azimuths, rad, of the planes that differ, by name."""
    if found.directivity.observation.symmetry == "round":
        return {"": float(found.directivity.observation.plane[0])}
    return dict(PLANES)


def _nearest(observation: Observation, azimuth: float) -> int:
    return int(np.argmin(np.abs(observation.plane - azimuth)))


def _plain(values: FloatArray, digits: int = 4) -> list[float | None]:
    """Numbers as JSON holds them; None where there is none."""
    return [None if not np.isfinite(each) else round(float(each), digits) for each in values]


def _number(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), 3)
