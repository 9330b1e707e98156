"""The comparison of two answers from which a solver tells its own error."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.directivity.types import Observation
from evenflare.radiation.own_error import (
    DB_PER_SHARE,
    IN_QUADRATURE,
    MARGIN,
    SMALLEST_ERROR,
    SMALLEST_SHARE,
    FieldSamples,
    between,
    own_error,
)
from evenflare.units import DEGREE, ComplexArray

OBSERVATION = Observation(np.array([1000.0]), np.array([0.0, 30.0, 60.0]) * DEGREE)
PATTERN = np.array([[[1.0, 0.5, 0.05]]], dtype=complex)


def heard(pattern: ComplexArray = PATTERN, impedance: complex = 1.0) -> FieldSamples:
    return FieldSamples(pattern, pattern[:, 0, 0], np.ones(1), np.array([impedance]))


def compared(found: FieldSamples, finer: FieldSamples, overlap: complex = 1.0) -> tuple[float, float, float]:
    error = own_error(found, finer, overlap=np.array([overlap]), observation=OBSERVATION)
    return float(error.index[0]), float(error.polar[0]), float(error.impedance[0])


def test_equal_answers_are_told_to_have_the_smallest_error() -> None:
    assert compared(heard(), heard()) == (SMALLEST_ERROR, SMALLEST_ERROR, SMALLEST_SHARE)


def test_a_difference_in_quadrature_counts_though_no_level_shows_it() -> None:
    found = PATTERN * np.array([1.0 + 0.01j, 1.0, 1.0])
    index, polar, _ = compared(heard(found), heard())
    assert index == pytest.approx(IN_QUADRATURE * MARGIN * DB_PER_SHARE * 0.01)
    assert polar == pytest.approx(MARGIN * DB_PER_SHARE * 0.01, rel=1e-3)  # to second order


def test_a_turn_in_phase_that_all_directions_share_does_not_count() -> None:
    turn = np.exp(0.3j)
    index, polar, _ = compared(heard(PATTERN * turn), heard(), overlap=np.conj(turn))
    assert (index, polar) == (SMALLEST_ERROR, SMALLEST_ERROR)


def test_a_change_of_power_is_a_change_of_the_index() -> None:
    louder = FieldSamples(PATTERN, PATTERN[:, 0, 0], 1.02 * np.ones(1), np.ones(1, dtype=complex))
    index, polar, _ = compared(heard(), louder)
    assert index == pytest.approx(MARGIN * DB_PER_SHARE * (np.sqrt(1.02) - 1.0))
    assert polar == SMALLEST_ERROR


def test_the_polar_error_is_re_on_axis_and_leaves_out_what_is_20_db_below() -> None:
    at_30, at_60 = PATTERN * np.array([1.0, 1.02, 1.0]), PATTERN * np.array([1.0, 1.0, 2.0])
    assert compared(heard(at_30), heard())[1] == pytest.approx(MARGIN * DB_PER_SHARE * 0.02)
    assert compared(heard(at_60), heard())[1] == SMALLEST_ERROR  # 26 dB below the axis
    on_axis = PATTERN * np.array([1.02, 1.0, 1.0])
    assert compared(heard(on_axis), heard())[1] == pytest.approx(MARGIN * DB_PER_SHARE * (1.0 - 1.0 / 1.02))


def test_the_impedances_error_is_a_share_of_its_magnitude() -> None:
    assert compared(heard(impedance=1.0 + 0.5j), heard(impedance=1.02 + 0.5j))[2] == pytest.approx(
        MARGIN * 0.02 / abs(1.02 + 0.5j)
    )


def test_without_the_axis_directions_are_compared_re_the_loudest() -> None:
    aside = Observation(np.array([1000.0]), np.array([30.0, 60.0]) * DEGREE)
    found = FieldSamples(
        np.array([[[0.5, 0.3]]], dtype=complex), np.ones(1, dtype=complex), np.ones(1), np.ones(1, dtype=complex)
    )
    finer = FieldSamples(np.array([[[0.5, 0.306]]], dtype=complex), found.on_axis, found.power, found.impedance)
    error = own_error(found, finer, overlap=np.ones(1, dtype=complex), observation=aside)
    assert error.polar[0] == pytest.approx(MARGIN * DB_PER_SHARE * 0.006 / 0.306)
    assert error.index[0] == SMALLEST_ERROR


def test_between_frequencies_solved_again_the_errors_logarithm_is_straight() -> None:
    few = Observation(np.array([500.0, 1000.0]), OBSERVATION.off_axis)
    both = np.concatenate([PATTERN * np.array([1.0, 1.001, 1.0]), PATTERN * np.array([1.0, 1.1, 1.0])])
    two = FieldSamples(both, both[:, 0, 0], np.ones(2), np.ones(2, dtype=complex))
    exact = FieldSamples(
        np.repeat(PATTERN, 2, axis=0), np.ones(2, dtype=complex), np.ones(2), np.ones(2, dtype=complex)
    )
    error = own_error(two, exact, overlap=np.ones(2, dtype=complex), observation=few)
    spread = between(error, np.array([1, 3]), 4)
    low = MARGIN * DB_PER_SHARE * 0.001
    np.testing.assert_allclose(spread.polar, [low, low, 10.0 * low, 100.0 * low])
