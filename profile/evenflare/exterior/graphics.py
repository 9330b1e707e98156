"""The boundary equations on a graphics processor, where there is one and CuPy is installed.

CuPy's arrays answer NumPy's calls, so what is written here runs on NumPy's as well. Panels near a point are integrated
by the processor's cores, in compiled code; what is far, and the elimination, goes to the graphics processor.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np

from evenflare.exterior.layers import close_layers
from evenflare.exterior.panels import PanelMesh
from evenflare.units import FloatArray, IntArray

SPARE = 1.25
"""Times the matrices, what must be free on the graphics processor: rows under way take the rest."""


def arrays(needed: int) -> ModuleType:
    """CuPy, where it is installed and its device has `needed` bytes and some to spare; NumPy otherwise."""
    try:
        import cupy

        free, _ = cupy.cuda.runtime.memGetInfo()
    except (ImportError, RuntimeError):
        # Not installed or without its libraries; no driver, no device: CuPy's errors of the device are RuntimeErrors.
        return np
    return cupy if SPARE * needed < free + cupy.get_default_memory_pool().free_bytes() else np


def here(array: Any) -> Any:
    """The array in the memory of the processor."""
    return array.get() if hasattr(array, "get") else array


def layers_on(xp: ModuleType, k: float, points: FloatArray, own: IntArray, mesh: PanelMesh) -> tuple[Any, Any]:
    """Double and single layer (P, N) of points (P, 3), what `exterior.layers.add_layers` adds, in arrays of xp."""
    row, column, close_double, close_single = close_layers(k, points, own, mesh)
    offset = [xp.asarray(mesh.place[:, i]) - xp.asarray(points[:, i, None]) for i in range(3)]
    facing = sum(each * xp.asarray(mesh.normal[:, i]) for i, each in enumerate(offset))
    r = xp.sqrt(sum(each * each for each in offset))
    # A node's own place is among the close ones, written below.
    r[r == 0.0] = 1.0
    single = xp.exp(-1j * k * r) * (xp.asarray(mesh.weight / (4.0 * np.pi)) / r)
    # dG/dr = -(j k + 1 / r) G
    double = -single * (1j * k + 1.0 / r) * (facing / r)
    at = xp.asarray(row)[:, None], xp.asarray(column)[:, None] + xp.arange(close_double.shape[1])
    double[at], single[at] = xp.asarray(close_double), xp.asarray(close_single)
    return double, single
