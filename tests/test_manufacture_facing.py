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
from evenflare.manufacture.milling.operations import lathe_operations, operations
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.milling.seat import back, driver_holes
from evenflare.manufacture.part.features import SCREWS, features_of, features_words
from evenflare.manufacture.part.rim import rim_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import DriverSeat, HoldDown
from evenflare.units import MILLIMETRE as MM
from test_manufacture_operations import BOX, CONE, EDGE, LATHE, OBLONG, ROUTER, proved, sized

KINDS = ("router", "lathe", "sheets", "casting", "print")
SPARE = 6.5
"""mm, of the stock behind a part 23 high: three levels, each no deeper than a stepdown eased for a slender tool."""
SEATED = replace(
    ROUTER,
    seat=DriverSeat(60 * MM, 3 * MM, bolt_circle=51 * MM, bolts=3, hole_diameter=7 * MM, hole_depth=6 * MM),
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
    assert levels.tolist() == pytest.approx([0.0, SPARE / 3, 2 * SPARE / 3], abs=1e-5)
    # By a geometry library: what the cutter's flat end, 5 mm of radius, passes on the last level holds all of the part.
    floor = shapely.LineString(low[np.abs(low[:, 2]) < 1e-12, :2] / MM).buffer(5.0)
    part = shapely.Point(0, 0).buffer(55.0) if waveguide is CONE else shapely.box(-55, -45, 55, 45)
    assert floor.contains(part)
    seat = back(waveguide, SEATED, across=90 * MM, pinned=True, faced=SPARE * MM)
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
    after = back(CONE, SEATED, across=110 * MM, faced=SPARE * MM)
    assert "run after facing_back" in after.setup[0]
    # The stock round the part stands higher than the machine's 10 mm would clear.
    assert after.position[after.rapid][0, 2] == pytest.approx((10 + SPARE) * MM)
    assert "stands 6.5 above Z0" in after.setup[1]
    assert "6.5 below the upper side of the stock" in " ".join(faced().setup)
    assert "the tabs hold the part" in " ".join(faced().setup)
    loose = replace(SEATED, hold_down=HoldDown("free", "vacuum", 45 * MM))
    with pytest.raises(InputError, match=r'\[hold_down\] kind = "free": .* it would come loose\. Write kind = "tabs"'):
        faced(process=loose)
    shell = Solid("shell", flange_diameter=110 * MM)
    assert faced(shell, process=loose).lowest == pytest.approx(0.0, abs=1e-12)
    bare = replace(ROUTER, seat=DriverSeat())
    assert "in no program: the shell's outside behind its flange" in programs(CONE, bare, sized(shell)).left[0]
    assert programs(CONE, bare, sized(EDGE)).left == ()


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


def test_holes_for_the_driver_that_the_seat_s_tool_is_too_wide_for_have_a_narrower_one(tmp_path):
    narrow = replace(SEATED, seat=replace(SEATED.seat, hole_diameter=4 * MM))
    made = [
        facing_back(CONE, narrow, rim_of(sized(EDGE)), whole=True),
        back(CONE, narrow, across=110 * MM, faced=SPARE * MM),
        driver_holes(CONE, narrow, across=110 * MM, pinned=True, after="back"),
    ]
    assert [each.tool.name for each in made] == ["bull 12", "flat 6", "flat 3"]
    assert not any("holes:" in line for line in made[1].setup)
    for each in proved(tmp_path, made, EDGE, narrow).values():
        assert each.accepted, each
        assert each.leftover_within in (True, None)  # the recess alone leaves the holes to the next
    # Where no tool is long enough for the holes, and their program is left out, nobody asks the recess's for them.
    alone = proved(tmp_path, made[:2], EDGE, narrow)
    assert alone["back"].accepted
    assert alone["back"].leftover.size < 0.021 * MM  # the chords of the recess's rings; a hole is 6 mm deep
    assert driver_holes(CONE, SEATED, across=110 * MM, pinned=True, after="back") is None
    without = replace(narrow, tools=tuple(tool for tool in narrow.tools if tool.name != "flat 3"))
    with pytest.raises(InputError, match=r"must be below hole_diameter_mm = 4, for a helix, and no other flat tool is"):
        driver_holes(CONE, without, across=110 * MM, pinned=True, after="back")


def test_a_hole_too_wide_by_its_program_is_found(tmp_path):
    narrow = replace(SEATED, seat=replace(SEATED.seat, hole_diameter=4 * MM))
    wider = replace(narrow, seat=replace(narrow.seat, hole_depth=6.3 * MM))
    made = [back(CONE, narrow, across=110 * MM), driver_holes(CONE, narrow, across=110 * MM, pinned=True, after="back")]
    deeper = driver_holes(CONE, wider, across=110 * MM, pinned=True, after="back")
    planted = replace(deeper, setup=made[1].setup)
    found = proved(tmp_path, [made[0], planted], EDGE, narrow)["driver_holes"]
    assert not found.accepted
    assert found.gouge.size == pytest.approx(0.3 * MM, abs=1e-6)  # programs end at 0.1 um


def test_a_shell_s_flange_is_not_parted_off_by_the_block_s_rule():
    lathe = replace(LATHE, seat=DriverSeat())
    for kind, words, other in (("block", "the back, Z -20.000", "alone"), ("shell", "flange alone", "the back, Z")):
        solid = Solid(kind, flange_diameter=110 * MM, flange_thickness=8 * MM if kind == "shell" else None)
        made = lathe_operations(CONE, lathe, sized(solid), features_of(solid, lathe)).programs[0]
        assert words in " ".join(made.setup)
        assert other not in " ".join(made.setup)


def test_each_process_says_of_holes_seat_and_rim_what_its_own_files_lack():
    solid = Solid(seat_diameter=60 * MM, seat_depth=3 * MM, front_bolts=4, front_screw="M4", edge_radius=3 * MM)
    told = {name: " ".join(features_words(features_of(solid), read_process(name))) for name in KINDS}
    assert told["print"] == told["router"] == ""
    assert told["sheets"] == "the front's edge is in no file to be cut: round it to 3 mm"
    assert "holes are not cast: drill them" in told["casting"]
    assert "the front's edge is not cast" in told["casting"]
    assert told["lathe"] == "the front's holes are in no program: drill them by the drawing"


def test_a_rapid_move_through_the_stock_round_a_part_is_found(tmp_path):
    """It stands 12 above Z0 once the back is flat, and the machine's safe height is 10."""
    thick = replace(SEATED, stock=replace(SEATED.stock, size=(250 * MM, 250 * MM, 35 * MM)))
    away = np.array([[100 * MM, 0.0, 0.0]])
    for high, kept in ((12 * MM, True), (0.0, False)):
        seat = back(CONE, thick, across=110 * MM, faced=high)
        place = away + np.array([0.0, 0.0, seat.position[0, 2]])
        parked = replace(
            seat,
            position=np.vstack([seat.position, place]),
            feed=np.append(seat.feed, seat.feed[0]),
            rapid=np.append(seat.rapid, True),
        )
        found = proved(tmp_path, [faced(process=thick), parked], EDGE, thick)["back"]
        assert found.accepted is kept
        assert [each.what for each in found.contacts] == ([] if kept else ["rapid move"])
