"""Whether a target contradicts itself: its index against its beamwidth, and against a beam that is to stay as wide."""

from __future__ import annotations

import numpy as np

from evenflare.closed_forms import uniform_cone_index
from evenflare.directivity.types import Directivity, Observation
from evenflare.files import InputError
from evenflare.metrics import BEAM_DROP, PLANES, directivity_index, standard_curves
from evenflare.target.target import Target, wanted_beamwidth, wanted_index
from evenflare.units import DEGREE, BoolArray, FloatArray

STEEPNESS = (1.5, 2.0, 3.0, 5.0, 10.0)
"""Exponents s of a beam's fall with the angle t off the axis, -6 dB (t / edge)^s: from pointed to almost even up to its
edge. A piston's main lobe lies close to 2. Own choice."""
FLOORS = (-60.0, -15.0)
"""dB re on axis that stays of such a beam all round, of what is reflected and diffracted. Own choice."""
ALLOWANCE = 1.0
"""dB beyond the indices of all those beams, for real ones. Own choice: see method.md for how many real beams lie inside
with it."""
MOST_ABOVE_EVEN = -BEAM_DROP
"""dB by which no beam's index over the sphere is above that of one that is even in a cone of its width: up to the first
-6 dB, which the width is, the level is nowhere lower."""
REFUSED_BEYOND = 3.0
"""dB above that bound from which a target is refused; below it warns."""
ANGLES: FloatArray = np.arange(181.0) * DEGREE
BEHIND: BoolArray = np.greater(ANGLES, 0.5 * np.pi + 1e-9)
AZIMUTHS: FloatArray = np.array([0.0, 0.25, 0.5]) * np.pi
MOST_TOLD = 4
"""Frequencies that a warning names."""
WIDTHS: FloatArray = np.geomspace(5.0, 360.0, 120) * DEGREE
"""Among which the beam of an index is sought, and those that a half space does not narrow."""
WHOLE_HALF_SPACE: BoolArray = np.greater_equal(WIDTHS, np.pi)


def index_range(horizontal: FloatArray, vertical: FloatArray, target: Target) -> tuple[FloatArray, FloatArray]:
    """Least and greatest index (K,) dB, of the target's kind, that beams of those full angles (K,) rad have.

    Of beams that fall from the axis as STEEPNESS and FLOORS say, elliptical between the planes, with ALLOWANCE to both
    sides. One as wide as the space, or wider, may also be even in all of it.
    """
    half_space = target.mounting.kind == "baffle"
    space = np.pi if half_space else 2.0 * np.pi
    edges = [0.5 * np.minimum(width, space) for width in (horizontal, vertical)]
    never = np.minimum(horizontal, vertical) >= space * (1.0 - 1e-9)
    low, high = np.full(never.shape, np.inf), np.full(never.shape, -np.inf)
    # An ellipse of angles: round where both are alike.
    reach = 1.0 / np.sqrt((np.cos(AZIMUTHS) / edges[0][:, None]) ** 2 + (np.sin(AZIMUTHS) / edges[1][:, None]) ** 2)
    turned = ANGLES / reach[:, :, None]
    for steepness in STEEPNESS:
        for floor in FLOORS:
            index = _index(10.0 ** (0.05 * np.maximum(BEAM_DROP * turned**steepness, floor)), target, half_space)
            low, high = np.minimum(low, index), np.maximum(high, index)
    even = _index(np.ones((1, AZIMUTHS.size, ANGLES.size)), target, half_space)
    low[never] = np.minimum(low[never], even)
    return low - ALLOWANCE, high + ALLOWANCE


def _index(pressure: FloatArray, target: Target, half_space: bool) -> FloatArray:
    """Index (K,) dB of the target's kind of patterns (K, P, A)."""
    pattern = pressure.astype(np.complex128)
    pattern[:, :, BEHIND & half_space] = 0.0
    seen = Observation(np.arange(1.0, len(pattern) + 1), ANGLES, AZIMUTHS, symmetry="two_planes")
    beam = Directivity(seen, pattern, np.ones(len(pattern), dtype=bool), 1.0, 1.0, half_space=half_space)
    return directivity_index(beam) if target.index_kind == "sphere" else standard_curves(beam).sound_power_index


def contradictions(target: Target) -> list[str]:
    """What of a target cannot be met together, a warning each; empty where nothing is known against it.

    Index against beamwidth at every frequency of the target, within `index_range` and the tolerance; index against
    `constancy_weight` where no beamwidth is wanted. Where one plane alone has a beamwidth the other may be anything.
    Errors: InputError where the index lies more than 3 dB above what any round beam of that width can have.
    """
    found = [_index_and_beamwidth(target), _index_and_constancy(target)]
    return [each for each in found if each]


def _beams(target: Target) -> tuple[FloatArray, FloatArray] | None:
    """Wanted full angles (K,) rad in both planes at the target's frequencies; None where one is not known."""
    horizontal, vertical = (wanted_beamwidth(target, target.frequency, plane=azimuth) for azimuth in PLANES.values())
    return None if horizontal is None or vertical is None else (horizontal, vertical)


