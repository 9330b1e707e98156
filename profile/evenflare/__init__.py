"""Waveguides for even directivity: from a target to a searched profile, its mesh and its machining points."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from evenflare.design.file import read_design, write_design
    from evenflare.objective import score
    from evenflare.radiation import solve
    from evenflare.search import run_search
    from evenflare.target.target import read_target

__version__ = "0.2.0"

__all__ = ["read_design", "read_target", "run_search", "score", "solve", "write_design"]

_HOMES = {
    "read_design": "evenflare.design.file",
    "write_design": "evenflare.design.file",
    "read_target": "evenflare.target.target",
    "score": "evenflare.objective",
    "solve": "evenflare.radiation",
    "run_search": "evenflare.search",
}


def __getattr__(name: str) -> Any:
    """What the top level offers is loaded when first used, so that `import evenflare` stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module 'evenflare' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
