"""Gauges: templates read back against the drawn wall's normal offset, places to probe, what is asked of the wall."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf import bbox
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.files import InputError
from evenflare.manufacture.casting.casting import tolerance as cast_tolerance
from evenflare.manufacture.gauges.asked import WallAsked, asked_of, indication, letter, remedy_words, zone_at
from evenflare.manufacture.gauges.blades import plate, plate_depths
from evenflare.manufacture.gauges.probe import probe_points
from evenflare.manufacture.gauges.templates import Template, templates, write_templates
from evenflare.manufacture.process.file import read_process
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, OblateSpheroidal, Waveguide
from evenflare.waveguide.wall_zones import WallTolerance, WallZone
from oblongs import SHAPES

MM = MILLIMETRE
TOLD = {"design_id": "0a1b2c3d4e5f", "name": "invented horn"}
CONE = Waveguide(Conical(60 * MM, 40 * DEGREE))
ROLLED = Waveguide(OblateSpheroidal(90 * MM, 42 * DEGREE, 20 * MM))


def asked(waveguide: Waveguide, *ends: float) -> WallAsked:
    """Zones that end at shares of the depth, all different."""
    edges = np.array([0.0, *ends, 1.0]) * waveguide.depth
    zones = tuple(
        WallZone(float(low), float(high), (0.05 + 0.1 * k) * MM, (0.08 + 0.07 * k) * MM)
        for k, (low, high) in enumerate(itertools.pairwise(edges))
    )
    return WallAsked(zones, "sound", within=0.3)


def edge_of(blade: Template) -> np.ndarray:
    """(N, 2) r and z of one side of a blade, from its foot to the mouth, m."""
    ring = np.concatenate([blade.outline, blade.outline[:1]])
    return np.asarray(shapely.LineString(ring).intersection(shapely.box(1e-9, 1e-9, 1.0, 1.0)).segmentize(1e-3).coords)


def normals(waveguide: Waveguide, count: int = 150) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depths, and places with unit normals into the air (r, z), of a round wall, from its own angle."""
    z, places, out = [], [], []
    for piece in waveguide.meridian.pieces:
        frame = piece.frame_at(np.linspace(0.0, 1.0, count))
        z.append(frame.z)
        places.append(np.column_stack([frame.r, frame.z]))
        out.append(np.column_stack([-np.cos(frame.angle), np.sin(frame.angle)]))
    return np.concatenate(z), np.concatenate(places), np.concatenate(out)


def made(waveguide: Waveguide, about: WallAsked, folder: Path) -> tuple[list[Template], list]:
    """The templates, and what the drawings hold, read back: layer, points or words and their box, mm."""
    found = templates(waveguide, about, **TOLD)
    read = []
    for path in write_templates(found, folder, **TOLD):
        document = ezdxf.readfile(path)
        assert document.audit().errors == []
        assert document.header["$INSUNITS"] == 4
        read += list(document.modelspace())
    return found, read


def test_edges_of_a_cone_are_its_cone_moved_by_the_zones_limits(tmp_path: Path) -> None:
    """A cone moved by d along its normal is the cone whose radius is larger by -d / cos(angle) at every depth."""
    about = asked(CONE, 0.3, 0.7)
    found, read = made(CONE, about, tmp_path)
    throat, slope, cosine = CONE.driver.exit_radius, np.tan(40 * DEGREE), np.cos(40 * DEGREE)
    outlines = [np.array(each.get_points("xy")) * MM for each in read if each.dxf.layer in ("go", "no_go")]
    assert [each.kind for each in found] == ["go", "no_go", "no_go", "no_go"]
    for template, drawn_ in zip(found, outlines, strict=True):
        # The drawing is the template moved on its sheet; nanometres are its last digit.
        moved = drawn_ - drawn_.mean(axis=0) + template.outline.mean(axis=0)
        assert np.abs(moved - template.outline).max() < 2e-9
        for k, zone in enumerate(about.zones):
            # Within a zone but for the step at its ends, which runs along the normal.
            z = np.linspace(zone.from_z + 0.5 * MM, zone.to_z - 0.5 * MM, 50)
            if template.kind == "go":
                expected = throat + z * slope - zone.minus / cosine
            elif template.zone == k:
                expected = throat + z * slope + zone.plus / cosine
            else:
                continue
            shape = shapely.Polygon(template.outline)
            for depth, radius in zip(z, expected, strict=True):
                cut = shape.intersection(shapely.LineString([(0.0, depth), (1.0, depth)]))
                # Rounding of coordinates of a tenth of a metre in double precision, many times over.
                assert cut.bounds[2] == pytest.approx(radius, abs=1e-9)


