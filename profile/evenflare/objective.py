"""How far a directivity is from a target: one number in dB, its terms by name, and the limits apart."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from evenflare.bands import smoothed
from evenflare.closed_forms import uniform_cone_index
from evenflare.design.tables import FREQUENCIES as DESIGN_FREQUENCIES
from evenflare.directivity.between import SAME_FREQUENCY, with_frequencies
from evenflare.directivity.types import Directivity, Observation, Symmetry, at_frequencies, for_symmetry
from evenflare.metrics import beamwidth, directivity_index, sphere_mean_square, standard_curves
from evenflare.radiation.angles import COARSEST, step_for, with_angles
from evenflare.room.evenness import evenness_db
from evenflare.room.paths import HIGHEST, SLACK, counted_bands
from evenflare.target.target import Target, wanted_beamwidth, wanted_index
from evenflare.units import DEGREE, BoolArray, FloatArray, power_db
from evenflare.waveguide import Waveguide, limit_excess
from evenflare.words import spoken

BEAMWIDTH_WEIGHT = 0.5
"""Of a squared deviation of a beamwidth against one of the index, which mostly follows from it; in each plane of an
oblong waveguide, whose index says nothing of how the two share in it."""

TOLERATED = {"smoothness_frequency_db": 1.0, "smoothness_angle_db": 2.0, "throat_reflection_db": 1.5}
"""dB up to which a secondary term does not count: what sound shapes have. So the target itself scores 0."""
SECONDARY_WEIGHT = 0.05
"""dB of score per dB of a secondary term beyond what is tolerated: enough to choose between near equals."""

HOW_TERMS_COUNT = (
    "Counted: each term's part of the score, by its square; the parts add up to the score. Index and beamwidth count as"
    f" rms, each beamwidth at weight {BEAMWIDTH_WEIGHT:g}, constancy and room at the target's weights; of the others"
    f" {SECONDARY_WEIGHT:g} dB for each dB beyond "
    + ", ".join(f"{level:g} dB ({spoken(name.removesuffix('_db'))})" for name, level in TOLERATED.items())
    + "."
)
"""For whoever reads terms and `contributions` side by side."""


FREQUENCIES = 32
MOST_FREQUENCIES = 48
SKIPPED_WITHIN = 2.0 ** (1.0 / 24.0)
"""Ratio to a scored frequency within which one of a target's own may be left out, where they are more than 48."""
PHASE = 1.0
"""rad between neighbouring angles of a candidate, see `radiation.angles.PHASE`: of random patterns a beamwidth was 0.07
degrees off in 95 %."""
LOWEST_INDEX = -40.0
"""dB; an exact null on axis has no index."""
LEAST_VALID = 0.75
"""Of the wanted band, on a logarithmic axis, that must be valid for a score."""
FRONT = 60 * DEGREE
"""Off-axis angle within which smoothness over frequency is judged."""
FLOOR = -12.0
"""dB re the loudest angle of a frequency, below which the shape of the pattern is not judged."""
SAME_BAND = 2.0 ** (1.0 / 12.0)
"""Ratio of two frequencies below which one says nothing that the other does not, for a room."""
RIPPLE_SPAN = 2.0 ** (1.0 / 3.0)
"""Ratio of the frequencies to either side against which ripple is read."""


@dataclass(frozen=True)
class Score:
    """How good a waveguide is for a target.

    value       : dB, weighted rms deviation; lower is better, 0 is the target itself.
    terms       : dB by name, as found: index_db and beamwidth_db are rms deviations, the others see `score`.
    constraints : by name and in its unit, at or below 0 where the limit is kept. They are no part of the value.
    constancy_weight : of the constancy terms in the value, as the target asks;
    room_weight : of the room's.
    deviations  : dB, numbers whose root of the sum of squares is the value, as many and in the same order for every
                  waveguide of a target: what a search by least squares goes by.
    """

    value: float
    terms: Mapping[str, float]
    constraints: Mapping[str, float]
    constancy_weight: float = 0.0
    room_weight: float = 0.0
    deviations: tuple[float, ...] = field(default=(), repr=False, compare=False)

    @property
    def feasible(self) -> bool:
        """Whether every limit is kept."""
        return all(excess <= 0.0 for excess in self.constraints.values())


