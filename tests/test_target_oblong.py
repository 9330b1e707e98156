"""Targets for oblong waveguides: what their files mean, what is reachable, and every message of their own."""

from dataclasses import replace

import numpy as np
import pytest

from evenflare.closed_forms import elliptical_piston_index
from evenflare.files import InputError
from evenflare.target.reach import largest_reachable, reachability, reachable_from
from evenflare.target.target import wanted_beamwidth
from evenflare.units import DEGREE
from evenflare.waveguide import Mounting
from target_texts import GOOD, OBLONG

ROUNDING = 1e-12


def changed(old, new, text=OBLONG):
    assert text.count(old) == 1
    return text.replace(old, new)


def test_every_key_becomes_si(target_of):
    target = target_of(OBLONG)
    assert target.oblong
    assert target.planes == {"_horizontal": 0.0, "_vertical": 0.5 * np.pi}
    assert target.beamwidth is None
    assert target.beamwidth_horizontal == pytest.approx(np.array([180, 110, 100]) * DEGREE, rel=ROUNDING)
    assert target.beamwidth_vertical == pytest.approx(np.array([180, 80, 60]) * DEGREE, rel=ROUNDING)
    assert not target.beamwidth_vertical.flags.writeable
    assert target.constancy_weight == 0.5
    limits = target.limits
    assert limits.mouth_diameter is None
    assert limits.mouth_width == pytest.approx((0.18, 0.22), rel=ROUNDING)
    assert limits.mouth_height == pytest.approx((0.10, 0.14), rel=ROUNDING)
    assert limits.section_exponent == (2.0, 3.5)
    assert limits.smallest_draft == pytest.approx(3 * DEGREE, rel=ROUNDING)


def test_defaults(target_of):
    keys = ("beamwidth", "constancy", "section", "smallest_draft")
    target = target_of("\n".join(line for line in OBLONG.splitlines() if not line.startswith(keys)))
    assert target.beamwidth_horizontal is None
    assert target.beamwidth_vertical is None
    assert target.constancy_weight == 0
    assert target.limits.section_exponent == (2.0, 2.0)
    assert target.limits.smallest_draft == 0


def test_round_target_may_ask_for_draft_and_constancy(target_of):
    asked = changed("seed", "seed", GOOD).replace("[limits]", "constancy_weight = 2\n[limits]\nsmallest_draft_deg = 4")
    target = target_of(asked)
    assert target.constancy_weight == 2
    assert target.limits.smallest_draft == pytest.approx(4 * DEGREE, rel=ROUNDING)


def test_exponent_may_be_one_number(target_of):
    for one in ("[3, 3]", "3"):
        assert target_of(changed("[2, 3.5]", one)).limits.section_exponent == (3.0, 3.0)


def test_wanted_beamwidth_is_each_planes(target_of):
    target = target_of(OBLONG)
    frequency = [999, 2000, 16000]
    across, upward = wanted_beamwidth(target, frequency), wanted_beamwidth(target, frequency, plane=0.5 * np.pi)
    assert across / DEGREE == pytest.approx([np.nan, 145, 100], nan_ok=True, rel=ROUNDING)
    assert upward / DEGREE == pytest.approx([np.nan, 130, 60], nan_ok=True, rel=ROUNDING)
    assert wanted_beamwidth(target, frequency, plane=0.25 * np.pi) is None
    assert wanted_beamwidth(replace(target, beamwidth_horizontal=None), frequency) is None


def test_wanted_beamwidth_of_a_round_target_is_every_planes(target_of):
    target = target_of(GOOD)
    for plane in (0.0, 0.25 * np.pi, 0.5 * np.pi):
        assert wanted_beamwidth(target, [2000], plane=plane) / DEGREE == pytest.approx([140], rel=ROUNDING)


