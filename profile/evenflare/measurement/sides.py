"""What two directivities that are compared are called: a measurement and a prediction, or two of one kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenflare.directivity.folder import Stored

Kind = Literal["measured_predicted", "predictions", "measurements"]


@dataclass(frozen=True)
class Sides:
    """Names of both, in the order of their difference: the first less the second.

    names : in columns, keys and pictures.
    nouns : in sentences.
    """

    kind: Kind
    names: tuple[str, str]
    nouns: tuple[str, str]

    @property
    def less(self) -> str:
        """What a difference is."""
        return f"{self.names[0]} less {self.names[1]}"

    @property
    def level(self) -> str:
        """What a difference of levels is."""
        return "the first's level less the second's" if self.names[0] == "first" else f"{self.less} level"


TO_MODEL = Sides("measured_predicted", ("measured", "predicted"), ("the measurement", "the prediction"))
PREDICTIONS = Sides("predictions", ("first", "second"), ("the first prediction", "the second prediction"))
MEASUREMENTS = Sides("measurements", ("first", "second"), ("the first measurement", "the second measurement"))


def sides_of(first: Stored, second: Stored) -> tuple[Sides, bool]:
    """What both are, and whether they change places, so that a measurement comes before a prediction.

    What a file does not say of itself is told by its place: first a measurement, then a prediction.
    """
    one, other = first.origin, second.origin
    if one == "predicted":
        return (PREDICTIONS, False) if other == "predicted" else (TO_MODEL, True)
    return (MEASUREMENTS, False) if other == "measured" else (TO_MODEL, False)
