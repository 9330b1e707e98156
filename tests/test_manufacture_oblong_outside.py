"""An oblong body's outside on a router: the ball on the rim's tube in closed form, rings held against a geometry
library's distance, cut in software as asked, planted errors found, and what is widest in no plane refused.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from evenflare.design.file import Solid
from evenflare.files import InputError, write_text
from evenflare.manufacture import cloud, oblong_sizes
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.operations import operations
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.oblong_sides import oblong_sides
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, RolledShell, Superellipse, Waveguide

RIM, DEPTH, BEHIND = 6 * MM, 20 * MM, 10 * MM
SOLID = Solid(kind="body", seat_diameter=40 * MM)
SHAPE = Oblong(Conical(DEPTH, 40 * DEGREE, 6 * MM), Conical(DEPTH, 28 * DEGREE, 6 * MM), Superellipse(2.5))
NAMES = ["outside_roughing", "outside_finishing", "outside_back_roughing", "outside_back_finishing"]


def standing(shell):
    return Waveguide(SHAPE, Driver(), Mounting(body=shell))


class Part:
    """A body and the programs of its outside."""

    def __init__(self, shell, **process):
        self.waveguide = standing(shell)
        self.body, wall = self.waveguide.oblong_body, cloud(self.waveguide.surface)
        self.sizes = oblong_sizes(self.waveguide.surface, wall, SOLID, body=self.body)
        self.features = fitted(self.waveguide, self.sizes, features_of(SOLID), wall=wall)
        router = read_process("router")
        hold = replace(router.hold_down, **process)
        # Coarse ridges, so that cutting and proving take less time.
        self.process = replace(router, seat=self.features.seat, hold_down=hold, scallop_height=0.05 * MM)
        found = operations(self.waveguide, self.process, self.sizes, self.features)
        self.left = found.left
        self.programs = {each.name: each for each in found.programs if each.name.startswith("outside")}

    def text(self, name):
        return gcode(self.programs[name], self.process, design_id="0a1b2c", name="free")

    def proved(self, folder, texts):
        paths = []
        for name, text in texts.items():
            paths.append(folder / f"{name}.nc")
            write_text(paths[-1], text)
        part = {"sizes": self.sizes, "features": self.features}
        found = prove_files(self.waveguide, paths, self.process, grid=0.6 * MM, **part)
        return {each.program: each for each in found.programs}


@pytest.fixture(scope="module")
def rolled():
    return Part(RolledShell(RIM, 54 * MM, BEHIND, 4 * MM))


def accepted(part, found):
    assert list(found) == NAMES
    assert part.left == ()
    for each in found.values():
        assert each.accepted, each
        assert 0.5 * MM < each.engagement.size <= each.engagement_stated < 8 * MM
        assert (each.too_high is None) == ("finishing" in each.program)
        if "roughing" in each.program:
            assert each.too_high.size == 0.0
        else:
            # Chords of 15 um on a convex outside cut in by as much, digits and the raster by a few micrometres more.
            assert each.gouge.size < 20e-6
            assert each.leftover.size <= each.leftover_allowed == pytest.approx(0.055 * MM, abs=1e-6)


def test_every_program_leaves_what_is_asked_and_meets_no_more_than_it_states(rolled, tmp_path):
    accepted(rolled, rolled.proved(tmp_path, {name: rolled.text(name) for name in NAMES}))


def test_the_ball_runs_on_the_rims_tube(rolled):
    """The rolled rim is a tube round the mouth's rim, moved back by its radius: a geometry library's distance from that
    closed curve to the ball's centre, in its plane, and the height above it, are the legs of a right triangle whose
    third side is both radii."""
    program = rolled.programs["outside_finishing"]
    ball = program.tool.radius
    psi = np.linspace(0.0, 2.0 * np.pi, 4_001)
    mouth = rolled.waveguide.surface.mouth
    # The mouth is a superellipse of exponent 2.5 (Barr 1981, IEEE Computer Graphics and Applications 1, 11).
    x, y = (np.sign(f) * np.abs(f) ** 0.8 for f in (np.cos(psi), np.sin(psi)))
    rim = shapely.LinearRing(np.column_stack([mouth.half_width * x, mouth.half_height * y]))
    tips = program.position[~program.rapid][2:-1]
    apart = shapely.distance(rim, shapely.points(tips[:, :2]))
    off = np.hypot(apart, tips[:, 2] + ball + RIM) - RIM - ball
    # The digits of the rim's own points: the spiral has no error but its chords, which lie between these places.
    assert np.abs(off).max() < 1e-6
    turn = np.unwrap(np.arctan2(tips[:, 1], tips[:, 0]))
    assert np.all(np.diff(turn) < 1e-9)  # clockwise: climbs outside


def test_roughing_leaves_its_stock_everywhere(rolled):
    """At each level a flat disc as wide as the cutter above its corner keeps the stock off the body's section there."""
    for side, name in zip(oblong_sides(rolled.body), ("outside_roughing", "outside_back_roughing"), strict=True):
        program = rolled.programs[name]
        tool, cut = program.tool, program.position[~program.rapid]
        levels, count = np.unique(cut[:, 2].round(9), return_counts=True)
        levels = levels[(count > 50) & (levels < -tool.corner_radius)]
        assert len(levels) > 1
        for level in levels.tolist():
            here = np.abs(cut[:, 2] - level) < 1e-9
            moves = np.flatnonzero(here[1:] & here[:-1])
            ring = shapely.MultiLineString(np.stack([cut[moves, :2], cut[moves + 1, :2]], axis=1).tolist())
            section = shapely.Polygon(side.section(level + tool.corner_radius))
            # Sections are polygons within a micrometre.
            assert shapely.distance(section, ring) > tool.radius + rolled.process.stock_left - 1e-6