def test_beamwidths_and_mountings_that_do_not_belong_are_refused(target_of):
    around, oblong = target_of(GOOD), target_of(OBLONG)
    with pytest.raises(ValueError, match="beamwidth does not belong to an oblong mouth"):
        replace(oblong, beamwidth=np.ones(3))
    with pytest.raises(ValueError, match="beamwidth_vertical does not belong to a round mouth"):
        replace(around, beamwidth_vertical=np.ones(3))
    with pytest.raises(ValueError, match="beamwidth_vertical has shape"):
        replace(oblong, beamwidth_vertical=np.ones(2))
    with pytest.raises(
        ValueError, match="mounting is a sphere: must be the baffle, a cabinet or a body for oblong mouths"
    ):
        replace(oblong, mounting=Mounting(0.2))


def test_largest_reachable_is_the_elliptical_piston(target_of):
    target = target_of(OBLONG)
    k = 2 * np.pi * np.array([500.0, 2000.0, 8000.0]) / 343.2
    expected = elliptical_piston_index(k, half_width=0.11, half_height=0.07)
    assert largest_reachable(target, [500.0, 2000.0, 8000.0]) == pytest.approx(expected, rel=ROUNDING)
    one, three = reachable_from(target, expected[1]), reachable_from(target, [0.0, expected[1], 90.0])
    assert one == pytest.approx(2000, rel=0.003)  # grid of 4001 over four decades
    assert three.tolist() == [10.0, one, np.inf]


@pytest.mark.parametrize("kind", ["sphere", "sound_power"])
def test_reach_of_a_mouth_as_high_as_wide_is_the_round_ones(target_of, kind):
    around = replace(target_of(GOOD), index_kind=kind)
    sizes = "mouth_width_mm = [100, 260]\nmouth_height_mm = [100, 260]"
    text = changed("mouth_width_mm = [180, 220]\nmouth_height_mm = [100, 140]", sizes)
    oblong = replace(target_of(text), index_kind=kind)
    frequency = np.geomspace(200.0, 16e3, 9)
    # The two come by different sums, both to rounding.
    assert largest_reachable(oblong, frequency) == pytest.approx(largest_reachable(around, frequency), abs=1e-9)


def test_reach_of_the_standards_index_lies_between_those_of_its_planes(target_of):
    def reach(width, height):
        text = changed("[180, 220]", f"[50, {width}]").replace("[100, 140]", f"[50, {height}]")
        return largest_reachable(replace(target_of(text), index_kind="sound_power"), [1500.0, 3000.0])

    low, mixed, high = reach(140, 140), reach(220, 140), reach(220, 220)
    assert np.all(low + 0.2 < mixed)
    assert np.all(mixed + 0.2 < high)
    assert reach(140, 220) != pytest.approx(mixed, abs=0.01)  # the listening window reaches further to the sides


def test_reachable_target_is_silent(target_of):
    assert reachability(target_of(OBLONG)) == []


def test_a_little_out_of_reach_warns_and_far_out_is_refused(target_of):
    (warning,) = reachability(target_of(changed("index_db = [5,", "index_db = [6.5,")))
    assert warning == (
        "t.toml [wanted] index_db = 6.50 at 1000 Hz: lies 1.5 dB above the 5.0 dB that the largest mouth, 220 x 140 mm,"
        " can give there as one piston in a baffle (common practice, not a strict bound): may not be met. It gives"
        " 6.50 dB from 1340 Hz, waveguides from about 1.54 kHz to 2.33 kHz. Lower index_db, begin frequency_hz there,"
        " or raise [limits] mouth_width_mm or mouth_height_mm"
    )
    with pytest.raises(InputError, match="must be at most 3 dB above it"):
        reachability(target_of(changed("index_db = [5,", "index_db = [9,")))


def test_less_than_half_space_gives_offers_no_sphere(target_of):
    (warning,) = reachability(target_of(changed("index_db = [5,", "index_db = [2,")))
    assert warning.endswith("index_db = 2.00: may not be met, even a small source in a baffle has 3.01. Raise it")


