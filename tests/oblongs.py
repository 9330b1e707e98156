"""Oblong waveguides that the tests of manufacture share, and what is known of them without the code under test."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import trimesh
from scipy.spatial import cKDTree

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    Conical,
    OblateSpheroidal,
    Oblong,
    Points,
    RoundedRectangle,
    Superellipse,
    Tractrix,
    Waveguide,
)

MM = MILLIMETRE
THROAT = 12.7 * MM
DEPTH = 90 * MM


@dataclass(frozen=True)
class Choice:
    kind: str = "block"
    wall: float | None = None
    flange_diameter: float | None = None
    flange_thickness: float | None = None
    bolt_circle: float | None = None
    bolts: int | None = None
    front_bolts: int | None = None
    flange_width: float | None = None
    flange_height: float | None = None
    front_bolts: int | None = None


def cones(horizontal=42.0, vertical=25.0, roundover=0.0, section=None, depth=DEPTH):
    """Straight walls at those angles (degrees)."""
    walls = (Conical(depth, angle * DEGREE, roundover) for angle in (horizontal, vertical))
    return Waveguide(Oblong(*walls, section or Superellipse()))


def bent(*planes, section=None):
    """Walls through points (z, r) in mm after the throat, with corners, in the two planes."""
    walls = (Points(((0.0, THROAT), *((z * MM, r * MM) for z, r in plane)), corner=8 * DEGREE) for plane in planes)
    return Waveguide(Oblong(*walls, section or Superellipse()))


SHAPES = {
    "cone": cones(),
    "rolled": cones(roundover=15 * MM, section=Superellipse(4.0)),
    "tight": cones(roundover=3 * MM, section=Superellipse(3.0)),
    "rectangle": cones(roundover=8 * MM, section=RoundedRectangle(20 * MM)),
    "oblate": Waveguide(
        Oblong(
            OblateSpheroidal(60 * MM, 50 * DEGREE, 10 * MM),
            OblateSpheroidal(60 * MM, 30 * DEGREE, 6 * MM),
            Superellipse(((0.03, 2.5), (0.06, 3.0))),
        )
    ),
    "tractrix": Waveguide(Oblong(Tractrix(100 * MM, 60 * MM, 5 * MM), Conical(60 * MM, 25 * DEGREE, 5 * MM))),
    "edges": bent(((40, 27), (70, 80)), ((50, 25), (70, 50)), section=Superellipse(3.0)),
}
HOLLOW = bent(((40, 60), (70, 80)), ((50, 25), (70, 30)))
NARROWING = bent(((20, 10), (40, 11), (70, 40)), ((20, 10), (70, 25)))


def semi_axes(z, horizontal=42.0, vertical=25.0):
    """Half-width and half-height of `cones` at z."""
    return THROAT + z * np.tan(horizontal * DEGREE), THROAT + z * np.tan(vertical * DEGREE)


def bore_of_cones(depth=DEPTH):
    """Volume in `cones` of elliptical section: the integral of pi a b with a and b linear in z."""
    a, b = semi_axes(depth)
    da, db = a - THROAT, b - THROAT
    return np.pi * depth * (THROAT**2 + THROAT * (da + db) / 2 + da * db / 3)


def normals_of_cones(points):
    """Unit normals into the air of elliptical `cones`: against the gradient of (x/a)^2 + (y/b)^2."""
    x, y, z = np.moveaxis(points, -1, 0)
    a, b = semi_axes(z)
    slope = x**2 / a**3 * np.tan(42 * DEGREE) + y**2 / b**3 * np.tan(25 * DEGREE)
    gradient = np.stack([x / a**2, y / b**2, -slope], axis=-1)
    return -gradient / np.linalg.norm(gradient, axis=-1, keepdims=True)


class DenseWall:
    """The wall at places 0.15 mm or less apart, and distances from it."""

    def __init__(self, surface, count=700):
        psi = np.linspace(-0.05, 0.5 * np.pi + 0.05, count)
        t = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, count))
        parts = []
        for stretch, (low, high) in enumerate(zip(surface.cuts[:-1], surface.cuts[1:], strict=True)):
            parts.append(surface.patch(np.minimum(low + (high - low) * t, high), psi, stretch=stretch, bends=False))
        self.points = np.concatenate([part.points.reshape(-1, 3) for part in parts])
        self.normals = np.concatenate([part.normals.reshape(-1, 3) for part in parts])
        # Built and asked in half the time that scipy's own choice takes; what it finds is the same.
        self.tree = cKDTree(self.points, leafsize=64, balanced_tree=False, compact_nodes=False)

    def nearest(self, places, *, below=np.inf):
        """Distance of the nearest point: at most a little too large; infinite from `below` on, which is soon told."""
        folded = places * np.where(places < 0, [-1.0, -1.0, 1.0], 1.0)
        return self.tree.query(folded, distance_upper_bound=below)[0]

    def beside(self, places):
        """Distance from the plane that touches the wall at the nearest point."""
        folded = np.abs(places[:, :2])
        folded = np.column_stack([folded, places[:, 2]])
        index = self.tree.query(folded)[1]
        return np.abs(np.sum((folded - self.points[index]) * self.normals[index], axis=1))


@cache
def dense_wall(name):
    """Of one of SHAPES: made once for all tests of a process."""
    return DenseWall(SHAPES[name].surface)


def held(mesh):
    """A mesh as a file holds it: single precision, mm."""
    return trimesh.Trimesh((mesh.vertices / MM).astype(np.float32), mesh.faces)


def closed_ring(mesh):
    return mesh.is_watertight and mesh.is_winding_consistent and mesh.euler_number == 0 and mesh.body_count == 1
