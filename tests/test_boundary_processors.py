"""The delicate solves once more under other kernels of the linear algebra library, as other processors run them.

Rounding falls differently with each. A kernel is forced by a variable that OpenBLAS reads as it is loaded, so each that
does not serve this process has one of its own; one whose instructions this processor lacks would kill it, and is left
out.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from boundary_processors import found, kernels

HERE = Path(__file__).parent
NEEDED = {
    "Nehalem": set(),
    "Sandybridge": {"avx"},
    "Haswell": {"avx2", "fma"},
    "SkylakeX": {"avx512f", "avx512bw", "avx512dq", "avx512vl"},
}
"""Kernels, and the instructions that they need beyond those of any 64-bit processor of the last fifteen years. As
packaged, the library serves other makes with one of these (seen with threadpoolctl: Zen takes Haswell's).
"""


def instructions() -> set[str]:
    """Those that the processor names; none where it does not say."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return set()
    return {word for line in lines if line.startswith("flags") for word in line.partition(":")[2].split()}


@pytest.mark.slow
@pytest.mark.usefixtures("compiled")
@pytest.mark.parametrize("kernel", NEEDED)
def test_closed_forms_hold_under_every_kernel(kernel: str) -> None:
    if platform.machine().lower() not in ("x86_64", "amd64"):
        pytest.skip(f"the kernel {kernel} is for x86-64, and this is {platform.machine()}")
    if missing := NEEDED[kernel] - instructions():
        pytest.skip(f"the kernel {kernel} needs {', '.join(sorted(missing))}, which this processor does not name")
    ran, rows = ({kernel}, list(found())) if kernels() == {kernel} else _elsewhere(kernel)
    if ran != {kernel}:
        pytest.skip(f"the linear algebra library took {ran or 'no OpenBLAS'} where {kernel} was asked for")
    assert rows
    assert [row for row in rows if not row[1] <= row[2]] == []


def _elsewhere(kernel: str) -> tuple[set[str], list[tuple[str, float, float]]]:
    """The kernels that served another process which was to take that one, and what was found there."""
    path = os.pathsep.join([str(HERE), *(each for each in sys.path if each)])
    ended = subprocess.run(
        [sys.executable, str(HERE / "boundary_processors.py")],
        env={**os.environ, "OPENBLAS_CORETYPE": kernel, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr[-2000:]
    said = json.loads(ended.stdout)
    return set(said["kernels"]), said["found"]