def search_observation(target: Target) -> Observation:
    """Where every candidate for a target is observed: far field, from the throat plane's centre.

    Angles are 5 degrees apart; in front closer where the largest mouth that the limits allow has a narrower pattern.
    Frequencies are the target's `own_frequencies`, so that what is asked for is what counts, its first and last
    included; between them, where they are few, as many as make about 32 on a logarithmic axis.
    For rooms, thirds of an octave down to where the waveguide plays and up to 16 kHz as well; no other term looks at
    them.
    Of an oblong waveguide the planes at 0, 45 and 90 degrees are observed; in a cabinet both sides of each plane.
    """
    own = own_frequencies(target)
    step = np.log(own[-1] / own[0]) / (FREQUENCIES - 1)
    pieces: list[list[float]] = []
    for low, high in itertools.pairwise(own.tolist()):
        parts = round(np.log(high / low) / step)
        pieces.append([low, *np.geomspace(low, high, parts, endpoint=False)[1:]] if parts > 1 else [low])
    frequency = np.concatenate([*pieces, own[-1:]])
    if target.rooms:
        thirds = counted_bands()
        thirds = thirds[thirds > target.plays_from / SLACK]
        below, above = thirds < frequency[0] / SAME_BAND, thirds > frequency[-1] * SAME_BAND
        frequency = np.concatenate([thirds[below], frequency, thirds[above]])
    off_axis = _off_axis(target, float(frequency[-1]))
    planes = np.array([0.0, 0.25, 0.5]) * np.pi if target.oblong else np.zeros(1)
    symmetry: Symmetry = "two_planes" if target.oblong else "round"
    if target.mounting.cabinet is not None:
        symmetry = target.mounting.cabinet.symmetry
    return for_symmetry(Observation(frequency, off_axis, planes), symmetry)


def own_frequencies(target: Target) -> FloatArray:
    """Hz, rising: those at which a target says what is wanted, and where its crossover begins.

    All of them up to 48; of more, so many that each of the others is within a 24th of an octave of one. The first and
    the last are always there.
    """
    own = target.frequency
    if target.crossover is not None and own[0] < target.crossover.frequency < own[-1]:
        own = np.union1d(own, target.crossover.frequency)
    if own.size <= MOST_FREQUENCIES:
        return own
    kept, last = [0], own.size - 1
    while kept[-1] < last:
        first_beyond = int(np.searchsorted(own, own[kept[-1]] * SKIPPED_WITHIN, side="right"))
        # The farthest that has everything between it and the one before within reach of either.
        reach = int(np.searchsorted(own, own[min(first_beyond, last)] * SKIPPED_WITHIN, side="right")) - 1
        kept.append(min(max(reach, first_beyond), last))
    return np.asarray(own[kept])


def winner_frequencies(target: Target, usual: FloatArray = DESIGN_FREQUENCIES) -> FloatArray:
    """Hz, rising, at which a winner is looked at in a cabinet: those of the search, which need not be solved again,
    and beyond them those that are `usual`; for a room as search_observation.
    """
    searched = search_observation(target).frequency
    below, above = usual < searched[0] / SAME_BAND, usual > searched[-1] * SAME_BAND
    return np.concatenate([usual[below], searched, usual[above]])


def _off_axis(target: Target, highest: float) -> FloatArray:
    """Angles (A,), rad, up to straight behind; `highest` in Hz."""
    largest = max(high for _, high in target.limits.mouth)
    wavenumber = 2.0 * np.pi * highest / target.air.speed_of_sound
    step = step_for(0.5 * largest, wavenumber, phase=PHASE)
    coarse = np.linspace(0.0, np.pi, round(np.pi / COARSEST) + 1)
    return with_angles(coarse, step * np.arange(round(0.5 * np.pi / step) + 1))


