"""The boundary equations on a graphics processor: its arrays' calls are NumPy's, which stands in for it here.

The stand-in is another module to the code, so that it goes the processor's way: the close panels apart from the far
ones, and the elimination by the library's own.
"""

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from enclosures import layers
from evenflare.exterior import graphics, scattering
from evenflare.exterior.graphics import arrays, layers_on
from evenflare.exterior.panels import meshed
from evenflare.exterior.patches import box
from evenflare.exterior.scattering import ready, scattered
from evenflare.waveguide import Cabinet

STAND_IN = SimpleNamespace(**vars(np))
CABINET = Cabinet(0.2, 0.3, 0.25)
ROUNDING = 1e-11
"""The same sums in another order; a few hundred terms, and a system whose condition is some hundreds."""


@pytest.fixture(scope="module")
def mesh():
    return meshed(box(CABINET), 0.1)


@pytest.mark.parametrize("k", [0.0, 20.0])
def test_potentials_are_the_processors(mesh, k: float) -> None:
    some = np.arange(0, mesh.size, 7)
    points = mesh.place[some].copy()
    points[::3] -= 0.004 * mesh.normal[some][::3]
    own = np.where(np.arange(some.size) % 3 == 0, -1, some)
    here, there = layers(k, points, own, mesh), layers_on(STAND_IN, k, points, own, mesh)
    for one, other in zip(here, there, strict=True):
        assert np.abs(one - other).max() < ROUNDING * np.abs(one).max()


def test_answer_is_the_processors(mesh, monkeypatch: pytest.MonkeyPatch) -> None:
    body = ready(mesh)
    rng = np.random.default_rng(3)
    motion = np.zeros((8, mesh.size, 2), dtype=complex)
    motion[[0, 3]] = rng.standard_normal((2, mesh.size, 2)) + 1j * rng.standard_normal((2, mesh.size, 2))
    here = scattered(20.0, body, motion)
    monkeypatch.setattr(scattering, "arrays", lambda needed: STAND_IN)
    assert np.abs(ready(mesh).free_term - body.free_term).max() < ROUNDING
    there = scattered(20.0, body, motion)
    assert np.abs(here).max() > 0.0
    assert np.abs(here - there).max() < ROUNDING * np.abs(here).max()


def test_a_device_that_is_absent_or_too_small_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    runtime = SimpleNamespace(memGetInfo=lambda: (1000, 2000))
    pool = SimpleNamespace(free_bytes=lambda: 250)
    cupy = SimpleNamespace(cuda=SimpleNamespace(runtime=runtime), get_default_memory_pool=lambda: pool)
    monkeypatch.setitem(sys.modules, "cupy", cupy)
    assert arrays(900) is cupy
    assert arrays(1001) is np  # 1250 bytes free, of which a fifth is spare

    def no_device() -> None:
        raise RuntimeError("no CUDA-capable device is detected")

    monkeypatch.setattr(runtime, "memGetInfo", no_device)
    assert arrays(1) is np
    monkeypatch.setitem(sys.modules, "cupy", None)
    assert arrays(1) is np
    assert graphics.SPARE > 1.0
