"""An oblong body's pattern: parted at its widest place, volume and draft's metal in closed form, draft both ways."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from scipy.special import ellipe

from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.casting.pattern_files import dimensions, export_pattern
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Casting
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, RolledShell, Waveguide
from test_manufacture_body_pattern import frustum
from test_manufacture_oblong_body import BEHIND, CHORD, DEPTH, Made, along_normals, made_of

MORE, FACTOR, DRAFT = 3 * MM, 1.013, 5 * DEGREE
SLOPE = np.tan(DRAFT)
BRONZE = Casting("bronze", FACTOR - 1.0, "casting", MORE, DRAFT, "front", 12)
HIGH = DEPTH + BEHIND
THROAT, WIDE, LOW, BACK = 12.7 * MM, 50 * MM, 44.5 * MM, 51 * MM
SEAT = Solid("body", seat_diameter=60 * MM)


def pattern_of(made, casting=BRONZE, *, chord=CHORD):
    return build_pattern(made.waveguide, made.sizes, casting, chord_error=chord, seat=made.features.seat)


@pytest.fixture(scope="module")
def straight():
    """An elliptic mouth and a slightly wider round back, both sharp: all of the outside stands below the draft."""
    p, q = (np.arctan((half - THROAT) / DEPTH) for half in (WIDE, LOW))
    shape = Oblong(Conical(DEPTH, p), Conical(DEPTH, q))
    return Made(Waveguide(shape, Driver(), Mounting(body=RolledShell(0.0, 2 * BACK, BEHIND))), SEAT)


def test_pattern_has_the_volume_of_its_closed_form(straight):
    """From the mouth's rim the draft widens the section to its parallel at a distance d, of area A + P d + pi d^2
    (Steiner; Schneider, Convex Bodies: The Brunn-Minkowski Theory), as far as the back, where it parts; behind that
    stands the metal that is machined off. The bore's sections are ellipses (THROAT + p z) by (THROAT + q z).
    """
    p, q = ((half - THROAT) / DEPTH for half in (WIDE, LOW))
    perimeter = 4.0 * WIDE * ellipe(1.0 - (LOW / WIDE) ** 2)
    whole = np.pi * WIDE * LOW * HIGH + perimeter * SLOPE * HIGH**2 / 2 + np.pi * SLOPE**2 * HIGH**3 / 3
    metal = frustum(MORE, BACK, BACK + MORE * SLOPE)
    bore = np.pi * (THROAT**2 * DEPTH + THROAT * (p + q) * DEPTH**2 / 2 + p * q * DEPTH**3 / 3)
    floor = 30 * MM - MORE - BEHIND * SLOPE
    behind = frustum(MORE, THROAT - MORE * SLOPE, THROAT) + frustum(BEHIND, floor, floor + BEHIND * SLOPE)
    exact = whole + metal - bore - behind
    made, fine = pattern_of(straight), pattern_of(straight, chord=0.1 * CHORD)
    assert made.parting == pytest.approx(-BEHIND, abs=1e-9)
    part = trimesh.Trimesh(made.mesh.vertices, made.mesh.faces)
    assert part.is_watertight
    assert part.volume == pytest.approx(made.volume * FACTOR**3, rel=1e-9)
    # Chords of 0.05 mm round sections of 45 to 58 mm, and a tenth of them.
    assert made.volume == pytest.approx(exact, rel=2e-3)
    assert abs(fine.volume - exact) < 0.2 * abs(made.volume - exact)
    # The farthest from the body is where the draft from the rim's ends reaches the parting; it leans on the taper.
    lean = np.arctan((BACK - WIDE) / HIGH)
    assert made.ahead == pytest.approx(WIDE + HIGH * SLOPE - BACK, abs=1e-8)
    assert made.drafted == pytest.approx(made.ahead * np.cos(lean), abs=1e-6)


@pytest.mark.parametrize("name", ["ellipse", "widens to its back"])
def test_both_sides_of_the_parting_draw_and_nothing_else_of_the_outside_moves(name):
    part = made_of(name)
    made, body = pattern_of(part), part.body
    shell = body.shell
    forward = name == "ellipse"  # whose rim is its widest place
    assert made.parting == pytest.approx(DEPTH - shell.rim_radius if forward else shell.back_edge_radius - BEHIND)
    raw = trimesh.Trimesh(made.mesh.vertices / FACTOR, made.mesh.faces)
    assert raw.is_watertight
    # Away from planes in which corners of the mesh lie.
    heights = np.linspace(made.back, DEPTH, 24)[1:-1] + 7e-6
    cuts = [raw.section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1]).discrete for z in heights]
    outlines = [shapely.Polygon(max((c[:, :2] for c in cut), key=lambda c: np.ptp(c[:, 0]))) for cut in cuts]
    for z, then, one, other in zip(heights, heights[1:], outlines, outlines[1:], strict=False):
        low, high, inner, outer = (z, then, one, other) if then < made.parting else (-then, -z, other, one)
        if (z < made.parting) == (then < made.parting):
            # Both polygons lie in their sections to the chord error.
            assert inner.buffer(SLOPE * (high - low) - 2 * CHORD).within(outer)
    # Where the outside leans by more than the draft it is the body's, but beside the metal on the back.
    spans = {"rim": (0.1, 0.8), "edge": (0.2, 0.6)} if forward else {"rim": (0.1, 0.8)}
    worst = []
    for stretch, span in spans.items():
        psi, v = np.meshgrid((0.1, 0.8, 1.5), np.linspace(*span, 9))
        places, normals = (each.reshape(-1, 3) for each in body.point_at(stretch, psi, v))
        leaning = np.abs(normals[:, 2]) > np.sin(DRAFT + 0.5 * DEGREE)
        assert leaning.sum() > 9
        worst.append(along_normals(raw.triangles, places[leaning], normals[leaning]).max())
    assert 0.01 * CHORD < max(worst) < CHORD


@pytest.mark.parametrize("name", ["ellipse", "widens to its back"])
def test_a_machined_body_has_its_allowance_all_round(name):
    part = made_of(name)
    made = pattern_of(part, replace(BRONZE, wall="machined"))
    raw = trimesh.Trimesh(made.mesh.vertices / FACTOR, made.mesh.faces)
    assert raw.is_watertight
    assert raw.bounds[:, 2] == pytest.approx([-BEHIND - MORE, DEPTH + MORE], abs=1e-9)
    least, most = [], []
    for stretch in ("rim", "taper", "edge"):
        psi, v = np.meshgrid((0.1, 0.8, 1.5), np.linspace(0.1, 0.9, 5))
        places, normals = (each.reshape(-1, 3) for each in part.body.point_at(stretch, psi, v))
        metal = along_normals(raw.triangles, places, normals)
        leaning = np.abs(normals[:, 2]) > np.sin(DRAFT + 0.5 * DEGREE)
        least.append(metal.min())
        most.append(metal[leaning].max(initial=MORE))
    assert min(least) > MORE - CHORD
    # Where it leans by more than the draft no more is added.
    assert max(most) < MORE + CHORD
    sheet = dimensions(part.waveguide, made, replace(read_process("casting"), seat=part.features.seat))
    assert all(each.machined for each in sheet)
    # What draft adds beyond that is as much as on the body, larger by the metal.
    assert made.drafted == pytest.approx(pattern_of(part).drafted, rel=0.25)


def test_a_core_forms_recess_and_throat_and_the_pattern_is_solid_there():
    """Near the throat the sections are ellipses of half-axes sqrt(THROAT^2 + (z tan a)^2): the lower draws the later,
    from z = s THROAT / (T sqrt(T^2 - s^2)) on, s the draft's slope and T = tan(30 degrees).
    """
    part = made_of("ellipse")
    made = pattern_of(part, replace(BRONZE, core_print=20 * MM))
    steep = np.tan(30 * DEGREE)
    top = SLOPE * THROAT / (steep * np.sqrt(steep**2 - SLOPE**2))
    assert made.core.top == pytest.approx(top, rel=1e-3)
    core = trimesh.Trimesh(made.core_mesh.vertices / FACTOR, made.core_mesh.faces)
    pattern = trimesh.Trimesh(made.mesh.vertices / FACTOR, made.mesh.faces)
    assert core.is_watertight
    assert pattern.is_watertight
    # What the sand around the core fills is the casting.
    assert pattern.volume - core.volume == pytest.approx(made.volume, rel=1e-6)
    assert core.bounds[:, 2] == pytest.approx([made.back - 20 * MM, top], rel=1e-3)
    z, weight = (0.5 * top * each for each in np.polynomial.legendre.leggauss(16))
    axes = (THROAT**2 + ((z + 0.5 * top) * np.tan(angle * DEGREE)) ** 2 for angle in (43.5, 30))
    bore = np.pi * np.sum(weight * np.sqrt(np.prod(list(axes), axis=0)))
    floor, inlet = 30 * MM - MORE - BEHIND * SLOPE, 30 * MM - MORE
    exact = bore + frustum(MORE, THROAT - MORE * SLOPE, THROAT) + frustum(BEHIND, floor, inlet)
    exact += frustum(20 * MM, inlet - 20 * MM * np.tan(3 * DEGREE), inlet)
    # Chords of 0.025 mm round 12 to 27 mm.
    assert core.volume == pytest.approx(exact, rel=3e-3)


def test_sheet_says_where_it_parts_and_how_large_it_is(straight, tmp_path):
    process = replace(read_process("casting"), casting=BRONZE, seat=straight.features.seat)
    export_pattern(straight.waveguide, SEAT, process, tmp_path, chord_error=0.2 * MM, design_id="0a1b2c", name="roll")
    text = (tmp_path / "pattern.csv").read_text(encoding="utf-8")
    assert "at casting z = -30.000" in text
    assert "its widest place: a plane" in text
    assert "draft adds up to 6.87" in text
    for name, half in (("width", WIDE), ("height across", LOW)):
        cast = 2.0 * (half + HIGH * SLOPE) / MM
        assert f"outside {name} at the parting line,102.000,{cast:.3f}" in text


def test_a_body_whose_widest_place_is_no_plane_is_refused_with_backs_that_do():
    part = made_of("sharp edges")
    with pytest.raises(InputError, match="in which a pattern parts too") as caught:
        pattern_of(part)
    less, more = re.search(r"Write (\S+) or less, or (\S+) or more", str(caught.value)).groups()
    for diameter, wanted in ((less, DEPTH), (more, -BEHIND)):
        shell = replace(part.body.shell, back_diameter=float(diameter) * MM)
        waveguide = replace(part.waveguide, mounting=Mounting(body=shell))
        assert pattern_of(Made(waveguide, SEAT), chord=0.2 * MM).parting == pytest.approx(wanted)
