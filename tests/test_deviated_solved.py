"""What bumps do to the index: the march against boundary elements, and how far it goes as their height."""

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import Fineness, body_solver, judge_solver
from evenflare.radiation.march import march_solver
from evenflare.units import FloatArray
from evenflare.waveguide import Conical, OblateSpheroidal, Oblong, Shape, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.moved import round_wall

SEEN = Observation(frequency=np.array([2000.0, 5000.0, 9000.0, 11300.0, 14250.0, 16000.0]), off_axis=np.array([0.0]))
SHAPES = {"rolled cone": Conical(0.09, np.radians(40), 0.02), "spheroid": OblateSpheroidal(0.08, np.radians(45))}
PLACES = {"near the throat": 0.1, "half-way": 0.4, "near the mouth": 0.75}
FINE = Fineness(checked=False).refined().refined()


def _marched(waveguide: Waveguide, seen: Observation = SEEN) -> FloatArray:
    found = march_solver("full")(waveguide, seen, Air()).far_field_index
    assert found is not None
    return found


def _by_elements(waveguide: Waveguide) -> FloatArray:
    found = body_solver(FINE)(boundary_of(waveguide), SEEN, Air()).far_field_index
    assert found is not None
    return found


def _bump(drawn: Waveguide, place: float, height: float) -> Waveguide:
    """10 mm wide, at a share of the arc."""
    assert not isinstance(drawn.shape, Oblong)
    half = 5e-3 / round_wall(drawn.shape, drawn.driver.exit_radius).drawn.length
    shares = (0.0, place - half, place, place + half, 1.0)
    return deviated(drawn, WallDeviation(shares=shares, waves=((0.0,), (0.0,), (height,), (0.0,), (0.0,))))


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
def test_slopes_of_the_index_over_a_bumps_height_agree(shape: Shape, place: float) -> None:
    drawn, height = Waveguide(shape), 2e-4

    def slope(by_march: bool, over: float) -> FloatArray:
        solve = _marched if by_march else _by_elements
        return (solve(_bump(drawn, place, over)) - solve(_bump(drawn, place, -over))) / (2e3 * over)

    found, expected = slope(True, height), slope(False, height)
    # dB per mm, of up to 8: errors of 0.005 dB of either method's two solves over 0.4 mm, doubled.
    assert found == pytest.approx(expected, abs=0.05)
    assert np.abs(expected).max() > 1.0
    # Differences about the drawn wall leave the cube of the height: at most 4 % of the slope from 0.1 mm to 0.3.
    assert slope(True, 1e-4) == pytest.approx(slope(True, 3e-4), rel=0.04, abs=0.05)


def test_waves_are_solved_as_closely_as_the_drawn_wall() -> None:
    rng = np.random.default_rng(7)
    waves = tuple((float(each),) for each in rng.normal(size=25) * 1e-4)
    made = deviated(
        Waveguide(SHAPES["rolled cone"]), WallDeviation(shares=tuple(np.linspace(0.0, 1.0, 25)), waves=waves)
    )
    expected = _by_elements(made)
    for solve in (march_solver("full"), judge_solver("full")):
        found = solve(made, SEEN, Air())
        assert found.far_field_index is not None
        assert found.error_estimate is not None
        # 0.03 dB: what both leave of the drawn wall in its dip at 11 kHz; 0.4 and 0.7 before either saw the waves.
        assert np.abs(found.far_field_index - expected).max() < 0.03
        assert found.error_estimate.max() < 0.1


KINDS = {
    "offset": WallDeviation(offset=2e-4),
    "step": WallDeviation(throat_step=-2e-4),
    "scale": WallDeviation(scale=5e-3),
    "waves": WallDeviation(shares=(0.0, 0.3, 0.6, 0.8, 1.0), waves=((1e-4,), (-1e-4,), (1e-4,), (0.0,), (2e-4,))),
}


@pytest.mark.parametrize("deviation", KINDS.values(), ids=KINDS)
def test_round_wall_given_as_oblong_sounds_as_the_round_one(deviation: WallDeviation) -> None:
    seen = Observation(frequency=np.array([3000.0, 9000.0]), off_axis=np.array([0.0]))
    shape = Conical(0.05, np.radians(40), 0.015)
    of_round, oblong = Waveguide(shape), Waveguide(Oblong(shape, shape))
    change = _marched(deviated(of_round, deviation), seen) - _marched(of_round, seen)
    # Solved in other modes, on other elements: 0.003 dB of either's own errors, on up to 0.1 to 1 dB.
    assert _marched(deviated(oblong, deviation), seen) - _marched(oblong, seen) == pytest.approx(change, abs=0.003)


def test_a_little_ovality_changes_the_index_by_its_square() -> None:
    seen = Observation(frequency=np.array([3000.0, 9000.0]), off_axis=np.array([0.0]))
    drawn = Waveguide(Conical(0.05, np.radians(40), 0.015))

    def index(ovality: float) -> FloatArray:
        return _marched(deviated(drawn, WallDeviation(ovality=ovality)), seen)

    of_round = _marched(drawn, seen)
    assert index(1e-7) == pytest.approx(of_round, abs=1e-3)  # dB, the elements' own errors
    # Turned by a right angle it is of the other sign: the index is even in it.
    assert index(4e-4) == pytest.approx(index(-4e-4), abs=1e-3)
    small, large = index(2e-4) - index(1e-7), index(8e-4) - index(1e-7)
    # Four times as oval, sixteen times the change; 0.002 dB of errors of what is small, times sixteen.
    assert large == pytest.approx(16.0 * small, rel=0.15, abs=0.03)
    assert np.abs(large).max() > 0.01
