"""The picture of a wall's band: what its zones say is legible."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.path import Path
from matplotlib.text import Text

from evenflare.report.waveguide import tolerance_figures
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Oblong, Waveguide
from evenflare.waveguide.wall_places import wall_places
from evenflare.waveguide.wall_zones import WallZone
from reports import words_stand_clear
from shapes import BENCHMARK

ROUND = BENCHMARK["oblate-spheroidal 40 deg, roundover 20 mm"]
SHAPES = {
    "rolled": ROUND,
    "other": next(each for name, each in BENCHMARK.items() if "roundover" not in name),
    "oblong": Waveguide(Oblong(ROUND.shape, ROUND.shape), ROUND.driver),
}
CUTS = {
    "one": [],
    "narrow first": [0.03],
    "narrow first and last": [0.02, 0.5, 0.97],
    "all narrow at the throat": [0.02, 0.04, 0.06, 0.08],
    "narrow at the mouth": [0.9, 0.93, 0.96, 0.98],
    "many": [0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98],
}


def drawn(waveguide: Waveguide, cuts: list[float]):
    depth = waveguide.depth
    edges = [0.0, *(share * depth for share in cuts), depth]
    limits = [(0.083 + 0.1 * (i % 3)) * MILLIMETRE for i in range(len(edges) - 1)]
    zones = tuple(WallZone(*edges[i : i + 2], limit, limit) for i, limit in enumerate(limits))
    found = SimpleNamespace(
        index=np.ones((5, 1, 4)), share=np.linspace(0.1, 0.9, 5), frequency=np.geomspace(1e3, 16e3, 4)
    )
    done = SimpleNamespace(band=SimpleNamespace(zones=zones), found=found)
    return tolerance_figures._band(done, waveguide)


@pytest.mark.parametrize(
    ("shape", "zones"),
    [
        ("rolled", "one"),
        ("rolled", "narrow first"),
        ("oblong", "narrow first and last"),
        ("rolled", "all narrow at the throat"),
        ("other", "narrow at the mouth"),
        ("oblong", "many"),
    ],
)
def test_a_zone_says_its_limit_clear_of_the_wall_of_its_band_and_of_other_zones(shape: str, zones: str) -> None:
    waveguide, cuts = SHAPES[shape], CUTS[zones]
    figure = drawn(waveguide, cuts)
    words_stand_clear(figure, least=len(cuts) + 1)
    axes = figure.axes[0]
    boxes = [Text.get_window_extent(text) for text in axes.texts]
    places = wall_places(waveguide)
    wall = Path(axes.transData.transform(np.stack([places.z, places.radius], axis=1) / MILLIMETRE))
    bands = [patch.get_transform().transform_path(patch.get_path()) for patch in axes.patches]
    assert len(bands) == len(cuts) + 1
    frame = axes.get_window_extent()
    for box in boxes:
        assert not wall.intersects_bbox(box, filled=False)
        assert not any(band.intersects_bbox(box) for band in bands)
        assert frame.y0 <= box.y0 < box.y1 <= frame.y1
