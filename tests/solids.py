"""Closed bodies as triangles, for tests: made and written by another library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

from evenflare.units import FloatArray
from evenflare.waveguide import ClosedSolid, solid_of


def box(width: float, height: float, depth: float) -> trimesh.Trimesh:
    """Sharp, in any unit, about the origin."""
    return trimesh.creation.box((width, height, depth))


def wedge(width: float, height: float, depth: float) -> trimesh.Trimesh:
    """A box whose back is smaller and aside: no plane is a mirror."""
    found = box(width, height, depth)
    vertices = found.vertices.copy()
    behind = vertices[:, 2] < 0.0
    vertices[behind] = vertices[behind] * [0.8, 0.9, 1.0] + np.array([0.07, 0.02, 0.0]) * width
    found.vertices = vertices
    return found


def angle_piece(width: float, height: float, depth: float) -> trimesh.Trimesh:
    """A box with a step in its back: one face has six corners, and an edge is hollow."""
    half, low = 0.5 * width, 0.5 * depth
    profile = np.array([[-half, low], [-half, -low], [0.0, -low], [0.0, 0.0], [half, 0.0], [half, low]])
    import shapely

    prism = trimesh.creation.extrude_polygon(shapely.Polygon(profile), height)
    # From x, z, y upward to x, y, z.
    prism.apply_transform(np.array([[1, 0, 0, 0], [0, 0, -1, 0.5 * height], [0, 1, 0, 0], [0, 0, 0, 1]], dtype=float))
    return prism


def cylinder(radius: float, depth: float, edge: float, *, sides: int, steps: int) -> FloatArray:
    """(T, 3, 3) triangles of a round cabinet whose edges are quarter circles in so many steps."""
    turn = np.linspace(0.0, 0.5 * np.pi, steps + 1)
    r = np.concatenate([[0.0], radius - edge * (1 - np.sin(turn)), radius - edge * (1 - np.cos(turn)), [0.0]])
    z = 0.5 * depth - np.concatenate([[0.0], edge * (1 - np.cos(turn)), depth - edge * (1 - np.sin(turn)), [depth]])
    azimuth = 2 * np.pi * np.arange(sides + 1) / sides
    ring = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    ring[-1] = ring[0]
    places = np.concatenate(
        [r[:, None, None] * ring, np.broadcast_to(z[:, None, None], (r.size, sides + 1, 1))], axis=2
    )
    a, b, c, d = places[:-1, :-1], places[1:, :-1], places[1:, 1:], places[:-1, 1:]
    near, far = np.stack([a, b, d], axis=2)[1:], np.stack([b, c, d], axis=2)[:-1]
    return np.concatenate([near.reshape(-1, 3, 3), far.reshape(-1, 3, 3)])


def solid(mesh: trimesh.Trimesh) -> ClosedSolid:
    """In metres."""
    return solid_of(np.array(mesh.triangles))


def written(mesh: trimesh.Trimesh, path: Path, *, text: bool = False) -> Path:
    """An STL file, of whatever unit the mesh has."""
    if text:
        path.write_text(trimesh.exchange.stl.export_stl_ascii(mesh))
    else:
        path.write_bytes(trimesh.exchange.stl.export_stl(mesh))
    return path