def test_tabs_hold_the_body_at_its_widest_place(rolled):
    """No tip goes below a tab's top within half its width, on the outline of the widest place, from the back."""
    back, hold = oblong_sides(rolled.body)[1], rolled.process.hold_down
    outline = shapely.LinearRing(back.rim.points)
    top = back.lowest + rolled.process.tool(rolled.process.finishing_tool).radius + hold.tab_height
    told = next(line for line in rolled.programs["outside_back_roughing"].setup if "4 tabs" in line)
    middles = np.array(re.findall(r"x (-?[\d.]+) y (-?[\d.]+)", told), dtype=float) * MM
    assert shapely.distance(outline, shapely.points(middles)) == pytest.approx(0.0, abs=0.01 * MM)
    for name in ("outside_back_roughing", "outside_back_finishing"):
        path, tool = rolled.programs[name].position, rolled.programs[name].tool
        deep = shapely.MultiPoint(path[path[:, 2] < top - 1e-9][:, :2])
        for middle in middles:
            at = outline.project(shapely.Point(middle))
            for along in (-0.5, 0.0, 0.5):
                assert outline.interpolate(at + along * hold.tab_width).distance(deep) > tool.radius


@pytest.mark.parametrize("off", [-0.3, 0.3])
def test_a_single_wrong_place_on_the_outside_is_found(rolled, tmp_path, off):
    name, lines = "outside_finishing", rolled.text("outside_finishing").split("\n")
    rows = [k for k, line in enumerate(lines) if re.search(r"X[\d.-]+.*Z-", line) and not line.startswith("(")]
    k = rows[int(0.7 * len(rows))]
    wrong = re.sub(r"Z(-?[\d.]+)", lambda z: f"Z{float(z[1]) + off:.4f}", lines[k])
    assert wrong != lines[k]
    lines[k] = wrong
    found = rolled.proved(tmp_path, {"outside_roughing": rolled.text("outside_roughing"), name: "\n".join(lines)})[name]
    assert not found.accepted
    if off < 0.0:
        assert found.gouge.size > 0.06 * MM
    else:
        assert found.leftover.size > found.leftover_allowed


@pytest.mark.parametrize("name", ["outside_roughing", "outside_back_roughing"])
def test_roughing_that_leaves_more_in_one_place_is_found(rolled, tmp_path, name):
    """0.3 mm more on the lowest level, between two tabs: no harm to what is finished, and a ball that meets more."""
    program = rolled.programs[name]
    place = np.array(program.position)
    x, y, z = place.T
    raised = (z < z.min() + 1e-9) & (np.abs(np.arctan2(y, x)) < 0.35)
    assert 5 < raised.sum() < 0.2 * len(place)
    place[raised, 2] += 0.3 * MM
    text = gcode(replace(program, position=place), rolled.process, design_id="0a1b2c", name="free")
    found = rolled.proved(tmp_path, {name: text})[name]
    assert found.too_high.size == pytest.approx(0.3 * MM, abs=0.03 * MM)
    assert found.too_high.place[0] > 0.0
    assert not found.accepted


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shell", "process"),
    [
        (RolledShell(2 * MM, 120 * MM, BEHIND, 6 * MM), {"kind": "onion_skin", "skin": 1 * MM}),
        (RolledShell(0.0, 44 * MM, BEHIND), {"kind": "free"}),
    ],
    ids=["widens to its back, a skin", "sharp edges, free"],
)
def test_other_bodies_and_ways_to_hold_them(shell, process, tmp_path):
    part = Part(shell, **process)
    accepted(part, part.proved(tmp_path, {name: part.text(name) for name in NAMES}))


def test_a_body_that_is_widest_in_no_plane_is_refused_with_what_is():
    """Between twice the least and the greatest distance of the rim's tangents from the axis."""
    shell, said = RolledShell(RIM, 70 * MM, BEHIND, 4 * MM), r"Write ([\d.]+) or less, or ([\d.]+) or more"
    waveguide = standing(shell)
    with pytest.raises(InputError, match=rf"back_diameter_mm = 70: .*{said}") as caught:
        oblong_sides(waveguide.oblong_body)
    least, most = (float(number) * MM for number in re.search(said, str(caught.value)).groups())
    assert waveguide.mouth_height + 2 * RIM - 0.11 * MM < least <= waveguide.mouth_height + 2 * RIM
    for diameter, tapers in ((least, True), (most, False)):
        body = standing(replace(shell, back_diameter=diameter)).oblong_body
        assert [side.tapers for side in oblong_sides(body)] == [tapers, tapers]