def score(
    directivity: Directivity, waveguide: Waveguide, target: Target, *, excess: Mapping[str, float] | None = None
) -> Score:
    """The score of a waveguide that radiates so. All inside the wanted band, where valid.

    excess : by how much it breaks each limit, see `limit_excess`, where that is known.

    index_db      : rms of the wanted kind of index less the wanted one. A frequency weighs as its part of the band
                    on a logarithmic axis, over the squared tolerance, times the target's own weight; for the index
                    over the sphere, which the axis alone decides, also as `axis_weight`.
    beamwidth_db  : if wanted, rms difference in dB between the indices of even beams as wide as found and as wanted;
                    a beam that never falls 6 dB is as wide as the space. Of an oblong mouth or in a cabinet by plane:
                    beamwidth_horizontal_db, beamwidth_vertical_db.
    constancy_db  : if the target gives it a weight: how unevenly the beamwidth keeps its distance to the wanted one,
                    the standard deviation of the same difference, so that a constant one costs nothing here. Where
                    none is wanted, of the index of an even beam as wide as found about its own mean, from the frequency
                    on at which the beam first is narrower than the half space. By plane as well.
    smoothness_frequency_db : rms, over frequency and angles to 60 degrees, of the level re the mean over the sphere
                    less the mean of its levels a third of an octave below and above.
    smoothness_angle_db     : rms over frequency of the greatest rise of the level on the way from the axis to 90
                    degrees. Both smoothness terms take levels 12 dB and more under the loudest angle as that.
    throat_reflection_db    : power that the throat reflects, as loss of the mean over the band; if the impedance is
                    known.
    room_db       : if the target names rooms, the mean over them of `room.evenness.evenness_db`, from where the
                    waveguide plays up to 16 kHz, also outside the wanted band.
    The value is the rms of the index, each beamwidth at half weight, each constancy and the room at the target's, and,
    added as squares, a twentieth of what each of the others has beyond what is tolerated: 1, 2 and 1.5 dB.

    ValueError if less than three quarters of the wanted band is valid, a pressure is not a number, a plane is not
    observed, or the waveguide is oblong and the target for round ones.
    Source: own choice; the squared tolerance is that of weighted least squares.
    """
    if not (target.oblong or waveguide.is_round):
        raise ValueError(
            "the target's [limits] mouth_diameter_mm is for round waveguides: must be mouth_width_mm and"
            " mouth_height_mm to judge an oblong one. Score it against a target for oblong mouths"
        )
    seen, kept = _counted(directivity, target)
    wanted, tolerance, weight = wanted_index(target, seen.observation.frequency)
    if not np.all(np.isfinite(seen.pressure)):
        raise ValueError("the pressure is not a number everywhere")
    width = _log_width(seen.observation.frequency)
    axis = axis_weight(seen)
    weight = weight * width / tolerance**2
    on_sphere = target.index_kind == "sphere"
    index = directivity_index(seen) if on_sphere else standard_curves(seen).sound_power_index
    deviation = np.maximum(index, LOWEST_INDEX) - wanted
    by_frequency = {"index_db": _weighted(deviation, weight * axis if on_sphere else weight)}
    by_frequency |= _beam_terms(seen, target, weight * axis)
    terms = {name: float(np.linalg.norm(parts)) for name, parts in by_frequency.items()}
    if target.rooms:
        plays = (target.plays_from, HIGHEST)
        terms["room_db"] = float(evenness_db(target.rooms, directivity, plays=plays).mean())
    terms |= _secondary_terms(seen, width)
    broken = limit_excess(waveguide, target.limits) if excess is None else excess
    found = of_terms(Score(0.0, terms, broken, target.constancy_weight, target.room_weight))
    squares = _squares(found)
    parts = []
    for name, square in squares.items():
        whole = np.full(kept.size if name in by_frequency else 1, np.sqrt(square))
        if name in by_frequency:
            whole[:] = 0.0
            whole[kept] = by_frequency[name] * np.sqrt(square) / max(terms[name], 1e-300)
        parts.append(whole)
    return replace(found, deviations=tuple(np.concatenate(parts).tolist()))


def of_terms(found: Score) -> Score:
    """The same with the value that its terms have."""
    return replace(found, value=float(np.sqrt(sum(_squares(found).values()))))


def contributions(found: Score) -> dict[str, float]:
    """Each term's part of a score, dB by name: its share of the squares that make up the value. They add up to it."""
    squares = _squares(found)
    return {name: square / found.value if found.value > 0.0 else 0.0 for name, square in squares.items()}


