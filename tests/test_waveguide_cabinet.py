"""Rectangular cabinets: what fits on their front, and what a message says that would do."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Cabinet, Mounting, OblateSpheroidal, Oblong, Waveguide
from evenflare.waveguide.cabinet import Edge

WIDE, HIGH = OblateSpheroidal(0.0712, 44 * DEGREE), OblateSpheroidal(0.0712, 27 * DEGREE)
KEYS = {"width_mm": "width", "height_mm": "height", "depth_mm": "depth"}
ROOMY = Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02), 0.0, 0.09)


@pytest.mark.parametrize(
    "cabinet",
    [
        replace(ROOMY, width=0.15),
        replace(ROOMY, height=0.2),
        replace(ROOMY, depth=0.0333),
        replace(ROOMY, x=0.08123),
        replace(ROOMY, y=-0.17777),
        replace(ROOMY, front_edge=Edge(chamfer=0.09999)),
        replace(ROOMY, front_edge=Edge(), width=0.1, x=0.01234),
    ],
    ids=["narrow", "low", "shallow", "aside", "below", "wide chamfer", "sharp"],
)
@pytest.mark.parametrize("shape", [WIDE, Oblong(WIDE, HIGH)], ids=["round", "oblong"])
def test_what_a_message_asks_for_does(cabinet: Cabinet, shape: OblateSpheroidal | Oblong) -> None:
    """One message after the other, each obeyed, until the mouth fits; and no size is asked for twice."""
    said: list[str] = []
    for _ in range(4):
        waveguide = Waveguide(shape, mounting=Mounting(cabinet=cabinet))
        try:
            _ = waveguide.surface
            break
        except ValueError as error:
            key, wanted = re.search(r"\[mounting\] (\w+) = \S+ must be at least ([\d.]+)", str(error)).groups()
            assert key not in said
            said.append(key)
            cabinet = replace(cabinet, **{KEYS[key]: float(wanted) * MILLIMETRE})
    assert said
    right, up = cabinet.flat
    surface = Waveguide(shape).surface
    assert 2 * right >= surface.mouth_width - 1e-6  # m, rounding
    assert 2 * up >= surface.mouth_height - 1e-6


def test_an_edge_is_one_thing() -> None:
    with pytest.raises(ValueError, match="not both"):
        Edge(0.01, 0.02)
    with pytest.raises(ValueError, match="0 or more"):
        Edge(-0.01)


def test_the_front_s_edges_are_as_the_others_unless_they_are_given() -> None:
    """As in a design file, whose front_edge_radius_mm may be left out."""
    rounded = Cabinet(0.3, 0.4, 1.2, edge=Edge(0.02))
    assert rounded == Cabinet(0.3, 0.4, 1.2, Edge(0.02), Edge(0.02))
    assert hash(rounded) == hash(Cabinet(0.3, 0.4, 1.2, Edge(0.02), Edge(0.02)))
    assert rounded.flat == pytest.approx((0.13, 0.18))
    assert Cabinet(0.3, 0.4, 1.2, Edge(0.02), Edge()).front_edge == Edge()
    assert Cabinet(0.3, 0.4, 1.2).front_edge == Edge()


def test_sizes() -> None:
    """By Pythagoras."""
    cabinet = Cabinet(0.3, 0.4, 1.2)
    assert cabinet.reach == pytest.approx(0.65, rel=1e-12)
    np.testing.assert_allclose(replace(cabinet, x=0.05, y=-0.1, front_edge=Edge(0.02)).flat, (0.08, 0.08), atol=1e-15)
    np.testing.assert_allclose(replace(cabinet, y=0.1).centre, (0.0, 0.1, 0.6))
