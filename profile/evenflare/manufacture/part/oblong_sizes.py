"""The outside of a part around an oblong waveguide: its sizes and where its bolts stand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.outline import (
    DEFAULT_FLANGE_THICKNESS,
    DEFAULT_FLANGE_WIDTH,
    DEFAULT_WALL,
    KINDS,
    SMALLEST_LAND,
    SMALLEST_THICKNESS,
    Sizes,
    SolidChoice,
    body_disc,
    bolt_count,
    free_standing,
    within,
)
from evenflare.units import MILLIMETRE
from evenflare.waveguide.cloud import Cloud
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.surface import Surface

FEWEST_BOLTS = 4
"""Around a rectangle: one in each corner."""


@dataclass(frozen=True)
class OblongSizes:
    """A solid with every size settled, m. Bolt holes are drilled, and stand in no mesh.

    flange_diameter             : of a round flange or block; None where it is a rectangle.
    flange_width, flange_height : of a rectangle, along x and y; None where it is round.
    bolts                       : (x, y) of each bolt, counter-clockwise seen from the mouth.
    body                        : what a waveguide that stands free is outside, of kind "body"; its flange is the
                                  rectangle about it.
    """

    kind: str
    wall: float
    flange_diameter: float | None
    flange_width: float | None
    flange_height: float | None
    flange_thickness: float
    bolts: tuple[tuple[float, float], ...]
    body: OblongBody | None = None


def oblong_sizes(surface: Surface, wall: Cloud, solid: SolidChoice, *, body: OblongBody | None = None) -> OblongSizes:
    """The sizes of a solid around an oblong waveguide; what is None takes its default. body : of one that stands free.

    Defaults: wall 6 mm; a rectangular flange 40 mm wider and higher than the waveguide and 10 mm thick (the depth if
    that is less); eight bolts, on a rectangle (a circle if the flange is round) midway between mouth and flange edge
    (common practice, no source). With a flange diameter the flange, or the block, is round.
    wall   : the cloud of the surface.
    Errors : InputError for a size with which there is no such solid.
    """
    if solid.kind not in KINDS:
        raise InputError(f"[solid] kind = {solid.kind!r}: must be one of {', '.join(KINDS)}")
    if solid.kind == "body":
        disc, around = body_disc(solid), free_standing(body)
        half_width, half_height = around.half
        return OblongSizes("body", disc, None, 2.0 * half_width, 2.0 * half_height, surface.depth, (), around)
    depth, shell = surface.depth, solid.kind == "shell"
    thick = DEFAULT_WALL if solid.wall is None else solid.wall
    flange = min(DEFAULT_FLANGE_THICKNESS, depth) if solid.flange_thickness is None else solid.flange_thickness
    count = bolt_count(solid)
    within("wall_mm", thick, SMALLEST_THICKNESS, 1.0, "a shell's thickness")
    within("flange_thickness_mm", flange, SMALLEST_THICKNESS, depth, "the waveguide's depth")
    if count < 0:
        raise InputError(f"[solid] bolts = {count}: must be 0 or more")

    land = thick if shell else SMALLEST_LAND
    what = "at least the waveguide and twice the wall" if shell else "at least the waveguide and a land of 1 mm"
    half_width, half_height, half_widest = wall.widest.tolist()
    if solid.flange_diameter is None:
        sides = []
        for key, given, half in (
            ("flange_width_mm", solid.flange_width, half_width),
            ("flange_height_mm", solid.flange_height, half_height),
        ):
            size = 2 * (half + DEFAULT_FLANGE_WIDTH) if given is None else given
            if given is None and land > DEFAULT_FLANGE_WIDTH + 1e-9:
                raise InputError(
                    f"[solid] wall_mm = {thick / MILLIMETRE:.6g}: must be at most {DEFAULT_FLANGE_WIDTH / MILLIMETRE:g}"
                    f" while {key} has its default, {size / MILLIMETRE:.6g}. Lower it, or write {key} ="
                    f" {np.ceil(2 * (half + thick) / MILLIMETRE):g} or more"
                )
            within(key, size, 2 * (half + land), 10.0, what)
            sides.append(size)
        if solid.bolt_circle is not None and count > 0:
            raise InputError(
                f"[solid] bolt_circle_mm = {solid.bolt_circle / MILLIMETRE:.6g}: a rectangular flange has its bolts on"
                " a rectangle, midway between mouth and edge. Leave it out, or write flange_diameter_mm for a round"
                " flange"
            )
        width, height = sides
        bolts = around_rectangle(count, 0.5 * (surface.mouth_width + width), 0.5 * (surface.mouth_height + height))
        return OblongSizes(solid.kind, thick, None, width, height, flange, bolts)

    for key, given in (("flange_width_mm", solid.flange_width), ("flange_height_mm", solid.flange_height)):
        if given is not None:
            raise InputError(
                f"[solid] {key} = {given / MILLIMETRE:.6g}: must not stand beside flange_diameter_mm; the flange is"
                " either a rectangle or round. Leave one out"
            )
    within("flange_diameter_mm", solid.flange_diameter, 2 * (half_widest + land), 10.0, what)
    circle = half_widest + 0.5 * solid.flange_diameter if solid.bolt_circle is None else solid.bolt_circle
    if count > 0:
        within("bolt_circle_mm", circle, 2 * half_widest, solid.flange_diameter, "between mouth and flange edge")
    turn = 2 * np.pi * np.arange(count) / max(count, 1)
    bolts = tuple((0.5 * circle * math.cos(angle), 0.5 * circle * math.sin(angle)) for angle in turn.tolist())
    return OblongSizes(solid.kind, thick, solid.flange_diameter, None, None, flange, bolts)


def around_rectangle(count: int, width: float, height: float, *, key: str = "bolts") -> tuple[tuple[float, float], ...]:
    """(x, y) in m of bolts around a rectangle: one in each corner, the others even along its sides, alike on opposite
    ones, so that the widest gap is smallest.
    """
    if count == 0:
        return ()
    if count < FEWEST_BOLTS or count % 2:
        raise InputError(
            f"[solid] {key} = {count}: must be 0 or an even number of {FEWEST_BOLTS} or more around a rectangular"
            " flange: one in each corner, the others alike on opposite sides. Change it, or write flange_diameter_mm"
            " for a round flange"
        )
    pairs = (count - FEWEST_BOLTS) // 2
    on_width = min(range(pairs + 1), key=lambda inner: (max(width / (inner + 1), height / (pairs - inner + 1)), inner))
    x = 0.5 * width * np.linspace(-1.0, 1.0, on_width + 2)
    y = 0.5 * height * np.linspace(-1.0, 1.0, pairs - on_width + 2)
    sides = [
        [(x[-1], value) for value in y[:-1]],
        [(value, y[-1]) for value in x[:0:-1]],
        [(x[0], value) for value in y[:0:-1]],
        [(value, y[0]) for value in x[:-1]],
    ]
    return tuple((float(a), float(b)) for side in sides for a, b in side)


def flange_bolts(sizes: Sizes | OblongSizes) -> tuple[tuple[float, float], ...]:
    """(x, y) in m of the flange's bolts."""
    if isinstance(sizes, OblongSizes):
        return sizes.bolts
    turn = 2 * np.pi * np.arange(sizes.bolts) / max(sizes.bolts, 1)
    x, y = 0.5 * sizes.bolt_circle * np.cos(turn), 0.5 * sizes.bolt_circle * np.sin(turn)
    return tuple(zip(x.tolist(), y.tolist(), strict=True))


def outside(sizes: Sizes | OblongSizes, *, decimals: int = 3) -> str:
    """The outside of a part in words, in mm."""
    if isinstance(sizes, OblongSizes) and sizes.flange_diameter is None:
        width, height = (sizes.flange_width or 0.0) / MILLIMETRE, (sizes.flange_height or 0.0) / MILLIMETRE
        return f"outside {width:.{decimals}f} wide (x) and {height:.{decimals}f} high (y)"
    return f"outside diameter {(sizes.flange_diameter or 0.0) / MILLIMETRE:.{decimals}f}"
