"""Which model takes a near field to the rig's distance: the design, solved, or a piston in a baffle."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from evenflare.files import InputError

if TYPE_CHECKING:
    from evenflare.air import Air
    from evenflare.design.file import Design
    from evenflare.directivity.types import Observation
    from evenflare.measurement.near_field_model import FarOverNear, NearModel
    from evenflare.measurement.readings import Session
    from evenflare.units import ComplexArray, FloatArray
    from evenflare.waveguide import Waveguide

SOLVED = 10
"""Frequencies that are solved; between, levels and phases are smooth far below the first dip."""
LEAST_ERROR_DB = 0.05
"""What the course of a solved ratio is uncertain by at least: walls that are not rigid, sizes as built. Judgement."""


def near_model(session: Session, design: Design | None) -> NearModel:
    """The model that a session allows. Errors: InputError where it allows none."""
    from evenflare.measurement.near_field_model import baffled_piston

    near, mounting = session.near, session.rig.mounting
    assert near is not None  # nothing else is asked for
    start = f"{session.path} [near_field]"
    if near.radius is not None:
        if mounting != "baffle":
            raise InputError(
                f"{start} radius_mm: is of a piston in a baffle, and the source was measured with mounting"
                f' "{mounting}", whose box step no radius tells. Name the design above all tables, and leave radius_mm'
                " out"
            )
        return baffled_piston(near.radius)
    if design is None:
        remedy = " or radius_mm, of a piston in a baffle" if mounting == "baffle" else ""
        raise InputError(
            f"{start}: needs a model, which takes the near field to the distance with the step of the box. Name the"
            f' design above all tables, as in design = "design.toml"{remedy}'
        )
    waveguide = design.waveguide
    if waveguide.is_round or waveguide.mounting.kind == "cabinet":
        return _solved(session, waveguide)
    if waveguide.mounting.kind == "baffle":
        area = 0.25 * np.pi * waveguide.mouth_width * waveguide.mouth_height
        return baffled_piston(float(np.sqrt(area / np.pi)), "a flat round piston as large as the mouth, in a baffle")
    raise InputError(
        f'{start}: no solver tells the near field of an oblong mouth with mounting "{waveguide.mounting.kind}": must be'
        ' "baffle" or "cabinet". Take the box for a cabinet in the design, or leave [near_field] out'
    )


def _solved(session: Session, waveguide: Waveguide) -> NearModel:
    """Of a design, by boundary elements at a few frequencies."""

    def model(seen: Observation, distance: float, air: Air) -> FarOverNear:
        from dataclasses import replace

        from evenflare.measurement.near_field_model import FarOverNear

        assert session.near is not None
        frequency = seen.frequency
        top = 1.05 * session.near.overlap[1]
        coarse = np.geomspace(frequency[0], max(top, 2.0 * frequency[0]), SOLVED)
        far = replace(seen, frequency=coarse)
        close = replace(
            seen,
            frequency=coarse,
            off_axis=np.zeros(1),
            plane=np.zeros(1),
            distance=distance,
            symmetry="round",
            reference_z=waveguide.depth,
        )
        try:
            pairs = _pressures(waveguide, far, close, air)
        except ValueError as error:
            raise InputError(f"{session.path} [near_field] with {session.design}: {error}") from error
        axis = int(np.argmin(np.abs(seen.off_axis)))
        ratios = [there[:, 0, axis] / here[:, 0, 0] for there, here in pairs]
        apart = np.abs(20.0 * np.log10(np.abs(ratios[0] / ratios[1])))
        travel = -2.0 * np.pi * (seen.distance - distance) / air.speed_of_sound
        smooth = ratios[0] * np.exp(-1j * travel * coarse)
        level, phase = (
            _between(coarse, np.log(np.abs(smooth)), frequency),
            _between(coarse, np.unwrap(np.angle(smooth)), frequency),
        )
        relative = pairs[0][0] / pairs[0][0][:, :, axis : axis + 1]
        flat = relative.reshape(coarse.size, -1)
        found = _between(coarse, flat.real, frequency) + 1j * _between(coarse, flat.imag, frequency)
        doubt = np.hypot(np.interp(np.log(frequency), np.log(coarse), apart), LEAST_ERROR_DB)
        return FarOverNear(
            np.exp(level + 1j * (phase + travel * frequency)),
            found.reshape(seen.shape),
            doubt,
            np.zeros(frequency.size),
            0.5 * max(waveguide.mouth_width, waveguide.mouth_height),
            f"the design with mounting {waveguide.mounting.kind}, by boundary elements",
        )

    return model


def _pressures(
    waveguide: Waveguide, far: Observation, close: Observation, air: Air
) -> tuple[tuple[ComplexArray, ComplexArray], tuple[ComplexArray, ComplexArray]]:
    """Pressure at a distance and close by, on one mesh and on another."""
    cores = os.cpu_count() or 1
    if waveguide.mounting.kind == "cabinet":
        from evenflare.radiation.loudspeaker_elements import heard_twice

        (one, other), (here, again) = heard_twice(waveguide, (far, close), air, cores=cores)
        return (one, here), (other, again)
    from evenflare.radiation.boundary_elements import judge_solver

    fine, coarse = (judge_solver(setting, cores=cores) for setting in ("full", "estimate"))
    return (
        (fine(waveguide, far, air).pressure, fine(waveguide, close, air).pressure),
        (coarse(waveguide, far, air).pressure, coarse(waveguide, close, air).pressure),
    )


def _between(own: FloatArray, values: FloatArray, frequency: FloatArray) -> FloatArray:
    """Values (M, ...) at frequencies (F,), smooth over log frequency; beyond the last as there."""
    from scipy.interpolate import PchipInterpolator

    at = np.clip(np.log(frequency), np.log(own[0]), np.log(own[-1]))
    return np.asarray(PchipInterpolator(np.log(own), values, axis=0)(at))
