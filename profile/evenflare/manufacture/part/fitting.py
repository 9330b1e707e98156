"""Whether seat, rebate and edge leave enough of a part, and how far its holes may go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.bolts import (
    DEPTH_STEP,
    LAND,
    bolt_places,
    check_diameter,
    front_places,
    hole_depth,
)
from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import SMALLEST_LAND, Sizes, body_back, within
from evenflare.manufacture.process.types import DriverSeat
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import Cloud
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.words import mm

AROUND = 24
"""Places round a hole's bottom whose distance from the wall is measured."""
NEARLY = 0.95
"""Of a land: holes end as far from the wall along their own axis, which is a little more."""


def fitted(
    waveguide: Waveguide, sizes: Sizes | OblongSizes, features: Features, *, wall: Cloud | None = None
) -> Features:
    """The features as they are cut: a seat's holes no deeper than a land to the wall allows; see `changes`.

    They leave a shell its wall, a block a land of 1 mm, and 2 mm between seat and outside.
    wall   : the cloud of an oblong waveguide's surface.
    Errors : InputError for a size that leaves less.
    """
    if isinstance(sizes, OblongSizes) and sizes.body is not None:
        features = _in_oblong_body(sizes.body, features)
    elif isinstance(sizes, Sizes) and sizes.body is not None:
        features = _in_body(features, *body_back(waveguide.meridian, sizes.body))
    spare = _spare(waveguide, sizes, wall)
    if features.has_rim:
        _check_rim(sizes, features, depth=waveguide.depth, spare=spare)
    if features.front.count:
        _check_front(sizes, features, depth=waveguide.depth, spare=spare)
    if not features.seat.is_cut:
        return features if features.has_rim or features.front.count else PLAIN
    return replace(features, seat=_fitted(waveguide, sizes, features.seat, wall))


def _in_body(features: Features, back: float, flat: float) -> Features:
    """A body's recess is open through its back, where it is flat; its front has no edge of its own, and no screws.

    back, flat : m, see body_back.
    """
    if features.has_rim or features.front.count:
        raise InputError(
            '[solid] kind = "body": takes no edge, rebate or front_bolts, its outside is the one that was solved. Leave'
            " them out"
        )
    seat = features.seat
    if seat.diameter == 0.0:
        raise InputError(
            '[solid] kind = "body": needs room for the driver, a recess open through the back. Write seat_diameter_mm,'
            " the driver's"
        )
    if seat.diameter > 2.0 * (flat - LAND) + 1e-9:
        raise InputError(
            f"{seat.stated}diameter_mm = {mm(seat.diameter)}: must be at most {mm(2.0 * (flat - LAND))}, so that the"
            " recess is open through the flat of the body's back. Widen the back in [mounting]"
        )
    return replace(features, seat=replace(seat, depth=back))


def _in_oblong_body(body: OblongBody, features: Features) -> Features:
    """Likewise; a body that is lower than its back is wide leaves a land beside the recess's floor, and its holes."""
    made = _in_body(features, -body.back, body.flat)
    seat = made.seat
    turn = np.linspace(0.0, 0.5 * np.pi, 2 * AROUND)
    edge = np.column_stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)])
    touching, normals = (each.reshape(-1, 3) for each in body.sampled(AROUND, AROUND))
    # The body is convex: what keeps its distance at both ends of recess and holes does so between them.
    bounds = [("diameter_mm", seat.diameter, 0.5 * seat.diameter, 0.0)]
    if seat.bolts:
        reach = 0.5 * (seat.bolt_circle + seat.hole_diameter)
        bounds.append(("hole_depth_mm", seat.hole_depth, reach, seat.hole_depth))
    for key, value, radius, z in bounds:
        places = radius * edge + [0.0, 0.0, z]
        left = float((np.sum(touching * normals, axis=1) - places @ normals.T).min())
        if left < LAND:
            raise InputError(
                f"{seat.stated}{key} = {mm(value)}: leaves {mm(left)} to the body's outside, must leave {mm(LAND)}."
                " Lower it, or widen rim and back in [mounting]"
            )
    return made


