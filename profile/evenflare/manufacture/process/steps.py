"""Which kinds of tool can do which step of a process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from evenflare.manufacture.process.types import Product
from evenflare.schema import fault

NEEDED: dict[Product, str] = {
    "mill_programs": '[machine] kind = "router"',
    "lathe_programs": '[machine] kind = "lathe"',
    "sheets": '[stock] kind = "sheet"',
    "pattern": "[casting]",
    "prints": "[print]",
}
_MILLED = ("profile_tool", "rebate_tool", "edge_tool", "hole_tool", "countersink_tool", "facing_tool")
OPERATIONS = ("rest_tool", "semi_finishing_tool", *_MILLED, "outside_tool", "back_tool")
"""Steps beside the wall and a router's seat; each may be left out."""
_ROUTER: dict[str, tuple[str, ...]] = {
    "rest_tool": ("flat", "bull", ""),
    "semi_finishing_tool": ("ball", ""),
    "profile_tool": ("flat", "bull", ""),
    "rebate_tool": ("flat", ""),
    "edge_tool": ("ball", ""),
    "hole_tool": ("flat", ""),
    "countersink_tool": ("drill", ""),
    "facing_tool": ("flat", "bull", ""),
}
_LATHE: dict[str, tuple[str, ...]] = {"outside_tool": ("turning", ""), "back_tool": ("turning", "")}
_NONE: dict[str, tuple[str, ...]] = dict.fromkeys(OPERATIONS, ("",))
STEPS: dict[str, dict[str, tuple[str, ...]]] = {
    "router": {
        **_NONE,
        **{"roughing_tool": ("flat", "bull"), "finishing_tool": ("ball",), "seat_tool": ("flat", "")},
        **_ROUTER,
    },
    "lathe": {
        **_NONE,
        **{"roughing_tool": ("turning",), "finishing_tool": ("turning",), "seat_tool": ("",)},
        **_LATHE,
    },
    "none": {**_NONE, "roughing_tool": ("",), "finishing_tool": ("",), "seat_tool": ("",)},
}
"""By machine and step: the kinds of tool that can do it; "" among them: the step may be left out."""


def check_step(key: str, name: str | None, allowed: Sequence[str], kinds: Mapping[str, str]) -> None:
    """A fault unless the tool `name` of a step can do it. kinds : of the tools, by name."""
    wanted = " or ".join(kind for kind in allowed if kind)
    if name is None:
        if "" not in allowed:
            raise fault(f"{key}: missing. Write the name of one of [[tools]] of kind {wanted}")
    elif not wanted:
        raise fault(f'{key} = "{name}": this machine has no such step. Remove it')
    elif name not in kinds:
        known = ", ".join(f'"{each}"' for each in kinds) or "none"
        raise fault(f'{key} = "{name}": must be one of [[tools]]: {known}. Correct it, or add that tool')
    elif kinds[name] not in allowed:
        raise fault(f'{key} = "{name}": is of kind {kinds[name]}, must be {wanted}. Name another tool')
