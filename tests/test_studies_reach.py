"""What is said before a search of the index that the limits let mouths reach, against what searches found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.metrics import directivity_index
from evenflare.objective import search_observation, winner_frequencies
from evenflare.radiation import solver
from evenflare.studies.reach import LATER, IndexReach, reach_words, tried
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Limits, ParameterSpace
from target_texts import GOOD

FREQUENCY = np.array([500.0, 1000.0, 2000.0, 4000.0])
REACH = IndexReach(FREQUENCY, np.array([[4.0, 6.0, 8.0, 9.0], [3.0, 4.0, 8.0, 10.0]]), nearest=1)
THIRD = 2.0 ** (1.0 / 3.0)


def test_reach_is_read_off_between_frequencies():
    assert REACH.earliest(7.0) == pytest.approx(1000 * 2**0.5)
    assert REACH.usual(6.0) == pytest.approx(LATER * 1000 * 2**0.5)
    assert REACH.earliest(9.5) == pytest.approx(2000 * 2**0.75)
    assert REACH.earliest(3.5) == 500.0
    assert REACH.earliest(10.5) == np.inf


def test_words_say_what_is_wanted_and_what_is_reached(target_of):
    target = target_of(GOOD)
    assert reach_words(target, REACH).startswith(
        "Mouths up to 260 mm, the largest that [limits] allow, give an index of 6.0 dB (wanted at 1 kHz) from between"
        " 1 kHz and 1.68 kHz on; 9.0 dB (wanted at 4 kHz) from between 2.83 kHz and 3.36 kHz on. By 2 shapes"
        " solved in this mounting"
    )  # what has no weight, 10 dB at 16 kHz, is not named
    assert "9.0 dB (wanted at 4 kHz) nowhere" in reach_words(target, replace(REACH, index=REACH.index - 3.0))
    assert reach_words(target, None) == (
        "Of the shapes tried with mouths up to 260 mm none keeps [limits] and can be solved"
    )


WINNERS = {
    (150, 90, 9.4): [0.002, 0.995, 0.097, 0.559, 0.671, 0.8, 0.997, 0.784, 0.925, 0.876, 0.97, 0.784],
    (220, 100, 9.4): [0.003, 0.813, 0.106, 0.582, 0.799, 0.99, 0.709, 0.741, 0.676, 0.88, 0.875, 0.714],
    (280, 120, 11.6): [0.98, 0.932, 0.978, 0.218, 0.985, 0.058, 0.167, 0.078, 0.063, 0.146, 0.141, 0.09],
}
"""Free curves that searches of 300 candidates in a baffle ended with: mouth and depth at most, mm, plateau, dB."""


@pytest.mark.parametrize("case", WINNERS, ids=str)
def test_searches_reach_it_within_a_third_of_an_octave(case, target_of, compiled):
    """A piston as large as the mouth would have 6 dB a quarter to half an octave before these winners."""
    mouth, depth, plateau = case
    target = _rising_to(target_of(GOOD), mouth, depth, plateau)
    solve = solver("screen")
    reach = tried(target, solve)
    assert reach is not None
    observation = replace(search_observation(target), frequency=winner_frequencies(target))
    space = ParameterSpace("free", target.limits, target.driver, target.mounting)
    found = directivity_index(solve(space.waveguide(np.array(WINNERS[case])), observation, target.air))
    winner = IndexReach(observation.frequency, found[None], nearest=0)
    for level in (5.0, 6.0, 7.0, 8.0):
        assert reach.earliest(level) / THIRD < winner.earliest(level) < reach.usual(level) * THIRD
        assert reach.earliest(level) < 1.1 * winner.earliest(level)  # the earliest is hardly later than any winner


def _rising_to(target: Target, mouth: float, depth: float, plateau: float) -> Target:
    """The target that a winner was sought for: from 5.8 dB, where the mouth as a piston has them, to a plateau."""
    begin = target.air.speed_of_sound * 2.05 / (np.pi * mouth * MILLIMETRE)
    frequency = begin * np.array([1.0, 1.6, 2.5, 5.0, 10.0])
    frequency = np.append(frequency[frequency < 15000.0], 16000.0)
    corners = np.log([begin, 1.6 * begin, 2.5 * begin, 16000.0])
    levels = [5.8, 0.5 * (5.2 + plateau), plateau - 0.6, plateau + 0.3]
    ends = {"depth": (0.6 * depth, depth), "mouth_diameter": (0.77 * mouth, mouth)}
    limits = {name: (low * MILLIMETRE, high * MILLIMETRE) for name, (low, high) in ends.items()}
    return replace(
        target,
        frequency=frequency,
        index_db=np.interp(np.log(frequency), corners, levels),
        tolerance_db=np.full(frequency.size, 0.5),
        weight=np.ones(frequency.size),
        beamwidth=None,
        limits=Limits(**limits, smallest_concave_radius=3.2 * MILLIMETRE),
        families=("conical", "oblate_spheroidal", "free"),
    )