def changes(asked: Features, made: Features) -> list[str]:
    """What is made otherwise than asked, or by the process alone, in words for terminal, sheet and page."""
    seat, words = made.seat, list[str]()
    if not seat.is_cut:
        return words
    if not seat.stated.startswith("[solid]"):
        holes = f", {seat.bolts} holes of {mm(seat.hole_diameter)}" if seat.bolts else ""
        words.append(
            f"the design states no driver's seat and the part has the process': diameter {mm(seat.diameter)},"
            f" {mm(seat.depth)} deep{holes}. design.toml beside the part states it; measure the driver at hand"
        )
    if seat.bolts and seat.hole_depth < asked.seat.hole_depth:
        words.append(
            f"the driver's holes are {mm(seat.hole_depth)} mm deep instead of {mm(asked.seat.hole_depth)}: deeper they"
            " would come too near the waveguide's wall"
        )
    return words


def _spare(waveguide: Waveguide, sizes: Sizes | OblongSizes, wall: Cloud | None) -> float:
    """m, of the front face between the wall and the outside, where that is least."""
    x, y = extent(sizes)
    if wall is None:
        return 0.5 * x - float(waveguide.meridian.dense.r.max())
    half_width, half_height, half_widest = wall.widest.tolist()
    if sizes.flange_diameter is not None:
        return float(0.5 * x - half_widest)
    return float(min(0.5 * x - half_width, 0.5 * y - half_height))


def _check_rim(sizes: Sizes | OblongSizes, features: Features, *, depth: float, spare: float) -> None:
    land = sizes.wall if sizes.kind == "shell" else SMALLEST_LAND
    thick = sizes.flange_thickness if sizes.kind == "shell" else depth
    left = f"leaving {land / MILLIMETRE:.4g} mm of the part"
    if features.edge_radius > 0.0:
        if features.rebate_width > 0.0:
            raise InputError(
                f"[solid] edge_radius_mm = {features.edge_radius / MILLIMETRE:.6g}: must not stand beside a rebate: an"
                " edge that is flush with a baffle is not rounded. Leave one out"
            )
        within("edge_radius_mm", features.edge_radius, 0.0, max(0.0, min(spare - land, thick)), left)
        return
    within("rebate_width_mm", features.rebate_width, 0.0, max(0.0, spare - land), left)
    within("rebate_depth_mm", features.rebate_depth, 0.0, max(0.0, thick - land), left)


def _check_front(sizes: Sizes | OblongSizes, features: Features, *, depth: float, spare: float) -> None:
    """InputError unless each hole of the front leaves a land to all that is near it."""
    front, seat = features.front, features.seat
    thick = sizes.flange_thickness if sizes.kind == "shell" else depth
    rim = max(features.edge_radius, features.rebate_width)
    half = 0.5 * front.widest
    # Behind its flange a shell is as thick as its wall, which the hole passes by; a countersink stays in the flange.
    inner = max(half + LAND, 0.5 * front.diameter + sizes.wall if sizes.kind == "shell" else 0.0)
    low, high = rim + LAND + half, spare - inner
    if low > high + 1e-9:
        raise InputError(
            f"[solid] front_bolts = {front.count}: holes that take {mm(front.widest)} mm of the front need"
            f" {mm(low + inner)} between the wall and the outside, and there are {mm(spare)}. Widen the flange, or take"
            " a smaller screw"
        )
    if not low - 1e-9 <= front.inset <= high + 1e-9:
        between = 0.5 * (low + high) / MILLIMETRE
        raise InputError(
            f"[solid] front_bolt_inset_mm = {mm(front.inset)}: must be {mm(low)} to {mm(high)}, clear of the wall and"
            f" of the part's outside. Write front_bolt_inset_mm = {between:.1f}, or widen the flange"
        )
    if front.countersink_depth > thick - 1e-9:
        raise InputError(
            f'[solid] front_screw = "{front.screw}": its countersink is {mm(front.countersink_depth)} deep, must be'
            f" less than the {mm(thick)} of the part there. Thicken the flange, or take a smaller screw"
        )
    places = np.array(front_places(sizes, front))
    apart = np.hypot(*(places - np.roll(places, 1, axis=0)).T).min() if front.count > 1 else np.inf
    if apart < front.widest + LAND:
        raise InputError(
            f"[solid] front_bolts = {front.count}: their holes would stand {mm(float(apart))} apart, must be"
            f" {mm(front.widest + LAND)} at least. Lower it"
        )
    free = float(np.hypot(*places.T).min()) - 0.5 * front.diameter
    taken = (features.hub(sizes.wall)[0] if sizes.kind == "shell" else 0.5 * seat.diameter) if seat.is_cut else 0.0
    if free < taken + LAND - 1e-9:
        raise InputError(
            f"[solid] front_bolt_inset_mm = {mm(front.inset)}: the holes would come within {mm(free)} of the axis,"
            f" must stay {mm(taken + LAND)} away from it, clear of the driver's seat. Lower it, or widen the flange"
        )


