"""How long programs run, what edge an insert needs, and what a spindle's nose may meet; all against closed forms."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import shapely
import shapely.affinity

from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.programs import programs as all_programs
from evenflare.manufacture.milling.run_time import CORNER, run_time
from evenflare.manufacture.milling.side_edge import CELL, STEP, side_edges
from evenflare.manufacture.milling.slender import share_of
from evenflare.manufacture.milling.turning import bore_radius
from evenflare.manufacture.proof.proof import prove
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, OblateSpheroidal, Waveguide
from programs_shared import made, process, sizes_of

SMALL = Waveguide(Conical(30 * MM, 40 * DEGREE, 5 * MM))
FEED, ACCELERATION = 0.05, 0.5


def moved(places, *, feed=FEED, kind="milling", tool="ball 6", bundled="router", rapid=None):
    places = np.asarray(places, dtype=float) * MM
    rapids = np.zeros(len(places), dtype=bool) if rapid is None else np.asarray(rapid)
    return Program("finishing", process(bundled).tool(tool), places, np.full(len(places), feed), rapids, "here", kind)


def time_of(places, *, feed=FEED, acceleration=ACCELERATION):
    asked = process(machine={"acceleration": acceleration, "spin_up": 0.0})
    return run_time(moved(places, feed=feed), asked)


def test_a_single_move_takes_its_way_over_its_feed_and_its_feed_over_its_acceleration():
    # From rest to rest: L / v + v / a where the feed is reached (v^2 / a = 5 mm), else 2 sqrt(L / a).
    assert time_of([[0, 0, 0], [100, 0, 0]]) == pytest.approx(0.1 / FEED + FEED / ACCELERATION)
    assert time_of([[0, 0, 0], [2, 0, 0]]) == pytest.approx(2 * np.sqrt(2e-3 / ACCELERATION))
    assert time_of([[0, 0, 0], [5, 0, 0]]) == pytest.approx(2 * FEED / ACCELERATION)


def test_moves_in_one_line_are_one_and_a_reversal_stops():
    assert time_of([[k, 0, 0] for k in range(101)]) == pytest.approx(time_of([[0, 0, 0], [100, 0, 0]]), rel=1e-6)
    there, back = [[0, 0, 0], [30, 0, 0]], [[0, 0, 0], [30, 0, 0], [0, 0, 0]]
    assert time_of(back) == pytest.approx(2 * time_of(there), rel=1e-4)  # a reversal's arc has a radius of 1e-9


def test_a_corner_is_passed_at_the_speed_of_the_arc_that_rounds_it():
    # A right angle: radius away / (sqrt 2 - 1), and v^2 = a r.
    speed = np.sqrt(ACCELERATION * CORNER / (np.sqrt(2.0) - 1.0))
    leg = 0.1 / FEED + (FEED**2 + (FEED - speed) ** 2) / (2 * ACCELERATION * FEED)
    assert time_of([[0, 0, 0], [100, 0, 0], [100, 100, 0]]) == pytest.approx(2 * leg)


def test_a_circle_of_short_moves_runs_no_faster_than_its_curvature_allows():
    turn = np.linspace(0, 20 * np.pi, 10 * 1440 + 1)
    places = 20 * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    # v^2 = a R, 0.1 m/s; ten turns of 0.126 m, and 0.1 / 0.5 s to speed up and slow down. Within each straight move
    # of 0.09 mm it gains half of a L / 2 v^2, 0.1 per cent, at most.
    assert time_of(places, feed=0.3) == pytest.approx(10 * 2 * np.pi * 20e-3 / 0.1 + 0.2, rel=1.5e-3)


def test_slow_axes_make_a_finishing_program_longer_and_infinitely_quick_ones_do_not():
    program = made(SMALL, process(scallop_height=50e-6))["finishing"]
    way = np.linalg.norm(np.diff(program.position, axis=0), axis=1)
    at_feeds = float(np.sum(way / program.feed[1:]))
    quick, usual, slow = (
        run_time(program, process(machine={"acceleration": a, "spin_up": 3.0})) - 3.0 for a in (1e9, 0.5, 0.02)
    )
    assert quick == pytest.approx(at_feeds, rel=1e-4)
    assert at_feeds < usual < slow


def turned(places):
    return moved([[x, 0, z] for x, z in places], kind="turning", tool="bar, nose 0.8", bundled="lathe")


@pytest.mark.parametrize("angle", [93.0, 95.0, 107.5])
def test_a_pass_along_the_axis_needs_its_depth_of_cut_of_the_side_edge(angle):
    lean, nose, bore, deep = (angle - 90) * DEGREE, 0.8, 10.0, 2.5
    program = turned([(bore + deep - nose, 5), (bore + deep - nose, -20)])
    tool = dataclasses.replace(program.tool, edge_angle=angle * DEGREE)
    program = dataclasses.replace(program, tool=tool)
    (edge,) = side_edges((program,), process("lathe").machine, bore=bore * MM)
    # From the tip to the bore, along an edge that leans: to a cell of the raster.
    assert edge / MM == pytest.approx(deep / np.cos(lean), abs=1.5 * CELL / MM)


def test_a_cut_that_the_nose_alone_makes_needs_no_side_edge():
    program = turned([(10 + 0.4 - 0.8, 5), (10 + 0.4 - 0.8, -20)])
    assert side_edges((program,), process("lathe").machine, bore=10 * MM) == [0.0]


def test_a_cut_across_the_face_needs_its_depth_over_the_lean_of_the_edge():
    # Over a face cut `deep`: the edge, 5 degrees from it, leaves the material deep / tan 5 degrees further in.
    lean, nose, deep = 5 * DEGREE, 0.8, 0.5
    program = turned([(60, 5), (60, -deep + nose), (30, -deep + nose)])
    first = turned([(59.2, 5), (59.2, -40)])
    before, across = side_edges((first, program), process("lathe").machine, bore=10 * MM)
    assert before / MM == pytest.approx(50 / np.cos(lean), abs=2 * CELL / MM)  # from the bore to the tip, in one
    lone = turned([(60, 5), (60, -deep + nose), (30, -deep + nose)])
    (across,) = side_edges((lone,), process("lathe").machine, bore=10 * MM)
    wide = nose + nose * np.sin(lean) + (deep - nose * (1 - np.cos(lean))) / np.tan(lean)
    # A step of the tool and a cell of the raster, and the skin of 2 um over the slope of the edge.
    assert across / MM == pytest.approx(wide / np.cos(lean), abs=(CELL + STEP) / MM + 0.03)


def edge_by_polygons(program, bore, *, step):
    """mm: the same by cutting polygons with an insert as a polygon, its back open toward the front."""
    nose, lean, far = program.tool.corner_radius / MM, program.tool.edge_angle - 90 * DEGREE, 40.0
    begin = nose * np.array([-np.sin(lean), -np.cos(lean)])
    end = begin + far * np.array([-np.cos(lean), np.sin(lean)])
    back = shapely.Polygon([begin, end, (end[0], 80), (nose, 80), (nose, 0), (0, 0)])
    insert = shapely.union(shapely.Point(0, 0).buffer(nose, quad_segs=64), back)
    edge, material, longest = shapely.LineString([begin, end]), shapely.box(bore / MM, -60, 120, 0), 0.0
    centre = program.position[:, [0, 2]] / MM
    for row in range(1, len(centre)):
        way = centre[row] - centre[row - 1]
        count = max(1, int(np.hypot(*way) / step))
        for share in np.arange(1, count + 1) / count:
            x, z = centre[row - 1] + way * share
            if z > nose:
                continue
            met = shapely.affinity.translate(edge, x, z).intersection(material)
            if not program.rapid[row] and met.length > 2e-3:
                there = shapely.get_coordinates(met) - [x + begin[0], z + begin[1]]
                longest = max(longest, np.hypot(*there.T).max() + (nose + nose * np.sin(lean)) / np.cos(lean))
            material = material.difference(shapely.affinity.translate(insert, x, z))
        material = material.simplify(2e-4)
    return longest


@pytest.mark.parametrize(
    "wall", [Conical(12 * MM, 40 * DEGREE, 3 * MM), OblateSpheroidal(15 * MM, 35 * DEGREE, 8 * MM)]
)
def test_the_edge_that_a_whole_program_needs_is_that_of_an_insert_of_polygons(wall):
    waveguide, asked = Waveguide(wall), process("lathe")
    (program,) = made(waveguide, asked).values()
    bore = bore_radius(waveguide, asked)
    (edge,) = side_edges((program,), asked.machine, bore=bore)
    # Both advance in steps of 0.02 mm, of which an edge along a wall sees the double.
    assert edge / MM == pytest.approx(edge_by_polygons(program, bore, step=0.02), abs=0.04)


@pytest.mark.parametrize("point", ["nose_centre", "imaginary_tip"])
def test_an_insert_with_too_short_an_edge_is_refused_and_the_edge_that_is_told_does(point):
    machine = {"programmed_point": point}
    (plain,) = made(SMALL, process("lathe", machine=machine)).values()
    (line,) = (each for each in plain.setup if each.startswith("insert: "))
    needed = float(re.search(r"cuts up to ([\d.]+) from the tip", line)[1])
    eased = 2.0 * share_of(process("lathe").tools[0])
    assert eased <= needed < 4.0  # a stepdown of 2 as this bar bears it, and the steps left by the wall
    assert line.endswith("see that it has")
    short = {"bar, nose 0.8": {"edge_length": (needed - 0.1) * MM}}
    asked = process("lathe", machine=machine, tools=short)
    (left_out,) = all_programs(SMALL, asked, sizes_of(SMALL)).left_out
    assert re.search(rf"edge_length_mm = .* with {needed} of the insert's side edge", left_out)
    enough = {"bar, nose 0.8": {"edge_length": needed * MM}}
    (program,) = made(SMALL, process("lathe", machine=machine, tools=enough)).values()
    assert any(each.endswith(f"and it has {needed:g}") for each in program.setup)


def test_each_of_two_inserts_is_told_its_own_edge():
    asked = process("lathe")
    fine = dataclasses.replace(asked.tools[0], name="fine", corner_radius=0.4 * MM, diameter=0.8 * MM)
    found = made(SMALL, dataclasses.replace(asked, tools=(*asked.tools, fine), finishing_tool="fine"))
    lines = [next(each for each in program.setup if each.startswith("insert: ")) for program in found.values()]
    rough, finished = (float(re.search(r"up to ([\d.]+) from", line)[1]) for line in lines)
    # Roughing by its eased stepdown; finishing takes half a millimetre of stock, along a slope.
    assert rough >= share_of(asked.tools[0]) * 2.0
    assert 0.5 <= finished < 2.0
    assert rough != finished


def test_a_spindles_nose_that_would_meet_the_wall_is_refused_and_seen_by_the_proof():
    short = {"ball 6": {"reach": 30 * MM, "holder_diameter": 8 * MM, "spindle_nose": 80 * MM}}
    bare = process(tools={"ball 6": {**short["ball 6"], "holder_length": 0.0}})
    (left_out,) = all_programs(SMALL, bare, sizes_of(SMALL)).left_out
    assert "the spindle, 80 mm wide" in left_out
    needed = float(re.search(r"at least ([\d.]+)\. ", left_out)[1])
    fits = {"ball 6": {**short["ball 6"], "holder_length": (needed - 30) * MM}}
    asked = process(tools=fits, scallop_height=50e-6)
    programs = made(SMALL, asked)
    for length, meets in ((needed - 30, False), (needed - 34, True)):
        tool = dataclasses.replace(asked.tool("ball 6"), holder_length=length * MM)
        cutting = [programs["roughing"], dataclasses.replace(programs["finishing"], tool=tool)]
        proof = prove(
            SMALL, cutting, sizes=sizes_of(SMALL), tolerance=asked.tolerance, scallop_height=50e-6, grid=0.5 * MM
        )
        assert any(each.what == "spindle" for each in proof.programs[1].contacts) == meets
