"""How a test reads what may be at fault."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenflare.files import InputError


def tried(action: Callable[..., Any], *arguments: Any, **more: Any) -> tuple[Any, str]:
    """What it gives and no words; or None, and the words of the `InputError`."""
    try:
        return action(*arguments, **more), ""
    except InputError as error:
        return None, str(error)
