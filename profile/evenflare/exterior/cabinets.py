"""Cabinets solved at wavenumbers, in memory as long as they are asked for again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenflare.exterior.operator import Response, response
from evenflare.exterior.panels import meshed
from evenflare.exterior.patches import box
from evenflare.exterior.scattering import Body, ready
from evenflare.units import FloatArray
from evenflare.waveguide.cabinet import Cabinet

PER_WAVELENGTH = 2.2
"""Cells of nine nodes along a wavelength."""
MOST_NODES = 2600
"""Of a mirror part: beyond, a cabinet is not solved; see top_wavenumber."""
BAND = 2.0**0.5
"""Wavenumbers that share a mesh."""


@dataclass(frozen=True)
class Operator:
    """What a cabinet makes of a mouth's waves at rising wavenumbers (F,), rad/m."""

    cabinet: Cabinet
    wavenumber: FloatArray
    responses: tuple[Response, ...]


def operator_of(cabinet: Cabinet, wavenumber: FloatArray, *, is_round: bool, cores: int = 1) -> Operator:
    """The cabinet's at those of the wavenumbers (F,), rad/m, that can be solved: up to top_wavenumber."""
    top = top_wavenumber(cabinet)
    found = [_response(cabinet, float(k), is_round, cores) for k in wavenumber if k <= top]
    return Operator(cabinet, np.array([each.wavenumber for each in found]), tuple(found))


@lru_cache(maxsize=64)
def top_wavenumber(cabinet: Cabinet) -> float:
    """rad/m, up to which a mesh of MOST_NODES serves."""
    tops = 2.0 ** np.arange(4.0, 10.0, 0.125)
    fit = [top for top in tops if meshed(box(cabinet), _size(float(top))).size <= MOST_NODES]
    return float(fit[-1]) if fit else 0.0


def _size(k: float) -> float:
    return 2 * np.pi / k / PER_WAVELENGTH


@lru_cache(maxsize=8)
def _body(cabinet: Cabinet, band: int, cores: int) -> Body:
    return ready(meshed(box(cabinet), _size(BAND ** (band + 1))), cores)


@lru_cache(maxsize=512)
def _response(cabinet: Cabinet, k: float, is_round: bool, cores: int) -> Response:
    band = int(np.floor(np.log(k) / np.log(BAND)))
    radius = cabinet.nearest_edge if is_round else float(np.hypot(*cabinet.flat))
    return response(
        k,
        _body(cabinet, band, cores),
        cabinet.centre,
        radius=radius,
        reach=cabinet.reach,
        is_round=is_round,
        cores=cores,
    )
