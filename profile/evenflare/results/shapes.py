"""The different good shapes of a search as a table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from evenflare.search.shapes import GoodShape
from evenflare.text import cell, table
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import measures

ROW = ("file", "number", "family", "stage", "score_db", "apart_from_best_mm", "apart_from_nearest_mm")
SIZES = ("depth_mm", "mouth_width_mm", "mouth_height_mm", "smallest_concave_radius_mm", "greatest_wall_angle_deg")


def file_of(place: int) -> str:
    """The name of the design of a shape, the best being 1."""
    return f"{place}.toml"


def csv_text(shapes: Sequence[GoodShape], *, header: Iterable[str]) -> str:
    """A row for each shape, the best first."""
    return table((*ROW, *SIZES), (_row(place, each) for place, each in enumerate(shapes, start=1)), header=header)


def _row(place: int, shape: GoodShape) -> list[str]:
    candidate, found = shape.candidate, measures(shape.candidate.waveguide)
    lengths = (found.depth, found.mouth_width, found.mouth_height, found.smallest_concave_radius)
    return [
        file_of(place),
        str(candidate.number),
        cell(candidate.job.family),
        candidate.job.setting,
        f"{shape.score:.4f}",
        *(f"{each / MILLIMETRE:.3f}" for each in (shape.apart, shape.nearest)),
        *(f"{each / MILLIMETRE:.3f}" if each < 1e3 else "" for each in lengths),
        f"{found.greatest_angle / DEGREE:.3f}",
    ]
