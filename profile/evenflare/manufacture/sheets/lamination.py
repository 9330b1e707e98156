"""A part built up of sheets: what is cut out of each, where dowels keep them in register, and where they lie."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.bolts import bolt_places, front_places, hole_depth
from evenflare.manufacture.part.features import PLAIN, FrontHoles
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.outline import COINCIDENT, Sizes
from evenflare.manufacture.part.rings import (
    Bore,
    Outline,
    between,
    beyond,
    circle,
    outside_of,
    rectangle,
    shrunk,
    smallest,
)
from evenflare.manufacture.process.full_stock import cuts_outside, stock_radius
from evenflare.manufacture.process.types import DriverSeat, Process, Stock
from evenflare.manufacture.sheets.dowels import dowel_places
from evenflare.manufacture.sheets.girth import Girth, girth_of
from evenflare.manufacture.sheets.joints import LayerJoints, joints
from evenflare.manufacture.sheets.nesting import Placement, capacity, nest
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide

Style = Literal["step", "bevel"]
STYLES: tuple[Style, ...] = ("step", "bevel")
DOWEL = 8 * MILLIMETRE
"""Diameter (common practice, no source)."""
THINNEST = 0.2 * MILLIMETRE
"""A last layer thinner than that is left out: glue and planing take as much."""
MOST_LAYERS = 500


@dataclass(frozen=True)
class LayerHole:
    """A circle that is cut in a layer besides its opening, m: about (x, y) from the axis.

    operation : "drill" through it; "drill_back" and "pocket_back" from its back, "drill_front" from its front, `depth`
                deep.
    depth     : m; None: through.
    """

    operation: str
    x: float
    y: float
    radius: float
    depth: float | None = None


@dataclass(frozen=True)
class Layer:
    """One sheet's part, seen from its front.

    number       : from 1, at the front.
    z_from, z_to : m, its back and its front, from the throat plane; the back of the last may lie behind the part.
    outside      : what is cut around it, straight through.
    front, back  : the finished opening at its front and at its back (within the part).
    cuts         : operation and outline of what is cut out of it: ("cut_inside", ...) straight through, or
                   ("cut_inside_front", ...) and ("cut_inside_back", ...) of a bevel.
    left         : m, the most that is left to take off the wall, sideways.
    left_outside : m, likewise off the outside.
    label        : (x, y) in m, where its number stands.
    holes        : the front's, and as far as they reach into it the driver's and its recess.
    dowels       : blind holes, of a body's joints.
    """

    number: int
    z_from: float
    z_to: float
    outside: Outline
    front: Outline
    back: Outline
    cuts: tuple[tuple[str, Outline], ...]
    left: float
    left_outside: float
    label: tuple[float, float] = (0.0, 0.0)
    holes: tuple[LayerHole, ...] = ()
    dowels: tuple[LayerHole, ...] = ()

    @property
    def thickness(self) -> float:
        """M."""
        return self.z_to - self.z_from

    @property
    def area(self) -> float:
        """m2, of what is left of the sheet: of a bevel its front."""
        return self.outside.area - self.cuts[0][1].area


@dataclass(frozen=True)
class Lamination:
    """Layers from the front to the back.

    places         : of each layer on its sheet.
    dowels, bolts  : (x, y) in m from the axis, seen from the front; holes through every layer, and marks on the first.
                     A body has neither: see its layers' dowels.
    dowel_diameter : m.
    surplus        : m, to plane off the back.
    measured       : how many sheets have a measured thickness.
    sheet          : width and height, m.
    """

    layers: tuple[Layer, ...]
    places: tuple[Placement, ...]
    dowels: tuple[tuple[float, float], ...]
    bolts: tuple[tuple[float, float], ...]
    dowel_diameter: float
    surplus: float
    style: Style
    allowance: float
    measured: int
    sheet: tuple[float, float]

    @property
    def sheets(self) -> int:
        """How many sheets it takes."""
        return 1 + max(place.sheet for place in self.places)

    @property
    def in_part(self) -> float:
        """m3, of the layers as cut, before glue-up; of a bevel to its straight slope."""
        return sum(_volume(layer) for layer in self.layers)

    @property
    def share_used(self) -> float:
        """Area of the layers over area of the sheets, the yield."""
        return sum(layer.area for layer in self.layers) / (self.sheets * self.sheet[0] * self.sheet[1])


def _volume(layer: Layer) -> float:
    """m3: a prismatoid's, which is exact where the opening's sides run straight."""
    first, last = layer.cuts[0][1], layer.cuts[-1][1]
    middle = between(last, first, 0.5, chord_error=1e-6).area
    pocket = next((hole for hole in layer.holes if hole.operation == "pocket_back"), None)
    deep = 0.0 if pocket is None or pocket.depth is None else pocket.depth
    taken = 0.0 if pocket is None else deep * (math.pi * pocket.radius**2 - last.area)
    for hole in layer.holes:
        if hole is not pocket:
            inside = pocket is not None and math.hypot(hole.x, hole.y) < pocket.radius
            height = layer.thickness if hole.depth is None else hole.depth
            taken += math.pi * hole.radius**2 * (height - (deep if inside else 0.0))
    return layer.thickness * (layer.outside.area - (first.area + 4.0 * middle + last.area) / 6.0) - taken


def laminate(
    waveguide: Waveguide,
    sizes: Sizes | OblongSizes,
    process: Process,
    *,
    chord_error: float,
    style: Style = "step",
    allowance: float | None = None,
    dowel_diameter: float = DOWEL,
    front: FrontHoles = PLAIN.front,
) -> Lamination:
    """A part of `sizes` cut into layers, from the front face back, of the thickness of the sheets they come from.

    A block's have its outside. A body's are rings, cut at the largest outline that its outside has within the layer
    and `allowance` beyond it; where the process has a machine cut the outside, each is as large as the stock that its
    programs cut it from.
    style       : "step": each layer is cut straight through at its smallest opening, so that material is left;
                  "bevel": from its opening at the front to the one at the back, moved inward by as much as that
                  straight slope would cut into the wall anywhere; straight where a layer reaches behind the throat
                  plane.
    allowance   : m, left beside the wall all around, and beside a body's outside; None: the process's stock_left.
    chord_error : m, of the points of outlines that are not circles.
    dowel_diameter : m, of a block's; a body has the thickest for which there is room.
    front       : holes, through every layer.
    Errors      : InputError if the solid is a shell, the process has no sheets, a layer does not fit on one, or there
                  is no room for dowels.
    """
    checked_chord_error(chord_error)
    if sizes.kind == "shell":
        raise InputError(
            '[solid] kind = "shell": only a block or a free-standing body is built up of sheets, which dowels keep in'
            ' register. Write kind = "block"'
        )
    stock, seat = process.stock, process.seat
    if stock.kind != "sheet":
        raise InputError(f'process "{process.name}" [stock] kind = "{stock.kind}": must be "sheet" to cut layers')
    if style not in STYLES:
        raise InputError(f"style = {style!r}: must be one of {', '.join(STYLES)}")
    allowance = process.stock_left if allowance is None else allowance
    outside = outside_of(sizes, chord_error=chord_error)
    bore = Bore(waveguide, chord_error, 0.5 * seat.diameter)
    if seat.depth > 0.0 and bore.recess >= 0.5 * min(outside.size):
        raise InputError(
            f"{seat.stated}diameter_mm = {seat.diameter / MILLIMETRE:g}: must be below the {sizes.kind}'s outside,"
            f" {min(outside.size) / MILLIMETRE:.4g}. Make the flange larger, or the seat smaller"
        )
    shape = girth_of(waveguide, sizes, chord_error=chord_error)
    largest = outside if shape is None else _largest(process, outside, allowance, chord_error)
    room = capacity(largest.size, sheet=stock.sheet_size, spacing=stock.spacing)
    thicknesses = layer_thicknesses(bore.depth + seat.depth, stock, capacity=room)
    # To a nanometre: a layer that ends at the throat plane ends there.
    edges = np.round(bore.depth - np.concatenate([[0.0], np.cumsum(thicknesses)]), 9) + 0.0
    layers = [
        _layer(number, (float(low), float(high)), max(float(low), -seat.depth), bore, outside, (style, allowance))
        for number, (high, low) in enumerate(itertools.pairwise(edges), start=1)
    ]
    places = front_places(sizes, front)
    deep = hole_depth(waveguide, seat) if seat.bolts and seat.is_cut else 0.0
    layers = [replace(each, holes=_holes(each, front, places, seat, deep)) for each in layers]
    bolts = flange_bolts(sizes)
    held = bolt_places(seat) if deep else ()
    if shape is None:
        openings = [each for layer in layers for each in (layer.front, layer.back)]
        dowels, label = dowel_places(outside, openings, [*bolts, *places, *held], diameter=dowel_diameter)
        layers = [replace(each, label=label) for each in layers]
    else:
        layers = [_around_body(each, shape, largest, process, (allowance, chord_error)) for each in layers]
        met = joints(shape, bore, edges.tolist(), back=-seat.depth, bolts=held, drilled=deep)
        dowels, dowel_diameter = (), met.diameter
        layers = [_doweled(each, met) for each in layers]
    # What was measured of a sheet holds of as many layers as the largest of them would fill it with.
    sides = [largest.size if stock.measured_thickness else layer.outside.size for layer in layers]
    return Lamination(
        layers=tuple(layers),
        places=tuple(nest(sides, sheet=stock.sheet_size, spacing=stock.spacing)),
        dowels=dowels,
        bolts=bolts,
        dowel_diameter=dowel_diameter,
        surplus=max(0.0, -seat.depth - float(edges[-1])),
        style=style,
        allowance=allowance,
        measured=len(stock.measured_thickness),
        sheet=stock.sheet_size,
    )


def _largest(process: Process, outside: Outline, allowance: float, chord_error: float) -> Outline:
    """What is cut around the largest layer of a body, which has `outside` about it."""
    machine = cuts_outside(process)
    if machine == "router" and process.hold_down is not None:
        return rectangle(*(side + 2.0 * process.hold_down.margin for side in outside.size))
    if machine == "lathe":
        return circle(stock_radius(process, 0.5 * outside.size[0]), chord_error=chord_error)
    return shrunk(outside, -allowance, chord_error=chord_error)


def _around_body(layer: Layer, shape: Girth, largest: Outline, process: Process, made: tuple[float, float]) -> Layer:
    """The layer with what is cut around it of a body: full stock where a machine cuts the outside out of that.

    made : m, allowance and chord error.
    """
    least, most = shape.outlines(max(layer.z_from, -process.seat.depth), layer.z_to)
    cut = largest if cuts_outside(process) else shrunk(most, -made[0], chord_error=made[1])
    return replace(layer, outside=cut, left_outside=beyond(cut, least))


def _doweled(layer: Layer, met: LayerJoints) -> Layer:
    """The layer with the holes of the joints at its front and its back."""
    ahead = [joint for joint in met.each if joint.z == layer.z_to]
    behind = [joint for joint in met.each if joint.z == layer.z_from]
    holes = [
        LayerHole(operation, x, y, 0.5 * met.diameter, met.depth)
        for operation, found in (("drill_front", ahead), ("drill_back", behind))
        for joint in found
        for x, y in joint.dowels
    ]
    middle = (0.0, 0.5 * (layer.outside.points[:, 1].max() + layer.front.points[:, 1].max()))
    return replace(layer, dowels=tuple(holes), label=next((each.label for each in (*ahead, *behind)), middle))


def _holes(
    layer: Layer, front: FrontHoles, places: Sequence[tuple[float, float]], seat: DriverSeat, deep: float
) -> tuple[LayerHole, ...]:
    """Of a layer. deep : m, of the driver's holes from the throat plane."""
    found = [LayerHole("drill", x, y, 0.5 * front.diameter) for x, y in places]
    if seat.depth > 0.0 and layer.z_from < 0.0 < layer.z_to:
        found.append(LayerHole("pocket_back", 0.0, 0.0, 0.5 * seat.diameter, -layer.z_from))
    if max(layer.z_from, 0.0) < min(layer.z_to, deep) - COINCIDENT:
        through = deep > layer.z_to - COINCIDENT
        kind, depth = ("drill", None) if through else ("drill_back", deep - layer.z_from)
        found += [LayerHole(kind, x, y, 0.5 * seat.hole_diameter, depth) for x, y in bolt_places(seat)]
    return tuple(found)