def _fitted(waveguide: Waveguide, sizes: Sizes | OblongSizes, seat: DriverSeat, wall: Cloud | None) -> DriverSeat:
    x, y = extent(sizes)
    rim = 2.0 * (sizes.wall - LAND) if sizes.kind == "shell" else 0.0
    check_diameter(waveguide, seat, across=min(x, y) - max(rim, 0.0))
    if not seat.bolts:
        return seat
    low, high = waveguide.driver.exit_radius * 2.0 + seat.hole_diameter + LAND, seat.diameter - seat.hole_diameter
    if not low <= seat.bolt_circle <= high + 1e-9:
        raise InputError(
            f"{seat.stated}bolt_circle_mm = {seat.bolt_circle / MILLIMETRE:.6g}: must be {low / MILLIMETRE:.4g} to"
            f" {high / MILLIMETRE:.4g}, with its holes of {seat.hole_diameter / MILLIMETRE:g} between the driver's exit"
            " and the seat's edge. Correct it"
        )
    apart = 2.0 * np.sin(np.pi / seat.bolts) * 0.5 * seat.bolt_circle if seat.bolts > 1 else np.inf
    if apart < seat.hole_diameter + LAND:
        raise InputError(
            f"{seat.stated}bolts = {seat.bolts}: their holes would stand {apart / MILLIMETRE:.3g} mm apart, must be"
            f" {(seat.hole_diameter + LAND) / MILLIMETRE:g} at least. Lower it, or widen the circle"
        )
    land, room, why = LAND, np.inf, ""
    if sizes.kind == "shell":
        land, room = max(sizes.wall, LAND), waveguide.depth - sizes.wall
        why = ", as thick as the shell is to be everywhere"
    if wall is not None:
        room = min(room, _clear(seat, wall, land=land))
    return replace(seat, hole_depth=hole_depth(waveguide, seat, land=land, room=room, why=why))


def _clear(seat: DriverSeat, wall: Cloud, *, land: float) -> float:
    """m, how deep the holes may go while their bottoms keep a land to an oblong wall, off its two planes too."""
    turn = 2.0 * np.pi * np.arange(AROUND) / AROUND
    edge = 0.5 * seat.hole_diameter * np.column_stack([np.cos(turn), np.sin(turn)])
    places = np.concatenate([edge + place for place in bolt_places(seat)])

    def keeps(depths: FloatArray) -> BoolArray:
        bottoms = np.concatenate([np.column_stack([places, np.full(len(places), depth)]) for depth in depths])
        away = wall.distance(bottoms, below=2.0 * land).reshape(len(depths), -1)
        return np.asarray(away.min(axis=1) >= NEARLY * land)

    # Beyond the wall it is far away again: the first depth that comes too near counts, and no step jumps over the wall.
    depths = np.linspace(0.0, seat.hole_depth, 2 + int(seat.hole_depth / (0.5 * land)))
    near = np.flatnonzero(~keeps(depths))
    if near.size == 0:
        return np.inf
    if near[0] == 0:
        return 0.0
    low, high = depths[near[0] - 1], depths[near[0]]
    fine = np.arange(low, high, DEPTH_STEP)
    return float(fine[keeps(fine)].max())
