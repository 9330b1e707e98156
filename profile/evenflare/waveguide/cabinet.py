"""A rectangular cabinet, with a waveguide's mouth flush in its flat front."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray

SEAT = 5 * MILLIMETRE
"""Of the cabinet behind the throat plane at least: the driver needs something to sit on (common practice, no
source)."""
TOUCH = 1e-6
"""m, by which a mouth may pass the edge of the flat front: rounding."""


@dataclass(frozen=True)
class Edge:
    """Where two faces meet: sharp, rounded with a radius, or cut off at 45 degrees, m along either face."""

    radius: float = 0.0
    chamfer: float = 0.0

    def __post_init__(self) -> None:
        if min(self.radius, self.chamfer) < 0.0 or (self.radius > 0.0 and self.chamfer > 0.0):
            raise ValueError("an edge has a radius or a chamfer, 0 or more, not both")

    @property
    def size(self) -> float:
        """m, what it takes off either face."""
        return max(self.radius, self.chamfer)

    @property
    def words(self) -> str:
        """What it is like."""
        if self.size == 0.0:
            return "sharp"
        kind = "rounded with" if self.is_round else "cut off by"
        return f"{kind} {self.size / MILLIMETRE:.4g} mm"

    @property
    def is_round(self) -> bool:
        """Whether the faces run into each other without a corner."""
        return self.radius > 0.0


@dataclass(frozen=True)
class Cabinet:
    """A closed rigid box, its edges as if a cutter had run round its outline, and round front and back.

    width, height, depth : m, outside.
    edge                 : of every edge,
    front_edge           : but for those of the front; left out, as the others.
    x, y                 : m, of the mouth's centre from the front's middle, right and up seen from in front.
    """

    width: float
    height: float
    depth: float
    edge: Edge = Edge()
    front_edge: Edge = None  # type: ignore[assignment]  # until __post_init__, which has the others by then
    x: float = 0.0
    y: float = 0.0

    def __post_init__(self) -> None:
        if self.front_edge is None:
            object.__setattr__(self, "front_edge", self.edge)

    @property
    def flat(self) -> tuple[float, float]:
        """m, from the mouth's centre to the nearest of the front's edges, left or right, and above or below."""
        inset = self.front_edge.size
        return 0.5 * self.width - inset - abs(self.x), 0.5 * self.height - inset - abs(self.y)

    @property
    def words(self) -> str:
        """Its sizes, and where the mouth sits."""
        edges = [f"edges {self.edge.words}"]
        if self.front_edge != self.edge:
            edges.append(f"those of the front {self.front_edge.words}")
        sizes = " x ".join(f"{each / MILLIMETRE:.4g}" for each in (self.width, self.height, self.depth))
        place = place_words(self.x, self.y)
        return f"a cabinet of {sizes} mm (width, height, depth), {', '.join(edges)}, the mouth {place}"

    @property
    def key(self) -> dict[str, Any]:
        """What tells it from others, as JSON can hold it."""
        return asdict(self)

    @property
    def volume(self) -> float:
        """m3, with sharp edges."""
        return self.width * self.height * self.depth

    @property
    def symmetry(self) -> Literal["two_planes", "left_right", "none"]:
        """Of the sound of a waveguide that is symmetric about both planes itself."""
        if self.x != 0.0:
            return "none"
        return "two_planes" if self.y == 0.0 else "left_right"

    @property
    def section(self) -> FloatArray:
        """(N, 2) m, its outline in the vertical plane through the mouth's centre: z from the front, y from the mouth's
        centre, from above it round the back to below it.
        """
        upper = _corner(0.0, 0.5 * self.height, self.front_edge, front=True)
        upper += _corner(-self.depth, 0.5 * self.height, self.edge, front=False)
        lower = [(z, -y) for z, y in reversed(upper)]
        return np.asarray(np.array([*upper, *lower]) - np.array([0.0, self.y]))

    @property
    def centre(self) -> FloatArray:
        """(3,) m, the mouth's, from the cabinet's middle."""
        return np.array([self.x, self.y, 0.5 * self.depth])

    @property
    def widest(self) -> float:
        """m, from the mouth's axis to the farthest edge."""
        return float(np.hypot(0.5 * self.width + abs(self.x), 0.5 * self.height + abs(self.y)))

    @property
    def reach(self) -> float:
        """m, of the ball about the middle that holds the cabinet."""
        return float(np.linalg.norm([0.5 * self.width, 0.5 * self.height, 0.5 * self.depth]))

    def check(self, half_width: float, half_height: float, depth: float, *, is_round: bool) -> None:
        """ValueError, which names the key of the design file, unless a mouth of these half-sizes and a waveguide of
        this depth, m, fit in. Whether it is round counts for nothing: the flat is a rectangle.
        """
        for half, room, side, place, size in (
            (half_width, self.flat[0], "waveguide_x_mm", self.x, "width_mm"),
            (half_height, self.flat[1], "waveguide_y_mm", self.y, "height_mm"),
        ):
            if half > room + TOUCH:
                outer = 2 * (half + self.front_edge.size + abs(place))
                raise ValueError(
                    f"[mounting] {size} = {(self.width if size == 'width_mm' else self.height) / MILLIMETRE:g}: must be"
                    f" at least {at_least(outer)} for a mouth {2 * half / MILLIMETRE:.4g} mm"
                    f" {'wide' if size == 'width_mm' else 'high'} beside its edges, at {side} ="
                    f" {place / MILLIMETRE:g}. Raise it, move the mouth toward the middle, or make it smaller"
                )
        if self.depth < depth + SEAT - TOUCH:
            raise ValueError(
                f"[mounting] depth_mm = {self.depth / MILLIMETRE:g}: must be at least"
                f" {at_least(depth + SEAT)}, the waveguide's {depth / MILLIMETRE:.4g} and"
                f" {SEAT / MILLIMETRE:g} for the driver's seat. Raise it, or make the waveguide shallower"
            )

    @property
    def nearest_edge(self) -> float:
        """m, from the mouth's centre to where the flat front ends."""
        return float(np.min(self.flat))


def place_words(x: float, y: float) -> str:
    """Where a mouth's centre sits, from the front's middle."""
    aside = [
        f"{abs(value) / MILLIMETRE:.4g} mm {(plus if value > 0.0 else minus)} the front's middle"
        for value, plus, minus in ((x, "right of", "left of"), (y, "above", "below"))
        if value != 0.0
    ]
    return " and ".join(aside) or "in the front's middle"


def at_least(size: float) -> str:
    """mm, rounded up: what a message asks for must do."""
    return f"{math.ceil(size / (0.1 * MILLIMETRE) - 1e-6) / 10:g}"


def _corner(z: float, y: float, edge: Edge, *, front: bool) -> list[tuple[float, float]]:
    """(z, y) along the edge between a face at z and a side at y, from front to back."""
    size, inward = edge.size, -1.0 if front else 1.0
    if not edge.is_round:
        points = [(z, y - size), (z + inward * size, y)]
    else:
        turn = np.linspace(0.0, 0.5 * np.pi, 17)
        points = [
            (z + inward * size * (1.0 - np.cos(a)), y - size * (1.0 - np.sin(a)))  # from the face to the side
            for a in turn
        ]
    return points if front else points[::-1]
