"""A free-standing body built up of sheets: blind dowels in every joint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.rings import Bore, largest
from evenflare.manufacture.sheets.dowels import ROOM, dowel_places
from evenflare.manufacture.sheets.girth import Girth
from evenflare.units import MILLIMETRE
from evenflare.words import mm

DIAMETERS = (8 * MILLIMETRE, 6 * MILLIMETRE, 5 * MILLIMETRE, 4 * MILLIMETRE)
"""Of dowels: the thickest for which every joint has room is taken."""
DEEPEST = 1.5
"""Of its diameter, that a dowel's hole goes into a layer (common practice, no source)."""
BETWEEN = 2 * MILLIMETRE
"""Left of a layer between a hole from its front and one from its back."""
SHALLOWEST = 3 * MILLIMETRE
"""Of a hole that keeps two layers in register (common practice, no source)."""
_FLAT = 1e-9


@dataclass(frozen=True)
class LayerJoint:
    """Where two layers meet.

    z      : m, from the throat plane.
    dowels : (x, y) m, of three; they are as deep in either layer.
    label  : (x, y) m, where a layer's number stands clear of them.
    """

    z: float
    dowels: tuple[tuple[float, float], ...]
    label: tuple[float, float]


@dataclass(frozen=True)
class LayerJoints:
    """All of a body, from the front. diameter, depth : m, of their dowels, and of a hole in one layer."""

    diameter: float
    depth: float
    each: tuple[LayerJoint, ...]


def joints(
    girth: Girth,
    bore: Bore,
    edges: Sequence[float],
    *,
    back: float,
    bolts: Sequence[tuple[float, float]],
    drilled: float,
) -> LayerJoints:
    """Three dowels for every joint, within the finished body and ROOM clear of its wall, recess and outside.

    Their holes are as deep as the last layer allows once it is planed to the back, but no shallower than SHALLOWEST.
    edges   : m, falling: the front, the joints, and the back of the last layer.
    back    : m, z of the body's back.
    bolts   : (x, y) m, of the driver's holes, which reach `drilled` (m) ahead of the throat plane.
    Errors  : InputError if the sheets are too thin for blind holes, or a joint has no room for three dowels.
    """
    thinnest = float(np.min(-np.diff(edges)))
    if len(edges) > 2 and thinnest < 2.0 * SHALLOWEST + BETWEEN - _FLAT:
        raise InputError(
            f"[stock] sheet_thickness_mm: a body's layers are kept in register by blind dowels, and {mm(thinnest)} of"
            f" sheet leave no depth for them: must be {mm(2.0 * SHALLOWEST + BETWEEN)} or more. Take thicker sheets"
        )
    tight = 0.0
    for diameter in DIAMETERS:
        deep = min(DEEPEST * diameter, 0.5 * (thinnest - BETWEEN), max(SHALLOWEST, edges[-2] - back - BETWEEN))
        found = list[LayerJoint]()
        for z in edges[1:-1]:
            span = (max(z - deep, back), min(z + deep, edges[0]))
            edge = girth.outlines(*span)[0]
            opening = largest([each for _, each in bore.within(*span)])
            near = bolts if span[0] < drilled and span[1] > 0.0 else ()
            try:
                places, label = dowel_places(edge, [opening], near, diameter=diameter)
            except InputError:
                tight = z
                break
            found.append(LayerJoint(z, places, label))
        else:
            return LayerJoints(diameter, deep, tuple(found))
    raise InputError(
        f"[solid] leaves no room for three dowels of {mm(DIAMETERS[-1])} with {mm(ROOM)} beside them in the joint of"
        f" two layers at z_mm = {mm(tight)}, between wall or recess and outside. Make the body thicker there, in"
        " [mounting], or take sheets of another thickness"
    )
