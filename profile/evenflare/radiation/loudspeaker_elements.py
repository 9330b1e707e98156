"""Boundary elements of a waveguide in its cabinet or body, all in one problem: the judge of what is not round.

It shares the integrals over panels with the cabinet's operator, and nothing with the march but wall and `Directivity`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenflare import __version__
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity.types import Directivity, Observation, unit_vectors
from evenflare.exterior.graphics import arrays, here
from evenflare.exterior.layers import add_layers, gauss
from evenflare.exterior.loudspeaker import Loudspeaker, loudspeaker, panels
from evenflare.exterior.operator import around_degree
from evenflare.exterior.scattering import Scatterer, Space, bytes_needed, ready, scattered
from evenflare.radiation import Done, Setting, Solver
from evenflare.radiation.medium import available_memory
from evenflare.radiation.one_thread import one_thread
from evenflare.radiation.own_error import FieldSamples, OwnError, own_error
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray, power_db
from evenflare.waveguide import Waveguide

PER_WAVELENGTH: dict[Setting, float] = {"full": 3.2, "screen": 2.4, "estimate": 1.8}
"""Cells of three by three nodes along a wavelength: the index of a round body within 0.001 and, of 2.4, 0.008 dB of the
judge's for bodies of revolution (measured, 0.9 to 2 kHz)."""
WALL: dict[Setting, float] = {"full": 0.02, "screen": 0.02, "estimate": 0.03}
"""m, of the cells of wall and throat at most: there sound is quicker to change than the wavelength says."""
BANDS_PER_OCTAVE = 4
"""Frequencies of one band share the mesh of its highest."""
COARSER = 1.6
"""Of the cells on which all is solved once more, to tell the error: theirs, which is more than the answer's.
Much larger, as many a stretch is cut into so few that less would leave them as they are."""

CROSSED = 0.7
"""By which Gauss's integral at a node is off at least where the surface has passed through itself: there it is off by
one, 0.2 in the narrowest slivers of a face.
"""
PAIRS = 1_000_000
"""Of directions and nodes that are summed at once."""


@dataclass(frozen=True)
class SpeakerPressure:
    """A body and its pressure at one frequency.

    q : (N,) pressure over j w density, for 1 m/s rms over the exit's area.
    """

    speaker: Loudspeaker
    body: Scatterer
    k: float
    q: ComplexArray


def whole_solver(setting: Setting = "full", *, cores: int = 1, progress: Done | None = None) -> Solver:
    """Round and oblong waveguides in a cabinet, and oblong ones that stand free, frequency by frequency;
    panels are spread over cores.

    progress : see Done.
    What it returns raises ValueError if a point observed lies in the body, or the memory does not suffice.
    """

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        with one_thread():
            return _solved(waveguide, observation, air, setting, cores, progress)

    return solve


def memory_needed(waveguide: Waveguide, frequency: float, air: Air, *, setting: Setting = "full") -> int:
    """Bytes at a frequency, Hz, worked out without solving it."""
    return bytes_needed(nodes_at(waveguide, frequency, air, setting=setting), 1)


def nodes_at(waveguide: Waveguide, frequency: float, air: Air, *, setting: Setting) -> int:
    """How many nodes the mesh has at a frequency, Hz: of the part that mirrors leave."""
    return panels(waveguide, _size(frequency, air, setting), wall=WALL[setting])[0].size


def meshes(waveguide: Waveguide, frequency: float, air: Air, *, setting: Setting = "full") -> tuple[Loudspeaker, ...]:
    """On which it is solved at a frequency, Hz, and but for "estimate" the coarser one on which it is once more."""
    size = _size(frequency, air, setting)
    return tuple(
        loudspeaker(waveguide, larger * size, wall=larger * WALL[setting])
        for larger in ((1.0, COARSER) if setting != "estimate" else (1.0,))
    )


def _size(frequency: float, air: Air, setting: Setting) -> float:
    top = 2.0 ** (np.ceil(BANDS_PER_OCTAVE * np.log2(frequency) - 1e-9) / BANDS_PER_OCTAVE)
    return float(air.speed_of_sound / top / PER_WAVELENGTH[setting])


@lru_cache(maxsize=2)
def _made(waveguide: Waveguide, size: float, wall: float, cores: int) -> tuple[Loudspeaker, Scatterer]:
    speaker = loudspeaker(waveguide, size, wall=wall)
    body = ready(speaker.mesh, cores, room=speaker.room)
    off = np.abs(body.free_term - 0.5)
    if off.max() > CROSSED:
        where = ", ".join(f"{each / MILLIMETRE:.4g}" for each in speaker.mesh.place[int(off.argmax())].tolist())
        raise ValueError(
            f"[mounting] the waveguide comes out of what it stands in, at {where} mm (x, y, z from its middle). Make it"
            " shallower or narrower, or move the mouth"
        )
    return speaker, body