def test_foot_of_a_go_blade_stands_on_the_throat_plane_within_the_smallest_good_throat(tmp_path: Path) -> None:
    about = asked(CONE, 0.5)
    go = templates(CONE, about, **TOLD)[0].outline
    foot = go[go[:, 1] < 1e-9]
    good = CONE.driver.exit_radius - about.zones[0].minus / np.cos(40 * DEGREE)
    assert np.abs(foot[:, 0]).max() == pytest.approx(good, abs=1e-9)  # as above
    assert go[:, 1].min() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("ends", [(), (0.2, 0.5)])
def test_edges_of_a_curved_wall_are_its_normal_offset(ends: tuple[float, ...]) -> None:
    """Against the wall's own normals, and for one zone against shapely's parallel curve of a finer polyline."""
    about = asked(ROLLED, *ends)
    z, places, out = normals(ROLLED)
    for template in templates(ROLLED, about, **TOLD):
        ring = shapely.LinearRing(template.outline)
        for k, zone in enumerate(about.zones):
            inside = (z > zone.from_z + 1.5 * MM) & (z < zone.to_z - 1.5 * MM)
            if not (template.kind == "go" or template.zone == k):
                continue
            by = zone.minus if template.kind == "go" else -zone.plus
            off = [ring.distance(shapely.Point(point)) for point in places[inside] + by * out[inside]]
            # Chords of wall and edge depart by half a micrometre each.
            assert max(off) < 1.1e-6
            # The right side: between the edge and the axis lies the limit toward the air, and not the other one.
            blade = shapely.Polygon(template.outline)
            inner, outer = (places[inside] + (by + side * 5e-6) * out[inside] for side in (1.0, -1.0))
            assert shapely.contains_xy(blade, *inner.T).all()
            assert not shapely.contains_xy(blade, *outer.T).any()
        if not ends:
            by = about.zones[0].minus if template.kind == "go" else -about.zones[0].plus
            parallel = shapely.LineString(places).offset_curve(by, quad_segs=64)
            middle = shapely.line_interpolate_point(parallel, np.linspace(0.05, 0.95, 300), normalized=True)
            # The finer line's own chords, as above.
            assert max(ring.distance(point) for point in middle) < 2e-6


