"""The product's own finishing on designs drawn at random: no gouge, no contact, scallops at most as asked."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture import oblong_sizes, solid_sizes
from evenflare.manufacture.milling.clearance import check_nose, check_shape, wall_cloud
from evenflare.manufacture.milling.finishing import finishing
from evenflare.manufacture.milling.roughing import roughing
from evenflare.manufacture.milling.seat import back
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof import prove
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import FAMILIES
from oblong_shapes import OBLONG_BENCHMARK
from shapes import BENCHMARK

ROUTER = read_process("router")
FACETS = 1e-6
"""m, by which the facets that stand for an oblong wall depart from it."""
ROUNDING = 0.1e-6
"""m, a last digit of the programs."""


def finished(waveguide, wall, sizes, grid):
    programs = [finishing(waveguide, ROUTER, wall)]
    (found,) = prove(
        waveguide,
        programs,
        sizes=sizes,
        tolerance=ROUTER.tolerance,
        scallop_height=ROUTER.scallop_height,
        grid=grid,
    ).programs
    return found


@given(family=st.sampled_from(list(FAMILIES)), seed=st.integers(0, 10_000))
@settings(deadline=None, max_examples=12)
def test_finishing_of_a_random_round_design_leaves_no_gouge_and_no_more_than_the_scallop_height(family, seed):
    waveguide = drawn(family, seed)
    try:
        check_shape(waveguide)
        check_nose(waveguide, ROUTER.tool(ROUTER.finishing_tool), None)
        sizes = solid_sizes(waveguide.meridian, Solid())
    except InputError:
        assume(False)
    found = finished(waveguide, None, sizes, 0.4 * MM)
    assert found.contacts == ()
    assert found.gouge.size <= ROUNDING
    assert found.leftover.size <= ROUTER.scallop_height + ROUNDING
    assert found.leftover_within  # on a block that was not roughed the ball meets more than it may, see engagement


@pytest.mark.parametrize("name", OBLONG_BENCHMARK)
def test_finishing_of_an_oblong_design_leaves_no_gouge_and_no_more_than_the_scallop_height(name):
    waveguide = OBLONG_BENCHMARK[name]
    wall = wall_cloud(waveguide)
    found = finished(waveguide, wall, oblong_sizes(waveguide.surface, wall, Solid()), 0.4 * MM)
    assert found.contacts == ()
    assert found.gouge.size <= FACETS + ROUNDING
    assert found.leftover.size <= ROUTER.scallop_height + FACETS + ROUNDING
    assert found.leftover_within  # on a block that was not roughed the ball meets more than it may, see engagement


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cone 45 deg, sharp mouth", "oblate-spheroidal 40 deg, roundover 20 mm"])
def test_roughing_finishing_and_back_of_a_round_part_pass_together(name):
    waveguide = BENCHMARK[name]
    sizes = solid_sizes(waveguide.meridian, Solid())
    programs = [
        roughing(waveguide, ROUTER),
        finishing(waveguide, ROUTER, None),
        back(waveguide, ROUTER, across=sizes.flange_diameter),
    ]
    found = prove(
        waveguide,
        programs,
        sizes=sizes,
        tolerance=ROUTER.tolerance,
        scallop_height=ROUTER.scallop_height,
        seat=ROUTER.seat,
        grid=0.4 * MM,
    )
    assert found.passed
    rough, last, behind = found.programs
    # Between levels the wall keeps a step: at most the stepdown, along the normal of a wall of 45 degrees or less.
    assert rough.gouge.size == 0.0
    assert ROUTER.stock_left <= rough.leftover.size < ROUTER.stepdown + ROUTER.stock_left
    assert rough.leftover_allowed is None
    assert last.leftover_within is True
    assert last.plug < 0.1 * MM
    assert behind.leftover_within is True
