"""A rectangular cabinet, with a waveguide's mouth flush in its flat front."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
    def is_round(self) -> bool:
        """Whether the faces run into each other without a corner."""
        return self.radius > 0.0


@dataclass(frozen=True)
class Cabinet:
    """A closed rigid box, its edges as if a cutter had run round its outline, and round front and back.

    width, height, depth : m, outside.
    edge                 : of every edge,
    front_edge           : but for those of the front.
    x, y                 : m, of the mouth's centre from the front's middle, right and up seen from in front.
    """

    width: float
    height: float
    depth: float
    edge: Edge = Edge()
    front_edge: Edge = Edge()
    x: float = 0.0
    y: float = 0.0

    @property
    def flat(self) -> tuple[float, float]:
        """m, from the mouth's centre to the nearest of the front's edges, left or right, and above or below."""
        inset = self.front_edge.size
        return 0.5 * self.width - inset - abs(self.x), 0.5 * self.height - inset - abs(self.y)

    @property
    def nearest_edge(self) -> float:
        """m, from the mouth's centre to where the flat front ends."""
        return float(np.min(self.flat))
