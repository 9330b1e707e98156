"""Sections of a solid: areas and ends against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from evenflare.files import InputError
from evenflare.manufacture.part.outline import solid_sizes
from evenflare.manufacture.part.slices import slices
from evenflare.manufacture.part.solid import Mesh, build
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from oblongs import MM, Choice

CONE = Waveguide(Conical(90 * MM, 42 * DEGREE))


@pytest.mark.parametrize("azimuth", [0.0, 30 * DEGREE, 90 * DEGREE])
def test_section_of_a_conical_block_is_two_trapezia(azimuth):
    sizes = solid_sizes(CONE.meridian, Choice())
    mesh = build(CONE.meridian, sizes, chord_error=0.002 * MM)
    found = slices(mesh, azimuth=azimuth)
    assert len(found) == 2
    mouth = 12.7 * MM + 90 * MM * np.tan(42 * DEGREE)
    edge = 0.5 * sizes.flange_diameter
    area = 90 * MM * (edge - 0.5 * (12.7 * MM + mouth))
    for outline in found:
        # Between the mesh's corners the circle lies up to 2 um further out, over some 160 mm of outline.
        assert shapely.Polygon(outline).area == pytest.approx(area, abs=4e-7)
        assert [outline[:, 0].min(), outline[:, 0].max()] == pytest.approx([0.0, 90 * MM], abs=1e-6)


def test_what_is_no_solid_is_refused():
    triangle = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    with pytest.raises(InputError, match="cannot be cut"):
        slices(triangle)
