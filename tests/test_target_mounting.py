"""Targets for free-standing bodies and for drivers as they are: what is checked when the file is read, and when a
candidate is built.
"""

import numpy as np
import pytest

from evenflare.closed_forms import cap_index
from evenflare.files import InputError
from evenflare.search import ranking_words
from evenflare.search.judging import factory_for
from evenflare.search.worker import Job, evaluate
from evenflare.target.reach import largest_reachable, reachability
from evenflare.waveguide import ParameterSpace, RolledShell, RoundCabinet, Source, limit_excess
from evenflare.waveguide.body import volume
from target_texts import GOOD, OBLONG

FREE = '[mounting]\nkind = "free_standing"\n'
CABINET = FREE + 'outline = "round_cabinet"\ndiameter_mm = 320\ndepth_mm = 200\nedge_radius_mm = 20\n'
SHELL = FREE + 'outline = "rolled_shell"\nrim_radius_mm = 15\nback_diameter_mm = 160\nback_depth_mm = 40\n'


def with_driver(keys):
    return GOOD.replace("exit_diameter_mm = 25.4\n", f"exit_diameter_mm = 25.4\n{keys}\n")


def test_outline_and_driver_are_read(target_of):
    target = target_of(GOOD + CABINET)
    assert target.mounting.kind == "free_standing"
    assert target.mounting.body == RoundCabinet(0.32, 0.2, 0.02)
    assert target_of(GOOD + SHELL).mounting.body == RolledShell(0.015, 0.16, 0.04)
    driver = target_of(with_driver('velocity_profile = [[0, 1], [1, 0.8]]\nsource = "pressure"')).driver
    assert driver.velocity_profile == ((0.0, 1.0), (1.0, 0.8))
    assert driver.source == Source("pressure")


def test_oblong_mouths_have_a_shell_of_their_own_and_are_heard_all_round(target_of):
    """Even the estimate, the march on a sphere, hears what is behind; few are ranked by the judge's small cells."""
    target = target_of(OBLONG + SHELL)
    assert target.mounting.body == RolledShell(0.015, 0.16, 0.04)
    space = ParameterSpace("conical", target.limits, target.driver, target.mounting)
    waveguide = space.waveguide(np.full(len(space.names), 0.5))
    assert waveguide.oblong_body is not None
    outcome = evaluate(
        target, factory_for(target.mounting, oblong=True), Job("conical", (0.5,) * len(space.names), "estimate")
    )
    assert outcome.value is not None
    assert "boundary elements with large cells" in ranking_words(target.mounting, oblong=True)


def test_a_mouth_that_the_shell_cannot_hold_is_refused_with_its_size(target_of):
    with pytest.raises(
        InputError, match=r"rim_radius_mm = 60: must be 0 to .* allow depth_mm = .* with mouth_width_mm"
    ):
        target_of(OBLONG + SHELL.replace("rim_radius_mm = 15", "rim_radius_mm = 60"))


@pytest.mark.parametrize("mounting", [CABINET, SHELL])
@pytest.mark.parametrize("family", ["conical", "tractrix", "free"])
def test_any_candidate_within_the_limits_has_its_outline(target_of, mounting, family):
    target = target_of(GOOD + mounting)
    space = ParameterSpace(family, target.limits, target.driver, target.mounting)
    generator = np.random.default_rng(5)
    for _ in range(20):
        waveguide = space.waveguide(generator.random(len(space.names)))
        assert len(waveguide.outside) >= 3
        assert limit_excess(waveguide, target.limits)


def test_candidate_whose_outline_cuts_into_its_wall_is_none(target_of):
    """A back narrower than the exit can be built at every mouth: that it meets the wall shows only with the wall."""
    target = target_of(GOOD + SHELL.replace("= 160", "= 4").replace("= 40", "= 5").replace("= 15", "= 0"))
    space = ParameterSpace("conical", target.limits, target.driver, target.mounting)
    deep_and_narrow = space.waveguide(np.array([1.0, 0.0, 0.0]))
    with pytest.raises(ValueError, match=r'\[mounting\] outline = "rolled_shell": the outline crosses the waveguide'):
        limit_excess(deep_and_narrow, target.limits)