def layer_thicknesses(height: float, stock: Stock, *, capacity: int) -> list[float]:
    """m, of layers from the front back, until they are as high as the part (m).

    The first `capacity` layers come from the first sheet and have its measured thickness, and so on; beyond the last
    measured sheet its thickness holds on; with none measured the nominal one does.
    """
    measured = stock.measured_thickness or (stock.sheet_thickness,)
    found: list[float] = []
    while sum(found) < height - (THINNEST if found else 0.0):
        found.append(measured[min(len(found) // capacity, len(measured) - 1)])
        if len(found) > MOST_LAYERS:
            raise InputError(
                f"[stock] sheet_thickness_mm = {found[0] / MILLIMETRE:g}: would need more than {MOST_LAYERS} layers."
                " Take thicker sheets"
            )
    return found


def _layer(
    number: int, span: tuple[float, float], low: float, bore: Bore, outside: Outline, made: tuple[Style, float]
) -> Layer:
    """A layer over `span` (m), whose part of the block begins at `low` (m)."""
    (style, allowance), chord = made, bore.chord_error
    high = span[1]
    if high <= 0.0:  # Of the driver's recess alone, which nothing finishes afterwards.
        allowance = 0.0
    openings = bore.within(low, high) if high > 0.0 else [(z, bore.opening_at_depth(low)) for z in (low, high)]
    (_, back), (_, front) = openings[0], openings[-1]
    # What is planed off the back, or cut as a recess, would shift a slope: there the cut is straight.
    if style == "bevel" and span[0] >= 0.0:
        shares = [(z - low) / (high - low) for z, _ in openings]
        slope = [between(back, front, share, chord_error=chord) for share in shares]
        inward = max(beyond(line, opening) for line, (_, opening) in zip(slope, openings, strict=True))
        cut = [shrunk(each, allowance + inward, chord_error=chord) for each in (front, back)]
        cuts: tuple[tuple[str, Outline], ...] = (("cut_inside_front", cut[0]), ("cut_inside_back", cut[1]))
        cut_at = [between(cut[1], cut[0], share, chord_error=chord) for share in shares]
    else:
        straight = shrunk(smallest([opening for _, opening in openings]), allowance, chord_error=chord)
        cuts, cut_at = (("cut_inside", straight),), [straight] * len(openings)
    # Of a layer that the recess reaches into, the recess is cut on its own.
    above = zip(cut_at, openings, strict=True)
    left = max(beyond(opening, line) for line, (z, opening) in above if z >= 0.0 or high <= 0.0)
    return Layer(number, *span, outside, front, back, cuts, left, 0.0)


def on_sheet(points: Sequence[Sequence[float]], place: Placement) -> FloatArray:
    """(N, 2), m: points (x, y) of a layer where they lie on its sheet."""
    xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if place.turned:
        xy = np.column_stack([-xy[:, 1], xy[:, 0]])
    return np.asarray(xy + np.array([place.x, place.y]))