@settings(max_examples=30, deadline=None)
@given(
    family=st.sampled_from(["conical", "exponential", "oblate_spheroidal", "tractrix", "free"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_go_blade_enters_what_is_good_and_a_no_go_blade_does_not(family: str, seed: int) -> None:
    """By pushing outlines into the drawn wall: the go blade clears it by the zone's minus, and on the way in; a no-go
    blade with its foot on the plate cuts into it, in its own zone only.
    """
    waveguide = drawn(family, seed)
    about = asked(waveguide, 0.25, 0.6)
    _, places, _ = normals(waveguide)
    kept = np.concatenate([[True], np.hypot(*np.diff(places, axis=0).T) > 1e-9])
    wall = shapely.LineString(places[kept])
    end = places[-1]
    metal = shapely.Polygon([*places[kept], (1.0, end[1]), (1.0, 0.0)])
    assume(metal.is_valid)
    found = templates(waveguide, about, **TOLD)
    go = shapely.Polygon(found[0].outline)
    assert go.is_valid
    # A micrometre: chords of half of one of wall and edge.
    assert go.distance(wall) > min(zone.minus for zone in about.zones) - 1e-6
    for height in (0.0, 1e-3, 10e-3, 50e-3):
        raised = shapely.affinity.translate(go, 0.0, height)
        assert raised.intersection(metal).area < 1e-9, height
    for template in found[1:]:
        body = shapely.Polygon(template.outline)
        assert body.is_valid
        zone = about.zones[template.zone or 0]
        into = body.intersection(metal)
        assert into.area > 0.5 * zone.plus * 0.2 * (zone.to_z - zone.from_z)
        low, high = into.bounds[1], into.bounds[3]
        # Along the normal the edge lies off its own depths by plus at most, and by the tab of nothing.
        assert low > zone.from_z - 2 * zone.plus
        assert high < zone.to_z + 2 * zone.plus


def test_plates_are_the_sections_of_the_moved_wall() -> None:
    """A cone's has the radius of the moved cone; of another wall each point of the plate lies `by` from it."""
    oblong = SHAPES["rectangle"]
    for by in (-0.3 * MM, 0.2 * MM):
        surface = CONE.surface
        found = np.hypot(*plate(surface, 30 * MM, by).T)
        expected = CONE.driver.exit_radius + 30 * MM * np.tan(40 * DEGREE) + by / np.cos(40 * DEGREE)
        # Chords of half a micrometre, and rounding.
        assert np.abs(found - expected).max() < 1e-9
        z = 35 * MM
        points = np.column_stack([plate(oblong.surface, z, by), np.full(len(plate(oblong.surface, z, by)), z)])
        near = np.linspace(z - 0.5 * MM, z + 0.5 * MM, 101)
        psi = np.linspace(0.0, 0.5 * np.pi, 1441)
        stretch = int(np.searchsorted(oblong.surface.cuts, z)) - 1
        cloud = oblong.surface.patch(near, psi, stretch=stretch).points.reshape(-1, 3)
        first = points[(points[:, 0] > 0) & (points[:, 1] > 0)][::9]
        gap = [float(np.linalg.norm(cloud - point, axis=1).min()) for point in first]
        # A cloud whose points lie 0.02 to 0.1 mm apart is off by at most h^2 / (8 by): 6 um.
        assert np.abs(np.array(gap) - abs(by)).max() < 8e-6


def test_plates_lie_where_they_tell_a_depth() -> None:
    surface = SHAPES["rolled"].surface
    zones = asked(SHAPES["rolled"], 0.3, 0.6).zones
    depths = plate_depths(surface, zones, None)
    assert len(depths) == 3
    assert plate_depths(surface, zones, [surface.depth - 0.2 * MM]) == []  # rolled over: flat


def test_words_lie_on_their_templates_and_apart(tmp_path: Path) -> None:
    """Boxes as the library measures them in its own font."""
    for number, waveguide in enumerate((CONE, ROLLED, SHAPES["rolled"], SHAPES["tractrix"])):
        folder = tmp_path / str(number)
        folder.mkdir()
        found, read = made(waveguide, asked(waveguide, 0.2, 0.5), folder)
        bodies = [shapely.Polygon(each.get_points("xy")) for each in read if each.dxf.layer in ("go", "no_go")]
        assert len(bodies) == len(found)
        for k, body in enumerate(bodies):
            assert body.is_valid
            assert all(body.distance(other) > 7.99 for other in bodies[:k]) or len(bodies) == 1  # rounding of 8
        boxes = []
        for each in read:
            if each.dxftype() == "TEXT":
                low, high = bbox.extents([each])
                boxes.append(shapely.box(low.x, low.y, high.x, high.y))
        assert len(boxes) >= 5 * len(found) - len(found)
        for k, box in enumerate(boxes):
            assert any(body.contains(box) for body in bodies), k
            assert not any(box.intersects(other) for other in boxes[:k])
        texts = [each.dxf.text for each in read if each.dxftype() == "TEXT"]
        assert sum(TOLD["design_id"] in text for text in texts) == len(found)
        assert any("datum A" in text for text in texts)
        assert any(text.startswith("NO-GO zone b") for text in texts)


@pytest.mark.parametrize("waveguide", [CONE, ROLLED, SHAPES["rolled"], SHAPES["edges"]])
def test_places_to_probe(waveguide: Waveguide) -> None:
    """On the wall by its own formula, normal to it, near throat and mouth, and denser where the zone is narrow."""
    about = asked(waveguide, 0.3, 0.7)
    radius = 1.0 * MM
    found = probe_points(waveguide, about, radius=radius)
    assert 30 <= len(found) <= 80
    for each in found:
        assert np.linalg.norm(each.normal) == pytest.approx(1.0, abs=1e-9)  # rounding
        assert np.subtract(each.ball, each.position) == pytest.approx(radius * np.array(each.normal), abs=2e-12)
        assert each.zone == zone_at(about.zones, each.position[2])
        # Into the air: toward the axis.
        assert np.dot(each.normal[:2], each.position[:2]) <= 1e-9
    depths = sorted({round(each.position[2], 9) for each in found})
    # A ball and a half along the wall, which is no more along the axis; it may be less at a rolled rim.
    assert depths[0] < 1.51 * radius
    assert waveguide.depth - depths[-1] < 1.51 * radius
    if waveguide is CONE:
        for each in found:
            r = np.hypot(*each.position[:2])
            assert r == pytest.approx(CONE.driver.exit_radius + each.position[2] * np.tan(40 * DEGREE), abs=1e-11)
        spread = [np.mean(np.diff([z for z in depths if low <= z < high])) for low, high in ((0, 0.018), (0.042, 0.06))]
        assert spread[0] < spread[1], "the first zone is 0.13 wide, the last 0.47"
    if waveguide is ROLLED:
        wall = shapely.LineString(normals(ROLLED, 20001)[1])
        for each in found:
            ball = shapely.Point(np.hypot(*each.ball[:2]), each.ball[2])
            # Twenty thousand chords: far below a nanometre.
            assert ball.distance(wall) == pytest.approx(radius, abs=1e-9)


def test_every_zone_has_a_place_and_a_concave_wall_that_a_ball_does_not_fit_has_none() -> None:
    about = asked(CONE, 0.01, 0.98)
    assert {each.zone for each in probe_points(CONE, about, radius=0.25 * MM)} == {0, 1, 2}
    assert probe_points(CONE, about, radius=200 * MM) == []


def test_indication_shifts_the_middle_of_an_uneven_zone() -> None:
    """By hand: minus 0.06, plus 0.04 is 0.1 wide, its middle 0.01 toward the air, out of the material."""
    assert indication(WallZone(0.0, 1.0, 0.06e-3, 0.04e-3)) == "0.100 UZ+0.0100"
    assert indication(WallZone(0.0, 1.0, 0.1e-3, 0.3e-3)) == "0.400 UZ-0.1000"
    assert indication(WallZone(0.0, 1.0, 0.15e-3, 0.15e-3)) == "0.300"
    assert [letter(k) for k in (0, 25, 26)] == ["a", "z", "a1"]


def test_wall_as_cast_has_its_grade_by_the_diameter_there() -> None:
    """DCTG 12 of ISO 8062-3:2007, table 2 (as a public copy prints it): 5 mm for 25 to 40, 5.6 to 63, 6 to 100, 7 to
    160; a cone of 40 degrees from 25.4 is 40 wide at z = 7.3 / tan 40 = 8.70 mm.
    """
    found = asked_of(CONE, read_process("casting"), None)
    assert found is not None
    assert found.origin == "casting"
    assert [2 * zone.plus / MM for zone in found.zones] == pytest.approx([5.0, 5.6, 6.0, 7.0])
    ends = [0.5 * (size - 25.4) / np.tan(40 * DEGREE) for size in (40.0, 63.0, 100.0)]
    # Rounded to a tenth, from samples of a two-thousandth of the depth.
    assert [zone.to_z / MM for zone in found.zones[:-1]] == pytest.approx(ends, abs=0.09)
    assert found.zones[0].from_z == 0.0
    assert found.zones[-1].to_z == CONE.depth
    assert cast_tolerance(0.03, 12) == 5e-3


def test_what_a_casting_cannot_keep_is_said_and_machining_it_helps() -> None:
    zones = (WallZone(0.0, CONE.depth, 0.25 * MM, 0.25 * MM),)
    tolerance = WallTolerance(0.3, zones, zones, 0.9, {}, "abc")
    process = read_process("casting")
    found = asked_of(CONE, process, tolerance)
    assert found is not None
    assert found.zones == zones
    (words,) = remedy_words(found)
    assert 'wall = "machined"' in words
    assert process.casting is not None
    machined = replace(process, casting=replace(process.casting, wall="machined"))
    better = asked_of(CONE, machined, tolerance)
    assert better is not None
    assert remedy_words(better) == []  # 0.2 either way is what its machining keeps
    wide = (WallZone(0.0, CONE.depth, 4 * MM, 4 * MM),)
    loose = asked_of(CONE, process, replace(tolerance, zones=wide))
    assert loose is not None
    assert remedy_words(loose) == []


def test_tolerance_of_another_depth_is_refused() -> None:
    zones = (WallZone(0.0, 50 * MM, 0.25 * MM, 0.25 * MM),)
    with pytest.raises(InputError, match=r"end at z = 50 mm, the waveguide at 60"):
        asked_of(CONE, None, WallTolerance(0.3, zones, zones, 0.9, {}, "abc"))
    assert asked_of(CONE, None, None) is None