def _squares(found: Score) -> dict[str, float]:
    """What each term adds to the squared score, dB^2 by name."""
    terms = found.terms
    by_kind = {
        "index": 1.0,
        "beamwidth": BEAMWIDTH_WEIGHT,
        "constancy": found.constancy_weight,
        "room": found.room_weight,
    }
    weights = {name: by_kind[kind] for name in terms if (kind := name.split("_")[0]) in by_kind}
    total = sum(weights.values())
    return {
        name: weights[name] * value**2 / total
        if name in weights
        else (SECONDARY_WEIGHT * max(0.0, value - TOLERATED[name])) ** 2
        for name, value in terms.items()
    }


def _beam_terms(directivity: Directivity, target: Target, weight: FloatArray) -> dict[str, FloatArray]:
    """Beamwidth and, where it has a weight, constancy by plane, `_weighted` dB (F,) by name; see `score`."""
    space = np.pi if directivity.half_space else 2 * np.pi
    beams, constancies = {}, {}
    for plane, azimuth in target.planes.items():
        wanted = wanted_beamwidth(target, directivity.observation.frequency, plane=azimuth)
        if wanted is None and not target.constancy_weight > 0.0:
            continue
        found = beamwidth(directivity, plane=azimuth)
        found = np.where(np.isnan(found), space, found)
        deviation, counted = uniform_cone_index(found), weight
        if wanted is not None:
            deviation = deviation - uniform_cone_index(np.minimum(wanted, space))
            beams[f"beamwidth{plane}_db"] = _weighted(deviation, weight)
        else:
            counted = weight * np.maximum.accumulate(found < np.pi)
        if target.constancy_weight > 0.0:
            constancies[f"constancy{plane}_db"] = _about_its_mean(deviation, counted)
    return beams | constancies


def axis_weight(directivity: Directivity) -> FloatArray:
    """Weight (F,), 0 to 1, of what is read re the on-axis level: small in a dip of it that is narrow.

    The on-axis squared pressure re the loudest angle's, over the mean of that over the octave around, squared, at
    most 1. In a narrow dip the index follows the axis down and moves by dB with a tenth of a per cent of size; a dip
    as wide as an octave is the waveguide's own and counts in full. Source: own choice.
    """
    square = np.abs(directivity.pressure) ** 2
    share = np.abs(directivity.on_axis) ** 2 / np.maximum(square.max(axis=(1, 2)), 1e-300)
    around = smoothed(directivity.observation.frequency, share, fraction=1)
    return np.asarray(np.minimum(1.0, share / np.maximum(around, 1e-300)) ** 2)


def wanted_part(directivity: Directivity, target: Target) -> Directivity:
    """What of a directivity is held against a target: inside the wanted band, where valid.

    A frequency of the target's own that was not observed, as of a measurement, is read off its neighbours where
    `with_frequencies` can.
    ValueError if less than three quarters of the band is observed and valid.
    """
    return _counted(directivity, target)[0]


def _counted(directivity: Directivity, target: Target) -> tuple[Directivity, BoolArray]:
    """See wanted_part; and which (F,) of the frequencies in the band that is."""
    # Every candidate is judged by the directions of the search, whatever else a solver knows.
    seen = with_frequencies(replace(directivity, resolved=None), own_frequencies(target))
    frequency = seen.observation.frequency
    low, high = target.frequency[0] * (1 - 1e-9), target.frequency[-1] * (1 + 1e-9)
    inside = (frequency >= low) & (frequency <= high)
    keep = inside & seen.valid
    bounds = np.concatenate([frequency[:1], np.sqrt(frequency[1:] * frequency[:-1]), frequency[-1:]])
    width = np.diff(np.log(np.clip(bounds, low, high)))
    if not keep.any() or width[keep].sum() < LEAST_VALID * np.log(high / low):
        raise ValueError(
            f"less than {LEAST_VALID:.0%} of the wanted band, {low:.4g} to {high:.4g} Hz, is observed and valid:"
            " the directivity cannot be scored"
        )
    return (seen if keep.all() else at_frequencies(seen, keep)), keep[inside]