def test_reach_of_a_body_is_that_of_a_sphere_of_its_volume(target_of):
    target = target_of(GOOD + CABINET)
    pieces = target.mounting.body.pieces((0.11, 0.13), 0.11)
    radius = (3 * volume(pieces) / (4 * np.pi)) ** (1 / 3)
    expected = cap_index(np.array([2 * np.pi * 300 / 343.2 * radius]), half_angle=float(np.arcsin(0.13 / radius)))
    assert largest_reachable(target, [300.0]) == pytest.approx(expected, rel=1e-9)
    (warning,) = reachability(target_of(GOOD.replace("[6, 9", "[8.5, 9") + CABINET))
    assert "as one piston on a sphere of the body's volume" in warning
    assert not any(
        "in a baffle" in warning for warning in reachability(target_of(GOOD.replace("6, 9", "2, 9") + CABINET))
    )


FAULTS = {
    "cabinet narrower than the largest mouth": (
        GOOD + CABINET.replace("320", "240"),
        "t.toml [mounting] diameter_mm = 240: must be at least the mouth's, 260. Raise it, or make the mouth smaller."
        " [limits] allow depth_mm = 60 with mouth_diameter_mm = 260: the outline must hold every mouth they allow",
    ),
    "cabinet shallower than the deepest": (
        GOOD + CABINET.replace("= 200", "= 100"),
        "t.toml [mounting] depth_mm = 100: must be at least 115, the waveguide's 110 and 5 for the driver's seat. Raise"
        " it, or make the waveguide shallower. [limits] allow depth_mm = 110 with mouth_diameter_mm = 180",
    ),
    "edge that leaves no room for the largest mouth": (
        GOOD + CABINET.replace("= 20\n", "= 40\n"),
        "t.toml [mounting] edge_radius_mm = 40: must be 0 to 30, what the mouth leaves of the front. Lower it, or raise"
        " diameter_mm. [limits] allow depth_mm = 60 with mouth_diameter_mm = 260",
    ),
    "rim too large for the shallowest": (
        GOOD + SHELL.replace("= 15", "= 55"),
        "t.toml [mounting] rim_radius_mm = 55: must be 0 to 49.9, less than half of the way from the mouth to the back."
        " Lower it, or raise back_depth_mm. [limits] allow depth_mm = 60 with mouth_diameter_mm = 180",
    ),
    "points of one body": (
        GOOD + FREE + 'body_csv = "b.csv"\n',
        "t.toml [mounting] body_csv: is for design files, its first point is the rim of one mouth. Write outline ="
        ' "rolled_shell" or "round_cabinet" with its sizes, which are built around each mouth',
    ),
    "nothing said of the body": (
        GOOD + FREE,
        't.toml [mounting] outline: missing. Write outline = "rolled_shell" or "round_cabinet" with its sizes',
    ),
    "oblong mouth": (
        OBLONG + CABINET,
        't.toml [mounting] outline = "round_cabinet": must be "rolled_shell" for an oblong mouth, a cylinder takes a'
        ' round one. Write outline = "rolled_shell" with its sizes, which follows the mouth, or kind = "cabinet" for a'
        " box, or [limits] mouth_diameter_mm instead of mouth_width_mm and mouth_height_mm",
    ),
    "source known too little of": (
        with_driver(
            'source = "impedance"\nsource_frequencies_hz = [1500, 20000]\nsource_resistance = [1, 1]\n'
            "source_reactance = [0, 0]"
        ),
        "t.toml [driver] the source's impedance is given from 1500 to 20000 Hz: must cover the frequencies of [wanted],"
        " 1000 to 16000 Hz. Add the missing frequencies, or ask for 1500 to 16000 Hz only",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_message(target_of, name):
    text, expected = FAULTS[name]
    with pytest.raises(InputError) as caught:
        target_of(text)
    assert expected in str(caught.value)
    assert "\n" not in str(caught.value)  # one fault, one line


def test_beams_beyond_half_a_turn_are_for_bodies_too(target_of):
    assert target_of(GOOD.replace("[180, 100, 90]", "[250, 100, 90]") + CABINET).beamwidth[0] > np.pi
