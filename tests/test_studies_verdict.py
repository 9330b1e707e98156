"""Whether a target is met, on directivities whose deviations are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.closed_forms import piston_index
from evenflare.commands.searching import winner_observation
from evenflare.objective import Score, score
from evenflare.studies.verdict import verdict
from evenflare.target.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import Mounting
from test_objective import AIR, CONE, FREQUENCY, piston, target_of

SIZE = 2 * np.pi * FREQUENCY * 0.06 / AIR.speed_of_sound
INDEX = piston_index(SIZE)
KEPT = Score(0.0, {}, {"depth_mm": -3.0})


def judged(target: Target, **changes):
    found = replace(piston(target=target), **changes)
    return verdict(found, score(found, CONE, target), target)


def test_what_is_wanted_is_met():
    found = judged(target_of(INDEX))
    assert found.met
    assert found.headline == "The target is met: everything lies inside the tolerance, and all limits are kept."
    assert found.lines == ["Index: inside the tolerance at all 33 scored frequencies.", "Limits: all kept."]


def test_the_last_frequency_of_a_target_is_judged_like_any_other():
    """14 kHz with a tolerance of 1 dB, 2.33 dB off: named as the worst, though everything before it is right."""
    own = np.array([1000.0, 2000.0, 5000.0, 13000.0, 14000.0])
    index = piston_index(2 * np.pi * own * 0.06 / AIR.speed_of_sound)
    target = target_of(index - [0, 0, 0, 0, 2.33], frequency=own, tolerance=np.array([2.0, 2.0, 2.0, 2.0, 1.0]))
    found = judged(target)
    assert not found.met
    assert found.headline == "The target is not met: index leaves the tolerance."
    (reading,) = found.readings
    assert reading.frequency[-1] == 14000.0
    assert reading.deviation[-1] == pytest.approx(2.33, abs=1e-9)  # the piston's power is its closed form
    assert "of them among the target's own 5; worst +2.33 dB at 14 kHz (±1 dB allowed)." in reading.line


def test_the_first_frequency_too():
    own = np.array([1200.0, 1300.0, 5000.0, 14000.0])
    index = piston_index(2 * np.pi * own * 0.06 / AIR.speed_of_sound)
    found = judged(
        target_of(index + np.array([1.26, 0, 0, 0]), frequency=own, tolerance=np.array([0.5, 2.0, 2.0, 2.0]))
    )
    assert "worst −1.26 dB at 1.2 kHz (±0.5 dB allowed)" in found.readings[0].line


@pytest.mark.parametrize("mounting", [Mounting(), Mounting(0.2)], ids=["baffle", "sphere"])
def test_a_winner_is_looked_at_where_something_is_wanted(mounting):
    target = target_of(8.0, frequency=np.array([1234.5, 5000.0, 14000.0]), mounting=mounting)
    frequency = winner_observation(target, replace(CONE, mounting=mounting)).frequency
    assert {1234.5, 5000.0, 14000.0} <= set(frequency)
    assert frequency[[0, -1]] == pytest.approx([300.0, 20000.0])  # as any design's


def test_beamwidths_are_told_in_degrees():
    target = target_of(INDEX, beamwidth=np.full(33, 100 * DEGREE))
    found = judged(target)
    assert [reading.name for reading in found.readings] == ["index", "beamwidth"]
    line = found.lines[1]
    assert line.startswith("Beamwidth: outside the tolerance at ")
    assert "° instead of 100° at 16 kHz (+" in line  # a piston of 60 mm: 12 degrees there
    assert found.headline == "The target is not met: beamwidth leaves the tolerance."


def test_each_plane_of_a_cabinet_has_a_line(tmp_path):
    target = target_of(INDEX, beamwidth=np.full(33, 100 * DEGREE))
    flat = replace(piston(target=target), half_space=True)
    boxed = replace(target, mounting=_Boxed())
    found = verdict(flat, KEPT, boxed)
    assert [reading.name for reading in found.readings][1:] == ["horizontal beamwidth", "vertical beamwidth"]


class _Boxed(Mounting):
    """A mounting whose kind is a cabinet, for a target's planes."""

    @property
    def kind(self):
        return "cabinet"


def test_what_is_not_valid_is_told_and_no_target_is_met_without_it():
    own = np.array([1000.0, 4000.0, 14000.0])
    index = piston_index(2 * np.pi * own * 0.06 / AIR.speed_of_sound)
    target = target_of(index, frequency=own, tolerance=5.0)
    valid = piston(target=target).observation.frequency < 13900.0
    found = judged(target, valid=valid)
    assert found.left_out.tolist() == [14000.0]
    assert not found.met
    assert "Wanted but not counted, since there is no valid result: 14 kHz." in found.lines
    assert judged(replace(target, weight=[1, 1, 0]), valid=valid).left_out.size == 0  # it was not asked for


def test_broken_limits_are_told():
    target = target_of(INDEX)
    found = verdict(
        piston(target=target), replace(KEPT, constraints={"depth_mm": 2.5, "mouth_diameter_mm": -1}), target
    )
    assert not found.met
    assert found.headline == "The target is not met: 1 limit is broken."
    assert found.lines[-1] == "Limits: breaks depth, mm by 2.5."


def test_a_room_is_told():
    target = target_of(INDEX)
    found = verdict(piston(target=target), replace(KEPT, terms={"room_db": 1.234}), target)
    assert "Room: reflected sound departs from the direct sound's balance by 1.23 dB rms, from 1 kHz on." in found.lines
    several = (
        "Room: reflected sound departs from the direct sound's balance by 1.23 dB rms on the mean over 3 rooms, from"
    )
    assert any(line.startswith(several) for line in replace(found, rooms=3).lines)


def test_what_has_no_weight_is_not_judged():
    weight = np.where(FREQUENCY > 8000, 0.0, 1.0)
    found = judged(target_of(np.where(weight > 0, INDEX, 0.0), weight=weight))
    assert np.all(found.readings[0].frequency < 8001)
    assert found.met