def _index_and_beamwidth(target: Target) -> str:
    beams = _beams(target)
    if beams is None:
        return ""
    horizontal, vertical = beams
    wanted, tolerance, weight = wanted_index(target, target.frequency)
    low, high = index_range(horizontal, vertical, target)
    over = np.where(weight > 0.0, np.maximum(wanted - tolerance - high, low - wanted - tolerance), -np.inf)
    apart = np.flatnonzero(over > 0.0)
    if not apart.size:
        return ""
    worst = apart[np.argsort(-over[apart], kind="stable")][:MOST_TOLD]
    told = "; ".join(
        f"{wanted[i]:.1f} dB with {_degrees(target, i)} degrees at {target.frequency[i]:g} Hz, where a beam as wide has"
        f" {low[i]:.1f} to {high[i]:.1f} dB"
        + (f" ({_even(horizontal[i], vertical[i]):.1f} if even inside it and silent outside)" if i == worst[0] else "")
        for i in sorted(worst)
    )
    more = f"; and {apart.size - worst.size} more" if apart.size > worst.size else ""
    first = int(worst[0])
    count = f"at {apart.size} of {target.frequency.size} frequencies"
    text = (
        f"{target.source} [wanted] index_db and {_keys(target)} contradict each other {count}: {told}{more}. An index"
        f" of {wanted[first]:.1f} dB goes with a beam {_widths(target, float(wanted[first]))}"
    )
    bound = uniform_cone_index(np.minimum(horizontal, vertical)) + MOST_ABOVE_EVEN
    beyond = np.where(weight > 0.0, wanted - tolerance - bound, -np.inf)
    impossible = int(beyond.argmax())
    if beyond[impossible] > REFUSED_BEYOND and not target.oblong and target.index_kind == "sphere":
        raise InputError(
            f"{text}. At {target.frequency[impossible]:g} Hz no beam whatever of that width has more than"
            f" {bound[impossible]:.1f} dB: index_db less tolerance_db must be at most {REFUSED_BEYOND:g} dB above it."
            f" Change index_db or {_keys(target)}"
        )
    return (
        f"{text}. No shape meets both, and a search settles between them: change index_db or {_keys(target)}, or raise"
        " tolerance_db where you care less (what a beam may have: own choice, wide)"
    )


def _index_and_constancy(target: Target) -> str:
    """The index against a beam as wide at all frequencies from where it is narrower than the half space."""
    if not target.constancy_weight > 0.0 or _beams(target) is not None:
        return ""
    wanted, tolerance, weight = wanted_index(target, target.frequency)
    low, high = index_range(WIDTHS, WIDTHS, target)
    fits = (low <= (wanted + tolerance)[:, None]) & (high >= (wanted - tolerance)[:, None]) & (weight > 0.0)[:, None]
    narrow = np.flatnonzero(fits.any(axis=1) & ~(fits & WHOLE_HALF_SPACE).any(axis=1))
    if not narrow.size or fits[narrow].all(axis=0).any():
        return ""
    least = [float(WIDTHS[fits[i]].min()) for i in narrow]
    most = [float(WIDTHS[fits[i]].max()) for i in narrow]
    wide, slim = int(np.argmax(least)), int(np.argmin(most))
    said = " and ".join(
        f"{wanted[i]:.1f} dB at {target.frequency[i]:g} Hz with a beam {_widths(target, float(wanted[i]))}"
        for i in narrow[[wide, slim]]
    )
    return (
        f"{target.source} [wanted] constancy_weight = {target.constancy_weight:g} and index_db contradict each other:"
        f" the first asks for a beam as wide at all frequencies, but {said} go together. No shape meets both: level"
        " index_db, lower constancy_weight, or give the beamwidths from which the distance is to be even"
    )


def _keys(target: Target) -> str:
    return "beamwidth_deg" if target.beamwidth is not None else "beamwidth_horizontal_deg, beamwidth_vertical_deg"


def _degrees(target: Target, place: int) -> str:
    angles = (
        [target.beamwidth] if target.beamwidth is not None else [target.beamwidth_horizontal, target.beamwidth_vertical]
    )
    return " x ".join(f"{each[place] / DEGREE:g}" for each in angles if each is not None)


def _even(horizontal: float, vertical: float) -> float:
    """dB, index of a beam even inside its width and silent outside; of an oblong one that between its planes."""
    reach = 1.0 / np.hypot(np.cos(AZIMUTHS) / horizontal, np.sin(AZIMUTHS) / vertical)
    share = np.average(10.0 ** (-0.1 * uniform_cone_index(reach)), weights=[1.0, 2.0, 1.0])
    return float(-10.0 * np.log10(share))


def _widths(target: Target, index: float) -> str:
    """How wide round beams of an index (dB) are, in words."""
    low, high = index_range(WIDTHS, WIDTHS, target)
    fits = WIDTHS[(low <= index) & (index <= high)] / DEGREE
    if not fits.size:
        return f"narrower than {WIDTHS[0] / DEGREE:.0f} degrees" if index > high[0] else "wider than the space"
    return f"{fits[0]:.0f} to {fits[-1]:.0f} degrees wide"
