"""A body's pattern: parted at its widest place, its volume in closed form, metal on what is machined, its core."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.casting.pattern_files import export_pattern
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.outline import body_outside, outline
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Casting
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Mounting, OblateSpheroidal, Waveguide
from evenflare.waveguide.body import BodyPoints, RolledShell, RoundCabinet

DEPTH, OPEN, SLOPE, MORE, FACTOR = 60 * MM, np.tan(40 * DEGREE), np.tan(1.5 * DEGREE), 3 * MM, 1.013
BRONZE = Casting("bronze", FACTOR - 1.0, "casting", MORE, 1.5 * DEGREE, "front", 12)
SOLID = Solid(kind="body", seat_diameter=60 * MM)
CONE = Conical(DEPTH, 40 * DEGREE)
THROAT = 12.7 * MM
MOUTH = THROAT + DEPTH * OPEN
BEHIND = 20 * MM
FRUSTUM = Waveguide(CONE, Driver(), Mounting(body=RolledShell(0.0, 90 * MM, BEHIND)))
DRUM = Waveguide(CONE, Driver(), Mounting(body=RoundCabinet(150 * MM, DEPTH + BEHIND)))
ROLLED = Waveguide(Conical(DEPTH, 40 * DEGREE, 8 * MM), Driver(), Mounting(body=RolledShell(9 * MM, 90 * MM, BEHIND)))


def pattern_of(waveguide, casting=BRONZE, *, chord=0.05 * MM):
    sizes = solid_sizes(waveguide.meridian, SOLID, body=waveguide.mounting.body)
    seat = fitted(waveguide, sizes, features_of(SOLID)).seat
    return build_pattern(waveguide, sizes, casting, chord_error=chord, seat=seat)


def frustum(height, a, b):
    """pi h (a^2 + a b + b^2) / 3."""
    return np.pi * height * (a**2 + a * b + b**2) / 3


def open_within():
    """m3, of bore and recess as cast: the cone, on at the draft angle to the recess's floor, and the recess."""
    inlet, floor = THROAT - MORE * SLOPE, 30 * MM - MORE - BEHIND * SLOPE
    return frustum(DEPTH, THROAT, MOUTH) + frustum(MORE, inlet, THROAT) + frustum(BEHIND, floor, floor + BEHIND * SLOPE)


def tapering():
    """m3, of a frustum from back to mouth, a cylinder of metal behind it and the draft of that, up to the taper."""
    taper = (MOUTH - 45 * MM) / (DEPTH + BEHIND)
    # The draft from the corner of the metal meets the taper at this height above the finished back.
    meet = MORE * SLOPE / (taper - SLOPE)
    at_meet = 45 * MM + meet * taper
    return frustum(MORE + meet, 45 * MM, at_meet) + frustum(DEPTH + BEHIND - meet, at_meet, MOUTH)


def drum():
    """m3, of two frusta that widen by the draft from either end to the middle of the finished cylinder."""
    half = 0.5 * (DEPTH + BEHIND)
    front, back = 75 * MM + half * SLOPE, 75 * MM + (half + MORE) * SLOPE
    return frustum(half, 75 * MM, front) + frustum(half + MORE, 75 * MM, back)


@pytest.mark.parametrize(
    ("waveguide", "outside", "parting"),
    [(FRUSTUM, tapering(), DEPTH), (DRUM, drum(), 0.5 * (DEPTH - BEHIND))],
    ids=["frustum", "drum"],
)
def test_pattern_has_the_volume_of_its_closed_form(waveguide, outside, parting):
    exact = outside - open_within()
    made, fine = pattern_of(waveguide), pattern_of(waveguide, chord=0.005 * MM)
    assert made.parting == pytest.approx(parting, abs=1e-7)
    part = trimesh.Trimesh(made.mesh.vertices, made.mesh.faces)
    assert part.is_watertight
    assert part.volume == pytest.approx(made.volume * FACTOR**3, rel=1e-9)
    # Chords of 0.025 mm around circles of 45 to 78 mm, and a tenth of them.
    assert made.volume == pytest.approx(exact, rel=2e-3)
    assert abs(fine.volume - exact) < 0.11 * abs(made.volume - exact)


