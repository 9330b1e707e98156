"""What this machine has."""

from __future__ import annotations

import sys
from pathlib import Path


def available_memory() -> int:
    """Bytes that this machine can still give; where the system does not tell, no bound."""
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
    except OSError:
        return sys.maxsize
    return next((1024 * int(line.split()[1]) for line in lines if line.startswith("MemAvailable:")), sys.maxsize)