INSTEAD = "mouth_width_mm and mouth_height_mm instead of mouth_diameter_mm"
FAULTS = {
    "no mouth": (
        changed("mouth_width_mm = [180, 220]\nmouth_height_mm = [100, 140]\n", ""),
        "t.toml [limits] mouth_diameter_mm: missing. Add for example mouth_diameter_mm = [180, 260]; or, for an oblong"
        " mouth, mouth_width_mm = [180, 220] and mouth_height_mm = [100, 140]",
    ),
    "width alone": (
        changed("mouth_height_mm = [100, 140]\n", ""),
        "t.toml [limits] mouth_height_mm: missing beside mouth_width_mm, an oblong mouth has both. Add for example"
        " mouth_height_mm = [100, 140]",
    ),
    "height alone": (
        changed("mouth_width_mm = [180, 220]\n", ""),
        "t.toml [limits] mouth_width_mm: missing beside mouth_height_mm, an oblong mouth has both. Add for example"
        " mouth_width_mm = [180, 220]",
    ),
    "both kinds of mouth": (
        changed("mouth_height_mm", "mouth_diameter_mm = [180, 260]\nmouth_height_mm"),
        "t.toml [limits] mouth_diameter_mm and mouth_width_mm exclude each other: keep mouth_diameter_mm for a round"
        " mouth, mouth_width_mm and mouth_height_mm for an oblong one",
    ),
    "diameter and height": (
        changed("mouth_width_mm", "mouth_diameter_mm"),
        "t.toml [limits] mouth_diameter_mm and mouth_height_mm exclude each other: keep mouth_diameter_mm for a round"
        " mouth, mouth_width_mm and mouth_height_mm for an oblong one",
    ),
    "section of a round mouth": (
        changed("[limits]\n", "[limits]\nsection_exponent = [2, 3]\n", GOOD),
        "t.toml [limits] section_exponent: is for oblong mouths, a round one's sections are circles. Remove it, or give"
        f" {INSTEAD}",
    ),
    "reversed exponents": (
        changed("[2, 3.5]", "[3.5, 2]"),
        "t.toml [limits] section_exponent = [3.5, 2]: must be [lowest, greatest], or one number. Swap them",
    ),
    "exponent of true": (
        changed("[2, 3.5]", "true"),
        "t.toml [limits] section_exponent = true: must be a number, or a range [lowest, greatest]. Write it without"
        " quotation marks or unit",
    ),
    "exponent of a lozenge": (
        changed("[2, 3.5]", "[1, 3.5]"),
        "t.toml [limits] section_exponent, value 1 = 1: must be 1.5 to 20. Raise it",
    ),
    "reversed width": (
        changed("[180, 220]", "[220, 180]"),
        "t.toml [limits] mouth_width_mm = [220, 180]: must be [lowest, greatest], or one number. Swap them",
    ),
    "height in metres": (
        changed("[100, 140]", "[0.1, 140]"),
        "t.toml [limits] mouth_height_mm, value 1 = 0.1: must be 15 to 2000. Is it in metres? Then write 100",
    ),
    "mouth no higher than the exit": (
        changed("[100, 140]", "[20, 26]"),
        "t.toml [limits] mouth_height_mm = [.., 26]: must reach beyond 1.05 times [driver] exit_diameter_mm = 25.4."
        " Raise it",
    ),
    "draft of nothing known": (
        changed("smallest_draft_deg = 3", "smallest_draft_deg = -1"),
        "t.toml [limits] smallest_draft_deg = -1: must be 0 to 45. Raise it",
    ),
    "more draft than wall": (
        changed("smallest_draft_deg = 3", "smallest_draft_deg = 30\ngreatest_wall_angle_deg = 20"),
        "t.toml [limits] smallest_draft_deg = 30: must be at most greatest_wall_angle_deg, 20. Lower it, or raise that",
    ),
    "more draft than throat": (
        changed("throat_angle_deg = [2, 20]", "throat_angle_deg = [2, 20]\nsmallest_draft_deg = 21", GOOD),
        "t.toml [limits] smallest_draft_deg = 21: must be at most the greatest of throat_angle_deg, 20. Lower it, or"
        " raise that",
    ),
    "oblong mouth on a sphere": (
        OBLONG + '[mounting]\nkind = "sphere"\nradius_mm = 200\n',
        't.toml [mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for an oblong'
        " mouth, a sphere takes a round"
        ' one only. Write kind = "baffle" without radius_mm, or [limits] mouth_diameter_mm instead of mouth_width_mm'
        " and"
        " mouth_height_mm",
    ),
    "one beamwidth of an oblong mouth": (
        changed("beamwidth_horizontal_deg", "beamwidth_deg"),
        "t.toml [wanted] beamwidth_deg: is for a round mouth. Write beamwidth_horizontal_deg and"
        " beamwidth_vertical_deg, or give [limits] mouth_diameter_mm instead of mouth_width_mm and mouth_height_mm",
    ),
    "horizontal beamwidth of a round mouth": (
        changed("beamwidth_deg", "beamwidth_horizontal_deg", GOOD),
        "t.toml [wanted] beamwidth_horizontal_deg: is for an oblong mouth, or one in a cabinet. Write"
        f" beamwidth_deg, or give [limits] {INSTEAD}",
    ),
    "vertical beamwidth of a round mouth": (
        changed("beamwidth_deg", "beamwidth_vertical_deg", GOOD),
        "t.toml [wanted] beamwidth_vertical_deg: is for an oblong mouth, or one in a cabinet. Write"
        f" beamwidth_deg, or give [limits] {INSTEAD}",
    ),
    "unequal vertical beamwidths": (
        changed("[180, 80, 60]", "[80, 60]"),
        "t.toml [wanted] beamwidth_vertical_deg holds 2 values: must be 3, one for each frequency_hz. Complete the"
        " list",
    ),
    "beam wider than the half space": (
        changed("[180, 80, 60]", "[190, 80, 60]"),
        "t.toml [wanted] beamwidth_vertical_deg = 190: must be at most 180 in a baffle, where 180 means that the level"
        " never falls 6 dB. Lower it",
    ),
    "constancy above all": (
        changed("constancy_weight = 0.5", "constancy_weight = 11"),
        "t.toml [wanted] constancy_weight = 11: must be 0 to 10. Lower it",
    ),
    "constancy by plane": (
        changed("constancy_weight = 0.5", "constancy_weight = [0.5, 1]"),
        "t.toml [wanted] constancy_weight = [0.5, 1]: must be a number, 0 to 10. Write it without quotation marks or"
        " unit, with a decimal point",
    ),
    "round corners": (
        changed("section_exponent", "corner_radius_mm"),
        "t.toml [limits] corner_radius_mm = [2, 3.5]: is for design files, a search draws superellipses. Write"
        " section_exponent = [2, 4], or leave it out for ellipses",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(target_of, name):
    text, expected = FAULTS[name]
    with pytest.raises(InputError) as caught:
        target_of(text)
    assert str(caught.value) == expected


def test_round_mouth_in_a_cabinet_may_want_a_beam_of_its_own_in_each_plane(target_of):
    """Up and down differ there though the mouth is round; one beamwidth for both is as it was."""
    boxed = changed(
        "[limits]", '[mounting]\nkind = "cabinet"\nwidth_mm = 320\nheight_mm = 450\ndepth_mm = 300\n[limits]', GOOD
    )
    both = changed("beamwidth_deg", "beamwidth_horizontal_deg", boxed)
    across, upward = (wanted_beamwidth(target_of(both), 1500.0, plane=plane) for plane in (0.0, 0.5 * np.pi))
    alike = [wanted_beamwidth(target_of(boxed), 1500.0, plane=plane) for plane in (0.0, 0.5 * np.pi)]
    assert upward is None
    assert across == alike[0] == alike[1]
    line = next(each for each in both.splitlines() if each.startswith("beamwidth_horizontal_deg"))
    with pytest.raises(InputError, match="beamwidth_deg and beamwidth_horizontal_deg exclude each other"):
        target_of(both.replace(line, f"{line}\n{line.replace('_horizontal', '')}"))