def not_counted(directivity: Directivity, target: Target) -> FloatArray:
    """Hz: those of the target's own frequencies with a weight that a score of this directivity leaves out.

    They were not observed, or are not valid.
    """
    own, counted = own_frequencies(target), wanted_part(directivity, target).observation.frequency
    nearest = np.abs(np.log(own[:, None] / counted)).min(axis=1)
    return np.asarray(own[(nearest > SAME_FREQUENCY) & (wanted_index(target, own)[2] > 0.0)])


def _secondary_terms(directivity: Directivity, width: FloatArray) -> dict[str, float]:
    """Smoothness and throat reflection, dB by name; see `score`."""
    square = np.abs(directivity.pressure) ** 2
    loudest = np.maximum(square.max(axis=(1, 2), keepdims=True), 1e-300)
    level = np.maximum(power_db(square / loudest), FLOOR)
    angle = np.abs(directivity.observation.off_axis)
    gain = level + power_db(loudest / np.maximum(sphere_mean_square(directivity), 1e-300)[:, None, None])
    ripple, inner = _ripple(directivity.observation.frequency, gain[:, :, angle <= FRONT + 1e-9])
    terms = {"smoothness_frequency_db": _rms(ripple, width[inner, None, None]) if inner.any() else 0.0}
    rise = np.zeros(level.shape[0])
    for side in (1.0, -1.0):
        outward = np.flatnonzero((side * directivity.observation.off_axis > -1e-9) & (angle <= 0.5 * np.pi + 1e-9))
        path = level[:, :, outward[np.argsort(angle[outward])]]
        if path.shape[2] > 1:
            rise = np.maximum(rise, (path - np.minimum.accumulate(path, axis=2)).max(axis=(1, 2)))
    terms["smoothness_angle_db"] = _rms(rise, width)
    if directivity.throat_impedance is not None:
        z = directivity.throat_impedance
        passed = np.maximum(4.0 * z.real / np.abs(z + 1.0) ** 2, 0.0)  # 1 - |R|^2, R = (z - 1) / (z + 1)
        terms["throat_reflection_db"] = float(-power_db(max(1e-6, np.sum(passed * width) / width.sum())))
    return terms


def _ripple(frequency: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Levels (F, ...) less the mean of those a third of an octave to either side, and which frequencies have both.

    A level that is straight over log frequency has none.
    """
    x, span = np.log(frequency), np.log(RIPPLE_SPAN)
    inner = (x - span >= x[0] - 1e-9) & (x + span <= x[-1] + 1e-9)

    def level_shifted_by(shift: float) -> FloatArray:
        return np.array([np.interp(x[inner] + shift, x, row) for row in level.reshape(x.size, -1).T]).T

    sides = 0.5 * (level_shifted_by(-span) + level_shifted_by(span))
    return level[inner] - sides.reshape(level[inner].shape), inner


def _log_width(frequency: FloatArray) -> FloatArray:
    """The part (F,) of the band that each frequency stands for, on a logarithmic axis (trapezoidal rule)."""
    if frequency.size == 1:
        return np.ones(1)
    step = np.diff(np.log(frequency))
    return np.asarray(0.5 * (np.append(step, 0.0) + np.insert(step, 0, 0.0)))


def _weighted(deviation: FloatArray, weight: FloatArray) -> FloatArray:
    """Deviations, shaped as they are, times the roots of their weights' shares: the squares' sum is their mean."""
    weight = np.broadcast_to(weight, deviation.shape)
    if not np.sum(weight) > 0.0:
        raise ValueError("no frequency in the wanted band has a weight above 0: the directivity cannot be scored")
    return np.asarray(deviation * np.sqrt(weight / np.sum(weight)))


def _rms(deviation: FloatArray, weight: FloatArray) -> float:
    return float(np.linalg.norm(_weighted(deviation, weight)))


def _about_its_mean(values: FloatArray, weight: FloatArray) -> FloatArray:
    """`_weighted` values less their mean, whose mean square is the variance; 0 where nothing has a weight."""
    if not np.sum(weight) > 0.0:
        return np.zeros_like(values)
    return _weighted(values - np.sum(weight * values) / np.sum(weight), weight)
