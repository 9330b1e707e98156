"""What a waveguide as made is mounted in: what the drawn one was, which moves with its rim as far as it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.waveguide.body import SEAT, Body, BodyPoints, RoundCabinet
from evenflare.waveguide.waveguide import Mounting, Waveguide


def remounted(drawn: Waveguide, made: Waveguide) -> Waveguide:
    """`made`, with the drawn one's mounting so that it fits.

    A baffle and a shell follow the rim by themselves. A sphere that is smaller than the mouth becomes as large. A round
    cabinet grows by what the mouth takes of its edge, or the depth of its driver's seat. The points of a body follow
    the rim, less and less toward the back. A cabinet stays; the mouth may then reach into the edges of its front.
    """
    mounting = drawn.mounting
    if mounting.kind == "baffle" or (mounting.body is not None and not made.is_round):
        return made
    bare, bare_drawn = (replace(each, mounting=Mounting()) for each in (made, drawn))
    if mounting.cabinet is not None:
        grown = (
            0.5 * (bare.mouth_width - bare_drawn.mouth_width),
            0.5 * (bare.mouth_height - bare_drawn.mouth_height),
            bare.depth - bare_drawn.depth,
        )
        return replace(made, mounting=replace(mounting, slack=max(0.0, *grown)))
    rim = bare.meridian.mouth_radius
    if mounting.radius is not None:
        return replace(made, mounting=Mounting(radius=max(mounting.radius, rim)))
    assert mounting.body is not None  # nothing else is left
    was = bare_drawn.meridian
    return replace(made, mounting=Mounting(body=_around(mounting.body, rim, was.mouth_radius, bare.depth, was.depth)))


def _around(body: Body, rim: float, rim_drawn: float, depth: float, depth_drawn: float) -> Body:
    """A body around the rim of a wall as made, m."""
    if isinstance(body, RoundCabinet):
        taken = max(0.0, rim + body.edge_radius - 0.5 * body.diameter)
        return replace(body, diameter=body.diameter + 2.0 * taken, depth=max(body.depth, depth + SEAT))
    if not isinstance(body, BodyPoints):
        return body
    points = np.array(body.points)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    share = ((1.0 - along / along[-1]) ** 2)[:, None]
    points = points + share * np.array([depth - depth_drawn, rim - rim_drawn])
    return replace(body, points=tuple((float(z), float(r)) for z, r in points))
