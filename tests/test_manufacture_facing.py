"""The back milled flat out of stock that is too thick, and holes of every screw: programs, proof, what is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture.milling.drilling import hole_maker
from evenflare.manufacture.milling.facing import facing_back, spare_stock
from evenflare.manufacture.milling.operations import operations
from evenflare.manufacture.milling.seat import back
from evenflare.manufacture.part.features import SCREWS, features_of, features_words
from evenflare.manufacture.part.rim import rim_of
from evenflare.manufacture.process.types import DriverSeat, HoldDown
from evenflare.units import MILLIMETRE as MM
from test_manufacture_operations import BOX, CONE, EDGE, OBLONG, ROUTER, proved, sized

SPARE = 6.5
"""mm, of the stock behind a part 23 high: two levels of 3.25."""
SEATED = replace(
    ROUTER,
    seat=DriverSeat(
        diameter=60 * MM, depth=3 * MM, bolt_circle=46 * MM, bolts=3, hole_diameter=8 * MM, hole_depth=6 * MM
    ),
    stock=replace(ROUTER.stock, size=(250 * MM, 250 * MM, (23 + SPARE) * MM)),
)


def faced(solid=EDGE, waveguide=CONE, process=SEATED):
    sizes = sized(solid, waveguide)
    return facing_back(waveguide, process, rim_of(sizes), whole=sizes.kind == "block", pinned=True)


@pytest.mark.parametrize(("solid", "waveguide"), [(EDGE, CONE), (BOX, OBLONG)])
def test_the_back_is_milled_flat_level_by_level_all_over_the_part(tmp_path, solid, waveguide):
    program = faced(solid, waveguide)
    low = program.position[~program.rapid]
    assert program.lowest == pytest.approx(0.0, abs=1e-12)
    levels = np.unique(np.round(low[1:][np.abs(np.diff(low[:, 2])) < 1e-12, 2] / MM, 6))
    assert levels.tolist() == [0.0, 3.25]
    # By a geometry library: what the cutter's flat end, 5 mm of radius, passes on the last level holds all of the part.
    floor = shapely.LineString(low[np.abs(low[:, 2]) < 1e-12, :2] / MM).buffer(5.0)
    part = shapely.Point(0, 0).buffer(55.0) if waveguide is CONE else shapely.box(-55, -45, 55, 45)
    assert floor.contains(part)
    seat = back(waveguide, SEATED, across=90 * MM, pinned=True, faced=True)
    found = proved(tmp_path, [program, seat], solid, SEATED, waveguide)
    for each in found.values():
        assert each.accepted, each
        assert each.leftover_within
        # Half a level at least; the corner of a millimetre is promised too.
        assert 2 * MM < each.engagement.size <= each.engagement_stated <= 5 * MM


@pytest.mark.parametrize(("by", "gouge"), [(-0.3, 0.3), (0.3, 0.0)])
def test_a_floor_that_is_off_is_found(tmp_path, by, gouge):
    program = faced()
    last = np.abs(program.position[:, 2]) < 1e-12
    moved = replace(program, position=program.position + np.where(last[:, None], [0.0, 0.0, by * MM], 0.0))
    found = proved(tmp_path, [moved], EDGE, SEATED)["facing_back"]
    assert not found.accepted
    assert found.gouge.size == pytest.approx(gouge * MM, abs=1e-6)  # programs end at 0.1 um
    assert found.leftover.size == pytest.approx(max(by, 0.0) * MM, abs=1e-6)


def test_what_is_done_by_hand_is_said_and_a_part_that_would_come_loose_refused():
    assert spare_stock(CONE, replace(SEATED, stock=ROUTER.stock)) == 0.0
    assert faced(process=replace(SEATED, stock=ROUTER.stock)) is None
    assert faced(process=replace(SEATED, facing_tool="")) is None
    by_hand = back(CONE, SEATED, across=110 * MM)
    assert "plane the back until the part is 23.000 high, front face to back face: Z0" in by_hand.setup
    after = back(CONE, SEATED, across=110 * MM, faced=True)
    assert "run after facing_back" in after.setup[0]
    assert "6.5 below the upper side of the stock" in " ".join(faced().setup)
    assert "the tabs hold the part" in " ".join(faced().setup)
    loose = replace(SEATED, hold_down=HoldDown("free", "vacuum", 45 * MM))
    with pytest.raises(InputError, match=r'\[hold_down\] kind = "free": .* it would come loose\. Write kind = "tabs"'):
        faced(process=loose)
    shell = Solid("shell", flange_diameter=110 * MM)
    assert faced(shell, process=loose).lowest == pytest.approx(0.0, abs=1e-12)
    told = features_words(features_of(shell, ROUTER), ROUTER, kind="shell")
    assert "in no program: the shell's outside behind its flange" in told[0]


def test_what_the_profile_and_the_pins_go_into_is_the_stock_at_hand():
    """Of a shell the stock behind its flange stays: pins go through all of it, and no spoil board lies under holes."""
    for solid, process, high, under in (
        (EDGE, ROUTER, 20.0, "spoil board"),
        (replace(EDGE, kind="shell", edge_radius=None, flange_thickness=8 * MM), ROUTER, 20.0, "stock behind it"),
        (EDGE, SEATED, 23 + SPARE, "stock behind it"),
    ):
        features = features_of(replace(solid, seat=False) if process is ROUTER else solid, process)
        made = {each.name: each for each in operations(CONE, process, sized(solid), features).programs}
        # Ten into the spoil board, and the drill's point: 4 mm over the tangent of 59 degrees.
        assert made["pins"].lowest == pytest.approx(-(high + 10 + 4 / np.tan(np.radians(59))) * MM)
        assert under in " ".join(made["front_holes"].setup)


def test_each_screw_from_m3_to_m8_has_its_drill_and_other_holes_an_end_mill_that_fits():
    for screw in ("M3", "M4", "M5", "M6", "M8"):
        tool = hole_maker(ROUTER, SCREWS[screw][0])
        assert (tool.kind, tool.diameter) == ("drill", pytest.approx(SCREWS[screw][0]))
    assert hole_maker(ROUTER, 7.5 * MM).name == "flat 6"
    assert hole_maker(ROUTER, 5.0 * MM).name == "flat 3"
    assert hole_maker(replace(ROUTER, hole_tool=""), 7.5 * MM).name == "flat 6"
    with pytest.raises(InputError, match=r"no drill of 2\.9 mm among the tools, and no flat cutter narrower"):
        hole_maker(ROUTER, 2.9 * MM)