def _solved(
    waveguide: Waveguide,
    observation: Observation,
    air: Air,
    setting: Setting,
    cores: int,
    progress: Done | None,
) -> Directivity:
    frequency = observation.frequency
    needed, free = memory_needed(waveguide, float(frequency[-1]), air, setting=setting), available_memory()
    if needed > free and arrays(needed) is np:
        raise ValueError(
            f"needs about {needed / 1e9:.1f} GB of memory, and {free / 1e9:.1f} GB are free. Lower to_hz, or take the"
            ' setting "screen" or the method "march"'
        )
    checked = setting != "estimate"
    found, coarser = _each(waveguide, frequency, air, setting, cores, progress, twice=checked)
    heard = _heard(found, observation, air)
    error = _error(found, heard, coarser, observation, waveguide, air) if checked else None
    return Directivity(
        observation=observation,
        pressure=heard.pressure,
        valid=np.ones(frequency.size, dtype=bool) if error is None else error.valid,
        density=air.density,
        speed_of_sound=air.speed_of_sound,
        half_space=False,
        sound_power=heard.power,
        throat_impedance=heard.impedance,
        error_estimate=None if error is None else error.index,
        polar_error=None if error is None else error.polar,
        impedance_error=None if error is None else error.impedance,
        far_field_index=power_db(4 * np.pi * np.abs(heard.on_axis) ** 2 / (air.impedance * heard.power)),
        provenance={
            "method": "boundary_elements",
            "setting": setting,
            "version": __version__,
            "cells_per_wavelength": PER_WAVELENGTH[setting],
            "nodes": [each.speaker.mesh.size for each in found],
            "arrays": arrays(needed).__name__,
            "images": found[0].speaker.images,
            "first_cross_mode_hz": tube_cut_on(waveguide.driver.exit_radius, air=air),
            "error_rms_db": None if error is None else float(np.sqrt(np.mean(error.index**2))),
        },
    )


def heard_twice(
    waveguide: Waveguide,
    observations: Sequence[Observation],
    air: Air,
    *,
    setting: Setting = "estimate",
    cores: int = 1,
) -> list[tuple[ComplexArray, ComplexArray]]:
    """Pressure (F, P, A), Pa, of each observation, on the cells of a setting and on coarser ones, from one solution.

    The observations share their frequencies. Errors: ValueError as `whole_solver`.
    """
    with one_thread():
        found, coarser = _each(waveguide, observations[0].frequency, air, setting, cores, None, twice=True)
        return [(_heard(found, each, air).pressure, _heard(coarser, each, air).pressure) for each in observations]


def _each(
    waveguide: Waveguide,
    frequency: FloatArray,
    air: Air,
    setting: Setting,
    cores: int,
    progress: Done | None,
    *,
    twice: bool,
) -> tuple[list[SpeakerPressure], list[SpeakerPressure]]:
    """Solved at each frequency (F,), Hz, on its mesh, and if it is to be done twice on a coarser one."""
    found: list[SpeakerPressure] = []
    coarser: list[SpeakerPressure] = []
    space = Space()
    # From the largest matrices to the smallest, so that memory is taken but once.
    for done, each in enumerate(reversed(frequency.tolist()), start=1):
        size, k = _size(each, air, setting), 2 * np.pi * each / air.speed_of_sound
        for into, larger in ((found, 1.0), (coarser, COARSER)) if twice else ((found, 1.0),):
            made = _made(waveguide, larger * size, larger * WALL[setting], cores)
            into.append(_at(*made, k, cores, space))
        if progress is not None:
            progress(done)
    return found[::-1], coarser[::-1]


def _error(
    found: list[SpeakerPressure],
    heard: FieldSamples,
    coarser: list[SpeakerPressure],
    observation: Observation,
    waveguide: Waveguide,
    air: Air,
) -> OwnError:
    """Of what was heard, by what is heard of larger cells, by the integrals over the mesh, and by the power."""
    again = _heard(coarser, observation, air)
    area = np.abs(np.sin(observation.off_axis)) + 1e-9
    overlap = np.sum(area * np.conj(again.pressure) * heard.pressure, axis=(1, 2))
    # What goes in at the throat and what comes out all round are found apart: half of their difference is pressure's.
    entering = heard.impedance.real * air.impedance * waveguide.driver.exit_area
    rough = np.maximum([_roughness(each.body) for each in found], 0.5 * np.abs(entering / heard.power - 1.0))
    return own_error(again, heard, overlap=overlap, observation=observation).at_least(rough)


