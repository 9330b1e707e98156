"""Tolerances of a wall: zones against a general optimiser, sums against all signs, sampling against closed forms."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import binomtest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.metrics import far_field_index
from evenflare.radiation import solver
from evenflare.studies.costs import costs, trade_sentence
from evenflare.studies.pieces import evenly_turning, random_walls, rows_of_pieces, sharpest, worst_runs
from evenflare.studies.sensitivity import STEP, PlaceSlopes, bench_for, sensitivity, times
from evenflare.studies.tolerance import AIM, band, rounded_down, worst_walls
from evenflare.studies.units import share_interval, spread_of
from evenflare.studies.zones import WIDEST, edges, widest, zoned
from evenflare.waveguide import Conical, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from toleranced import LinearBench, bench, covariance, linear, scattered


@pytest.fixture(scope="module")
def sensed():
    solved = bench()
    return solved, sensitivity(solved)


@pytest.mark.parametrize("seed", range(4))
def test_widest_band_is_that_of_a_general_optimiser(seed):
    random = np.random.default_rng(seed)
    effect, weight = random.uniform(0.0, 1e4, (12, 4)), random.uniform(0.1, 1.0, 4)
    found = widest(effect, weight, 0.5)
    assert (effect @ found).max() <= 0.5 * (1 + 1e-9)
    other = minimize(
        lambda x: -weight @ x,
        np.log(found) - 0.1,
        constraints={"type": "ineq", "fun": lambda x: 0.5 - effect @ np.exp(x)},
        bounds=[(None, np.log(WIDEST))] * 4,
        method="SLSQP",
        options={"maxiter": 500, "ftol": 1e-12},
    )
    assert weight @ np.log(found) == pytest.approx(-other.fun, abs=0.01)  # a hundredth of the width


def test_zone_that_nothing_hears_is_as_wide_as_any_may_be():
    found = widest(np.array([[1e3, 0.0], [2e3, 1e-3]]), np.ones(2), 0.5)
    assert found == pytest.approx([0.5 / 2e3, WIDEST], rel=2e-3)  # the second has hardly a part in the first's row


def test_zones_are_cut_where_the_wall_changes():
    z = np.linspace(0.0, 0.1, 31)
    effect = np.diag(np.where(z < 0.034, 4e3, np.where(z < 0.07, 1e3, 2e2)))
    cut, width = zoned(effect, np.full(31, 1.0 / 31), z, 0.5)
    assert edges(cut, z, 0.1) == pytest.approx([0.0, 0.035, 0.068, 0.1], abs=1e-9)  # whole millimetres between places
    assert width == pytest.approx([0.5 / 4e3, 0.5 / 1e3, WIDEST], rel=1e-6)


@pytest.mark.parametrize("least", [1.0, 1.3, 2.0, 3.1, 9.0])
def test_worst_wall_is_that_of_all_walls_of_such_pieces(least):
    """Against every way to cut a short wall into pieces, of which those between two cuts are long enough."""
    slope = np.random.default_rng(0).normal(size=(5, 2, 3))
    shortest = np.floor(4.0 * least) / 4.0  # pieces end at quarters of the way from place to place
    low, high = np.maximum(np.arange(5) - 0.5, 0.0), np.minimum(np.arange(5) + 0.5, 4.0)
    walls = []
    for cuts in itertools.chain.from_iterable(itertools.combinations(range(1, 16), n) for n in range(16)):
        ends = np.array([0, *cuts, 16]) / 4.0
        if np.all(np.diff(ends)[1:-1] >= shortest - 1e-9):
            before = np.clip((ends[:, None] - low) / (high - low), 0.0, 1.0)
            walls.append((-1.0) ** np.arange(ends.size - 1) @ np.diff(before, axis=0))
    sums, worst = worst_runs(slope, least)
    every = np.abs(np.einsum("pn,nmc->pmc", walls, slope))
    assert sums == pytest.approx(every.max(axis=0).sum(axis=0), rel=1e-12)
    assert np.einsum("cnm,nmc->c", worst, slope) == pytest.approx(sums, rel=1e-12)
    assert np.abs(worst).max() <= 1.0 + 1e-12


def test_worst_signs_of_a_row_are_the_worst_of_all():
    _, found = linear(count=11, spacing=0.01)
    for row in rows_of_pieces(11, 0.01, 0.02):
        count = row.shape.shape[0]
        signs = np.array(list(itertools.product([-1.0, 1.0], repeat=count)))
        every = np.abs(signs @ row.shape @ found.index[:, 0])
        _, most = worst_walls([row], np.zeros((1, 11, 1)), found.index, 3)
        assert every.max() == pytest.approx(most, rel=1e-12)
        assert row.shape.sum(axis=0).max() <= 1.0 + 1e-9  # pieces never leave the band where two meet


def test_band_of_a_linear_wall_does_what_it_may_and_no_more():
    solved, found = linear()
    limits = band(solved, found, 0.5, length=0.012)
    assert limits.proof.worst == pytest.approx(AIM * 0.5, rel=0.02)  # NEAR
    assert limits.proof.predicted == pytest.approx(limits.proof.worst, rel=1e-6)
    waves = random_walls(31, 0.012 / found.spacing, 1, seed=5, number=200)
    change = np.abs(solved.indices([solved.wave(limits.limits[:, None] * wave) for wave in waves]))
    assert change.max() <= 0.5


@pytest.mark.parametrize(("first", "second"), [(5, 12), (9, 15), (17, 27)])
def test_band_keeps_the_worst_of_three_pieces_wherever_it_is_cut(first, second):
    """Each as long as the correlation length, 4.43 places, or longer."""
    place = np.arange(31)
    worst = np.where((place >= first) & (place < second), -1.0, 1.0)
    _, other = linear()
    nothing = np.zeros(1)
    places = tuple((PlaceSlopes(np.array([1e3 * each]), nothing, nothing, np.nan, nothing),) for each in worst)
    found = replace(other, frequency=np.array([8e3]), nominal=nothing, places=places, kinds={})
    limits = band(LinearBench(found.index[:, 0], found.share, found.frequency), found, 0.5, length=0.0155)
    assert abs(worst * limits.limits @ found.index[:, 0, 0]) <= 0.5
    assert 0.25 < limits.proof.of_many / limits.proof.worst <= 1.0 + 1e-9  # a straight one: among what was foreseen


def test_spread_of_a_linear_wall_is_that_of_the_closed_form():
    solved, found = linear()
    units = [times(each, 0.05) for each in scattered(0.02, 0.105)(3, 2000)]
    spread = spread_of(solved, found, units, 0.05)
    slope = found.index[:, 0]
    exact = 5e-5 * np.sqrt(np.einsum("nc,nm,mc->c", slope, covariance(found.share, 0.02, 0.105), slope))
    # Standard deviations of 2000 are known to 1.6 %: four of these.
    assert spread.spread == pytest.approx(exact, rel=0.064)
    assert spread.linear == pytest.approx(spread.change, abs=1e-12)
    assert not spread.fails.any()


def test_statistical_band_keeps_its_share():
    solved, found = linear()
    draw = scattered(0.02, 0.105)
    limits = band(solved, found, 0.5, length=0.02, draw=draw, share=0.9)
    sigma = _of_places(limits.statistical, found.z) / 3.0
    fresh = np.array([[row[0] for row in each.waves] for each in draw(99, 1000)]) / 1e-3 * sigma
    keep = (np.abs(fresh @ solved.slope).max(axis=1) <= 0.5).mean()
    assert keep == pytest.approx(
        0.9, abs=0.035
    )  # both shares of 1000 and more: three standard deviations, and rounding


@pytest.mark.parametrize(("good", "count"), [(0, 40), (37, 40), (40, 40), (190, 200)])
def test_share_interval_is_the_exact_one(good, count):
    other = binomtest(good, count).proportion_ci(0.95, method="exact")
    assert share_interval(good, count) == pytest.approx((other.low, other.high), abs=1e-9)


def test_slopes_are_those_of_boundary_elements(sensed):
    solved, found = sensed
    judge, rows = solver("full", method="boundary_elements"), [3, 9, 12, 15]
    observation = type(solved.observation)(solved.frequency[rows], np.radians([0.0, 45.0, 90.0]))
    scale = np.abs(found.index).max(axis=(0, 1))[rows]
    for place in (2, 11, 20):
        bump = np.zeros(31)
        bump[place] = STEP
        ends = [
            far_field_index(judge(deviated(solved.waveguide, solved.wave(sign * bump)), observation, Air()))
            for sign in (1.0, -1.0)
        ]
        # Both methods resolve a bump of 7 mm to a twentieth of what the most sensitive place does.
        assert (ends[0] - ends[1]) / (2 * STEP) / scale == pytest.approx(found.index[place, 0, rows] / scale, abs=0.05)


def test_bumps_add_up_to_an_offset(sensed):
    _, found = sensed
    offset = found.kinds["offset"].index
    # Each bump's slope is known to a hundredth of its size.
    assert found.index.sum(axis=(0, 1)) == pytest.approx(offset, abs=0.01 * np.abs(found.index).sum(axis=(0, 1)).max())


def test_kinds_are_told_apart_and_named(sensed):
    _, found = sensed
    known = costs(found, 0.015)
    assert {each.kind for each in known} >= {"waviness", "offset", "bow", "scale", "throat_step"}
    assert [each.most for each in known] == sorted((each.most for each in known), reverse=True)
    words = trade_sentence("Machinist", known, 0.5)
    assert words.startswith("Machinist: waviness matters most")


def test_parts_at_the_edge_of_the_band_keep_and_reach_it(sensed):
    """200 parts, drawn in four ways by seeds that the band has not seen."""
    solved, found = sensed
    within, length = 0.5, 0.015
    limits = band(solved, found, within, length=length)
    random = np.random.default_rng(77)
    edge = _of_places(limits.zones, found.z)
    pieces = round(found.spacing * 30 / length)
    knots = np.linspace(0.0, 1.0, pieces + 1)
    limit = _of_places(limits.zones, np.interp(knots, found.share, found.z))
    walls = [_wall(knots, limit * random.choice([-1.0, 1.0], pieces + 1)) for _ in range(80)]
    walls += [
        _wall(knots, sign * limit * (-1.0) ** (np.arange(pieces + 1) // run)) for run in (1, 2) for sign in (1, -1)
    ]
    walls += [solved.wave(sign * edge) for sign in (1.0, -1.0)]
    smooth = [np.array(each.waves)[:, 0] for each in scattered(length, found.spacing * 30)(78, 60)]
    walls += [solved.wave(wave / np.max(np.abs(wave) / edge)) for wave in smooth]
    rows = rows_of_pieces(31, found.spacing, length)
    for row in itertools.islice(itertools.cycle(rows), 50):
        walls.append(solved.wave(edge * (row.shape.T @ random.choice([-1.0, 1.0], row.shape.shape[0]))))
    # An outsider's own worst: flat pieces with the signs of central differences, where these add up to the most.
    nominal, arc = solved.index(solved.flat()), found.spacing * np.arange(31)
    for begin in (0.0, 0.5):
        piece = np.floor(arc / length + begin)
        parts = [edge * (piece == each) for each in np.unique(piece)]
        half = [solved.index(solved.wave(0.5 * each)) - solved.index(solved.wave(-0.5 * each)) for each in parts]
        signs = np.sign(np.array(half)[:, int(np.abs(half).sum(axis=0).argmax())])
        walls += [solved.wave(sign * signs @ parts) for sign in (1.0, -1.0)]
    change = np.abs(solved.indices(walls) - nominal).max(axis=1)
    assert len(walls) == 200
    assert change.max() <= within
    assert change.max() >= 0.8 * within


def test_no_wall_within_the_band_folds():
    """On a shallow cone with a roundover, whose band is bounded by that and not by what is heard."""
    waveguide = Waveguide(Conical(0.022, np.radians(25.0), 0.012))
    frequency = np.geomspace(4000.0, 16000.0, 3)
    observation = Observation(frequency, np.radians([0.0, 45.0, 90.0]))
    solved = bench_for(waveguide, observation, Air(), counted=np.ones(3, dtype=bool))
    found = sensitivity(solved)
    limits = band(solved, found, 1.0, length=0.006)
    walls = random_walls(31, 0.006 / found.spacing, 1, seed=77, number=80)
    change = solved.indices([solved.wave(limits.limits[:, None] * wave) for wave in walls])
    assert np.isfinite(change).all()  # a wall that turns half-way between two places did, with the other sign


@pytest.mark.parametrize("least", [1.0, 2.6, 6.0])
def test_the_sharpest_walls_turn_between_neighbours_everywhere(least):
    walls = np.array(sharpest(31, least))[:, :, 0]
    turns = walls[:, 1:] * walls[:, :-1] < 0.0
    assert set(np.unique(walls)) == {-1.0, 1.0}
    assert turns.any(axis=0).all()
    assert all({-1.0, 1.0} == set(walls[rising, i]) for i, rising in enumerate(turns.T))  # up and down
    apart = [np.diff(np.flatnonzero(row)) for row in turns]
    assert min(map(np.min, apart)) == np.ceil(least)


def test_evenly_turning_walls_are_square_waves_of_every_length():
    for wave in evenly_turning(31, 3.0):
        inside = np.flatnonzero(np.abs(wave) == 1.0)
        turns = inside[1:][np.diff(np.sign(wave[inside])) != 0]
        if turns.size > 2:
            assert np.ptp(np.diff(turns)) <= 2  # places, where a piece ends between two
            assert 2.0 <= np.diff(turns).mean() <= 10.0


def _of_places(zones, z):
    ends, plus = (np.array([getattr(zone, key) for zone in zones]) for key in ("to_z", "plus"))
    return plus[np.minimum(np.searchsorted(ends, z, side="right"), ends.size - 1)]


def _wall(knots, values) -> WallDeviation:
    return WallDeviation(shares=tuple(knots.tolist()), waves=tuple((float(each),) for each in values))


@pytest.mark.parametrize(("length", "digits", "down"), [(1.2399e-4, 3, 1.23e-4), (5e-5, 2, 5e-5), (0.0, 2, 0.0)])
def test_limits_are_rounded_down(length, digits, down):
    assert rounded_down(length, digits) == pytest.approx(down, abs=1e-12)