def test_drafts_metal_is_told_and_nothing_else_of_the_outside_moves():
    made = pattern_of(DRUM)
    half = 0.5 * (DEPTH + BEHIND)
    assert made.ahead == pytest.approx((half + MORE) * SLOPE, abs=1e-8)
    assert made.drafted == pytest.approx(made.ahead, abs=1e-6)
    made = pattern_of(ROLLED)
    frame = body_outside(ROLLED.meridian, ROLLED.mounting.body, chord_error=1e-7)
    whole = shapely.Polygon([(DEPTH, 0.0), *np.column_stack([frame.z, frame.r])])
    outer = shapely.Polygon(made.outline).buffer(0).exterior
    # Where the outside slopes by more than the draft it is that of the body, within the chord error of 0.025 mm.
    steep = (np.abs(np.cos(frame.angle)) < np.cos(5 * DEGREE)) & (frame.z > 1 * MM - BEHIND) & (frame.r > 46 * MM)
    assert steep.sum() > 50
    away = shapely.distance(outer, shapely.points(frame.z[steep], frame.r[steep]))
    assert away.max() < 0.03 * MM
    assert shapely.Polygon(made.outline).difference(whole.buffer(made.drafted + 0.03 * MM)).bounds[2] < 1e-4 - BEHIND


def test_both_sides_of_the_parting_draw():
    made = pattern_of(ROLLED)
    part = shapely.Polygon(made.outline)
    assert made.parting == pytest.approx(DEPTH - 9 * MM, abs=1e-6)
    depths = np.linspace(made.back, made.front, 400)[1:-1]
    rays = shapely.linestrings([[(z, 0.0), (z, 1.0)] for z in depths])
    widest, step = shapely.bounds(shapely.intersection(rays, part))[:, 3], np.diff(depths)
    behind = depths[1:] < made.parting
    ahead = depths[:-1] > made.parting
    # Bodies are cut along depths that are no points of theirs: rounding.
    assert (np.diff(widest)[behind] > SLOPE * step[behind] - 1e-9).all()
    assert (np.diff(widest)[ahead] < -SLOPE * step[ahead] + 1e-9).all()


def test_a_machined_body_has_its_allowance_all_round():
    made = pattern_of(ROLLED, replace(BRONZE, wall="machined"))
    sizes = solid_sizes(ROLLED.meridian, SOLID, body=ROLLED.mounting.body)
    finished = shapely.Polygon(
        outline(ROLLED.meridian, sizes, chord_error=0.01 * MM, features=fitted(ROLLED, sizes, features_of(SOLID)))
    )
    raw = shapely.Polygon(made.outline)
    # Nowhere less than the allowance to take off, but in the throat's own edge, where bore and recess meet.
    less = finished.buffer(MORE - 0.05 * MM).difference(raw)
    low, _, high, widest = less.bounds if not less.is_empty else (0.0, 0.0, 0.0, 0.0)
    assert widest < 31 * MM
    assert high < 1 * MM
    assert (made.back, made.front) == pytest.approx((-BEHIND - MORE, DEPTH + MORE))
    assert low >= made.back


def test_sheet_says_where_it_parts_and_what_the_draft_adds(tmp_path):
    process = replace(
        read_process("casting"),
        casting=BRONZE,
        seat=fitted(DRUM, solid_sizes(DRUM.meridian, SOLID, body=DRUM.mounting.body), features_of(SOLID)).seat,
    )
    export_pattern(DRUM, SOLID, process, tmp_path, chord_error=0.2 * MM, design_id="0a1b2c", name="drum")
    text = (tmp_path / "pattern.csv").read_text(encoding="utf-8")
    assert "its widest place: a plane" in text
    assert "on: back, recess and seat" in text
    wide = 150 + 2 * (0.5 * (DEPTH + BEHIND) + MORE) * SLOPE / MM
    assert f"outside diameter at the parting line,150.000,{wide:.3f}" in text
    assert "draft adds up to 1.126 to the outside, which was not solved" in text


def test_what_does_not_draw_is_refused():
    with pytest.raises(InputError, match=r'pull = "back": the sand in a body'):
        pattern_of(DRUM, replace(BRONZE, pull="back"))
    points = ((60, MOUTH / MM), (50, 75), (30, 60), (0, 66), (-20, 66), (-20, 0))
    waist = Waveguide(CONE, Driver(), Mounting(body=BodyPoints(tuple((z * MM, r * MM) for z, r in points))))
    with pytest.raises(InputError, match="nor does a pattern draw"):
        pattern_of(waist)


def test_a_throat_that_does_not_draw_has_a_core_that_forms_the_recess_too():
    bell = Waveguide(
        OblateSpheroidal(DEPTH, 40 * DEGREE), Driver(), Mounting(body=RolledShell(9 * MM, 90 * MM, BEHIND))
    )
    made = pattern_of(bell, replace(BRONZE, core_print=20 * MM))
    assert made.core is not None
    core = trimesh.Trimesh(made.core_mesh.vertices, made.core_mesh.faces)
    assert core.is_watertight
    assert core.bounds[0, 2] == pytest.approx((made.back - 20 * MM) * FACTOR)
    assert core.bounds[1, 0] == pytest.approx((30 * MM - MORE) * FACTOR, abs=0.05 * MM)
