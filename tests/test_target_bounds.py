"""Parameters of families that [limits] bound or fix: what the search then varies, keeps, and refuses with numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.files import InputError
from evenflare.target.limited import boundable
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import FAMILIES, Bound, Limits, Oblong, ParameterSpace, family, kept, limit_excess, registered
from target_texts import GOOD, OBLONG
from test_family_added import PARABOLIC

ROOT = 1e-9
"""Relative; the roots behind a shape hold to some 1e-12 of their length or angle."""
LIMITS = Limits(depth=(0.06, 0.1), mouth_diameter=(0.17, 0.22))


def limited(lines, *, families='["conical", "free"]', of=GOOD):
    """A target whose [limits] are these lines alone."""
    before, after = of.split("[limits]")
    search = after.split("[search]")[1]
    names = search[search.index("families") : search.index("candidates")]
    return f"{before}[limits]\n{lines}\n[search]{search.replace(names, f'families = {families}' + chr(10))}"


ROUND = "depth_mm = [60, 100]\nmouth_diameter_mm = [170, 220]\n"
WIDE = "depth_mm = [60, 100]\nmouth_width_mm = [180, 220]\nmouth_height_mm = [100, 140]\n"


def members(space, count=12):
    return [space.waveguide(vector) for vector in np.random.default_rng(3).random((count, len(space.names)))]


def bound(key, low, high=None, plane=""):
    unit = next(each for name in FAMILIES for each in family(name).boundable if each.key == key)
    ends = sorted(unit.value(each, LIMITS.air) for each in (low, low if high is None else high))
    return Bound(key, *ends, plane)


@pytest.mark.parametrize("depth", ["80", "[80, 80]", "80.0"])
def test_a_fixed_depth_leaves_the_vector(target_of, depth):
    target = target_of(limited(f"depth_mm = {depth}\nmouth_diameter_mm = [170, 220]"))
    space = ParameterSpace("free", target.limits, target.driver)
    assert "depth" not in space.names
    for waveguide in members(space):
        assert waveguide.depth == pytest.approx(80 * MILLIMETRE, rel=ROOT)
        assert kept(waveguide, target.limits)["depth_mm"].kept


def test_everything_of_a_cone_may_be_fixed(target_of):
    target = target_of(
        limited("depth_mm = 80\nmouth_diameter_mm = 200\nroundover_radius_mm = 12", families='["conical"]')
    )
    space = ParameterSpace("conical", target.limits, target.driver)
    assert space.names == ()
    waveguide = space.waveguide(np.zeros(0))
    assert max(limit_excess(waveguide, target.limits)[name] for name in ("depth_mm", "mouth_diameter_mm")) <= 0
    assert waveguide.shape.roundover_radius == pytest.approx(12 * MILLIMETRE, rel=ROOT)
    assert space.vector(waveguide).shape == (0,)


@pytest.mark.parametrize("name", FAMILIES)
def test_a_bound_of_what_the_search_varies_is_its_bound(name):
    limits = replace(LIMITS, bounds=(bound("roundover_radius_mm", 8, 14),))
    space = ParameterSpace(name, limits)
    radii = [waveguide.shape.roundover_radius / MILLIMETRE for waveguide in members(space)]
    assert 8 - 1e-9 <= min(radii) < max(radii) <= 14 + 1e-9  # rounding
    fixed = ParameterSpace(name, replace(LIMITS, bounds=(bound("roundover_radius_mm", 9),)))
    assert set(space.names) - set(fixed.names) == {"roundover_radius"}
    assert {each.shape.roundover_radius for each in members(fixed)} == {9 * MILLIMETRE}


def test_throat_angle_and_parameter_of_a_family_may_be_fixed(target_of):
    lines = f"{ROUND}throat_angle_deg = 8\nhyperbolic_parameter = [4, 6]"
    target = target_of(limited(lines, families='["hyperbolic", "free"]'))
    free = ParameterSpace("free", target.limits, target.driver)
    assert "throat_angle" not in free.names
    assert members(free)[0].shape.throat_angle == pytest.approx(8 * DEGREE, rel=ROOT)
    # the search's own range ends at 3, what is asked for counts
    found = [each.shape.hyperbolic_parameter for each in members(ParameterSpace("hyperbolic", target.limits))]
    assert 4 <= min(found) < max(found) <= 6


@pytest.mark.parametrize(
    ("name", "key", "value"),
    [
        ("conical", "wall_angle_deg", 45),
        ("oblate_spheroidal", "wall_angle_deg", 48),
        ("exponential", "cutoff_hz", 1350),
        ("hyperbolic", "cutoff_hz", 1400),
        ("free", "end_angle_deg", 70),
        ("free", "arc_length_mm", 115),
        ("conical", "end_angle_deg", 45),
        ("tractrix", "end_angle_deg", 60),
    ],
)
def test_the_mouth_is_solved_for_what_is_fixed_and_follows_from_it(name, key, value):
    wide = replace(LIMITS, mouth_diameter=(0.12, 0.3))
    space = ParameterSpace(name, replace(wide, bounds=(bound(key, value),)))
    assert "mouth_radius" not in space.names
    assert set(ParameterSpace(name, wide).names) - set(space.names) == {"mouth_radius"}
    met = [kept(waveguide, space.limits)[key] for waveguide in members(space, 20)]
    # Where no mouth within the limits has it, the nearest has not.
    assert sum(each.kept for each in met) >= 8
    assert all(each.value == pytest.approx(value, rel=ROOT) for each in met if each.kept)
    mouths = {round(waveguide.mouth_width, 6) for waveguide in members(space, 20)}
    assert len(mouths) > 5


def test_with_a_fixed_mouth_the_depth_is_solved_for():
    limits = replace(LIMITS, mouth_diameter=(0.2, 0.2), bounds=(bound("wall_angle_deg", 46),))
    space = ParameterSpace("conical", limits)
    assert space.names == ("roundover_radius",)
    for waveguide in members(space, 5):
        excess = limit_excess(waveguide, limits)
        assert max(excess["wall_angle_deg"], excess["mouth_diameter_mm"]) <= 0
        # a cone that ends in an arc of radius R: r = r0 + (d - R (1 - sin a)) tan a + R cos a, by plane geometry
        radius, angle = waveguide.shape.roundover_radius, 46 * DEGREE
        straight = waveguide.depth - radius * (1 - np.sin(angle))
        assert 12.7e-3 + straight * np.tan(angle) + radius * np.cos(angle) == pytest.approx(0.1, rel=ROOT)


def test_a_range_of_what_follows_moves_the_mouth_no_farther_than_it_must():
    asked = ParameterSpace("conical", LIMITS)
    space = ParameterSpace("conical", replace(LIMITS, bounds=(bound("wall_angle_deg", 44, 50),)))
    assert space.names == asked.names
    moved = 0
    for vector in np.random.default_rng(5).random((30, 3)):
        before, after = asked.waveguide(vector), space.waveguide(vector)
        if 44 * DEGREE <= before.shape.wall_angle <= 50 * DEGREE:
            assert after == before
        elif kept(after, space.limits)["wall_angle_deg"].kept:
            moved += 1
            nearest = 44 if before.shape.wall_angle < 44 * DEGREE else 50
            assert after.shape.wall_angle == pytest.approx(nearest * DEGREE, rel=ROOT)
    assert moved > 5


def test_bounds_of_oblong_planes_each_by_itself(target_of):
    text = limited(
        f"{WIDE}section_exponent = 3\n[limits.horizontal]\ncoverage_deg = [90, 104]\n"
        "[limits.vertical]\nroundover_radius_mm = 10\n",
        families='["conical"]',
        of=OBLONG,
    )
    target = target_of(text)
    assert target.limits.section_exponent == (3.0, 3.0)
    space = ParameterSpace("conical", target.limits)
    assert {"vertical_roundover_radius", "section_exponent"}.isdisjoint(space.names)
    assert "horizontal_roundover_radius" in space.names
    for waveguide in members(space, 6):
        assert isinstance(waveguide.shape, Oblong)
        assert waveguide.shape.vertical.roundover_radius == pytest.approx(10 * MILLIMETRE, rel=ROOT)
        found = kept(waveguide, target.limits)["horizontal_wall_angle_deg"]
        assert found[1:3] == pytest.approx((45, 52))
        assert found.value == pytest.approx(waveguide.shape.horizontal.wall_angle / DEGREE)


def test_an_added_family_is_bound_by_construction(target_of):
    with registered(PARABOLIC):
        assert {"starting_angle_deg", "parabola_radius_mm"} <= set(boundable())
        target = target_of(
            limited(f"{ROUND}starting_angle_deg = 12\nparabola_radius_mm = [40, 60]", families='["parabolic"]')
        )
        space = ParameterSpace("parabolic", target.limits, target.driver)
        assert space.names == ("depth", "mouth_radius", "roundover_radius")
        found = [kept(waveguide, target.limits)["parabola_radius_mm"] for waveguide in members(space)]
        assert sum(each.kept for each in found) >= 5  # the others are at an end of the mouth's range
        assert {waveguide.shape.starting_angle for waveguide in members(space)} == {12 * DEGREE}
    assert "starting_angle_deg" not in boundable()


def test_a_bound_is_of_its_families_only():
    limits = replace(LIMITS, bounds=(bound("wall_angle_deg", 44, 50),))
    for name, has_it in (("conical", True), ("oblate_spheroidal", True), ("free", False), ("tractrix", False)):
        waveguide = members(ParameterSpace(name, limits), 1)[0]
        assert ("wall_angle_deg" in limit_excess(waveguide, limits)) == has_it


FAULTS = {
    "fixed twice": (
        "depth_mm = 80\nmouth_diameter_mm = 200\nwall_angle_deg = 42",
        "t.toml [limits] depth_mm = 80, mouth_diameter_mm = 200 and wall_angle_deg = 42: fix a shape of family conical"
        " more than once, whose wall_angle_deg follows from depth and mouth: there it is about 41.6 to 47.5. Give one"
        " of them a range [lowest, greatest], or leave conical out of [search] families",
    ),
    "two that follow": (
        f"{ROUND}arc_length_mm = 110\nend_angle_deg = 60",
        "t.toml [limits] end_angle_deg = 60 and arc_length_mm = 110: fix a shape of family free more than once",
    ),
    "nobody keeps it": (
        f"{ROUND}wall_angle_deg = 20",
        "t.toml [limits] wall_angle_deg = 20: no shape of family conical keeps it within depth_mm = [60, 100] and"
        " mouth_diameter_mm = [170, 220], where it is about",
    ),
    "several do not keep it": (
        f"{ROUND}roundover_radius_mm = 90",
        "t.toml [limits] roundover_radius_mm = 90: no shape of families conical and free keeps it",
    ),
    "of no family that takes part": (
        f"{ROUND}cutoff_hz = 500",
        "t.toml [limits] cutoff_hz: belongs to exponential, hyperbolic, tractrix, and [search] families names none of"
        " them. Remove it, or add one of them",
    ),
    "half and full": (
        f"{ROUND}wall_angle_deg = 42\ncoverage_deg = 84",
        "t.toml [limits] wall_angle_deg and coverage_deg are the half and the full of one angle: remove one",
    ),
    "swapped": (
        f"{ROUND}end_angle_deg = [70, 60]",
        "t.toml [limits] end_angle_deg = [70, 60]: must be [lowest, greatest], or one number. Swap them",
    ),
    "in metres": (
        f"{ROUND}roundover_radius_mm = [-2, 5]",
        "t.toml [limits] roundover_radius_mm, value 1 = -2: must be 0 to 500. Raise it",
    ),
    "misspelt": (
        f"{ROUND}wal_angle_deg = 5",
        "t.toml [limits] wal_angle_deg = 5: unknown key. Did you mean wall_angle_deg?",
    ),
    "planes of a round mouth": (
        f"{ROUND}[limits.horizontal]\nwall_angle_deg = 50",
        "t.toml [limits] horizontal: is for oblong mouths, a round one has one wall. Move its keys into [limits], or"
        " give mouth_width_mm and mouth_height_mm instead of mouth_diameter_mm",
    ),
}


@pytest.mark.parametrize(("lines", "expected"), FAULTS.values(), ids=FAULTS)
def test_what_cannot_be_kept_is_refused_with_numbers(target_of, lines, expected):
    with pytest.raises(InputError) as caught:
        target_of(limited(lines))
    assert expected in str(caught.value)