def _at(speaker: Loudspeaker, body: Scatterer, k: float, cores: int, space: Space) -> SpeakerPressure:
    # A symmetric source: all parities but the even one are still. p = j w density q, with dq/dn = -v.
    motion = np.zeros((speaker.images, speaker.mesh.size, 1), dtype=np.complex128)
    motion[0, :, 0] = speaker.moving
    return SpeakerPressure(speaker, body, k, scattered(k, body, motion, cores=cores, space=space)[0, :, 0])


def _roughness(body: Scatterer) -> float:
    """What the integrals over the mesh are off by, rms over its area, as a share of the pressure."""
    return float(np.sqrt(np.average((body.free_term - 0.5) ** 2, weights=body.mesh.weight)))


def _heard(found: list[SpeakerPressure], observation: Observation, air: Air) -> FieldSamples:
    direction = unit_vectors(observation.off_axis, observation.plane[:, None]).reshape(-1, 3)
    pressure, on_axis, power, impedance = [], [], [], []
    for each in found:
        at = each.speaker.throat + np.array([0.0, 0.0, observation.reference_z])
        inertia = 1j * each.k * air.impedance
        axis = _far(each, np.array([[0.0, 0.0, 1.0]]), at)[0]
        seen = (
            _far(each, direction, at) if observation.far_field else _near(each, at + observation.distance * direction)
        )
        moved = each.speaker.mesh.weight * each.speaker.moving * each.speaker.images
        mean = inertia * np.sum(moved * each.q) / moved.sum()
        pressure.append(inertia * seen.reshape(observation.plane.size, -1))
        on_axis.append(inertia * axis)
        power.append(_power(each, at, air))
        impedance.append(mean / air.impedance)
    return FieldSamples(np.array(pressure), np.array(on_axis), np.array(power), np.array(impedance))


def _far(found: SpeakerPressure, direction: FloatArray, reference: FloatArray) -> ComplexArray:
    """(D,) the limit of q r exp(j k r), r from the reference (3,). Source: Pierce (1981), section 4-6 (from memory)."""
    mesh, pieces = found.speaker.mesh, []
    rows = max(1, PAIRS // mesh.size)
    xp = arrays(3 * 16 * PAIRS)
    # What moves, and by x, y and z what the pressure does that a direction sees by its own share of each.
    sources = np.column_stack([found.speaker.moving, 1j * found.k * found.q[:, None] * mesh.normal])
    sources = xp.asarray(sources * (mesh.weight / (4 * np.pi))[:, None])
    for each in np.split(direction, range(rows, len(direction), rows)):
        total = np.zeros(len(each), dtype=np.complex128)
        for signs in found.body.images.signs:
            along = xp.asarray(found.k * (each @ (mesh.place * signs - reference).T))
            seen = here((xp.cos(along) + 1j * xp.sin(along)) @ sources)
            total += seen[:, 0] + np.sum(seen[:, 1:] * (each * signs), axis=1)
        pieces.append(total)
    return np.concatenate(pieces)


def _power(found: SpeakerPressure, reference: FloatArray, air: Air) -> float:
    """W, by the pressure all round: at low frequencies the throat's resistance is a small part of its impedance.

    Gauss's nodes in cos t and as many azimuths as the waves about the body need; of those that mirrors make alike one.
    """
    mirrors = found.speaker.mesh.mirrors
    reach = float(np.linalg.norm(found.speaker.mesh.place, axis=1).max())
    x, weight = np.polynomial.legendre.leggauss(around_degree(found.k * reach))
    alike = np.arange(2 * x.size)
    if 1 in mirrors:
        alike = np.minimum(alike, -alike % alike.size)
    if 0 in mirrors:
        alike = np.minimum(alike, (x.size - alike) % alike.size)
    kept, which = np.unique(alike, return_inverse=True)
    azimuth = np.pi * kept / x.size
    across = np.sqrt(1.0 - x * x)[:, None]
    direction = np.stack([across * np.cos(azimuth), across * np.sin(azimuth), x[:, None] + 0.0 * azimuth], axis=-1)
    square = np.abs(_far(found, direction.reshape(-1, 3), reference)).reshape(x.size, -1)[:, which] ** 2
    return float(np.pi / x.size * np.sum(weight @ square) * air.impedance * found.k**2)


def _near(found: SpeakerPressure, place: FloatArray) -> ComplexArray:
    """(D,) q at places (D, 3) in the air. ValueError for one in the body, where Gauss's integral is not 0."""
    mesh, nowhere, signs = found.speaker.mesh, np.full(len(place), -1), found.body.images.signs
    points = place * signs[:, None]
    if gauss(points, nowhere, mesh).min() < -0.5:
        raise ValueError("distance_m: a point observed lies inside the cabinet or body. Raise it, or leave it out")
    double, single = np.zeros((2, len(place), mesh.size), dtype=np.complex128)
    add_layers(found.k, points, nowhere, np.ones(len(signs), dtype=np.complex128), mesh, double, single)
    return np.asarray(double @ found.q + single @ found.speaker.moving)
