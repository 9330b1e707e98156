"""Words of a program that some controllers take for something else: what to look up in the machine's manual."""

from __future__ import annotations

from typing import Literal

from evenflare.manufacture.process.types import Process


def cycle_warning(process: Process) -> str:
    """What is dangerous in turning programs of the process: words that are cycles elsewhere; empty if none is.

    Source: NISTIR 6556 has G90 and G94 as modes; manuals of lathes have them as cycles, and G98 (from memory).
    """
    controller = process.controller
    words = [word for word in (controller.absolute, controller.feed_per_minute) if word in ("G90", "G94")]
    if words:
        return (
            f"{' and '.join(words)} choose absolute places and feed per minute here; on some lathe controls G90 and G94"
            " are turning and facing cycles, and G98 is the feed per minute: then do not run this, and export it with"
            " dialect lathe_cycles"
        )
    if controller.feed_per_minute == "G98":
        return (
            "G98 is the feed per minute here and places are absolute by X and Z; on controls where G94 is the feed per"
            " minute, G98 belongs to drilling cycles: then do not run this, and export it with dialect plain"
        )
    return ""


def warnings(process: Process, kind: Literal["milling", "turning"]) -> list[str]:
    """A line for each word of the process' programs that means something else on some controllers (from memory)."""
    controller, lines = process.controller, list[str]()
    unit = controller.inches if controller.units == "inch" else controller.millimetres
    if kind == "turning":
        cycles, told = cycle_warning(process), f", as {controller.diameter} says" if controller.diameter else ""
        other = "M4" if controller.spindle_start == "M3" else "M3"
        lines += [
            *([cycles] if cycles else []),
            f"X is a diameter{told}: a control set to radius would cut twice as wide",
            f"{controller.spindle_start} turns the spindle: see that the work comes toward the insert's face; where it"
            f" is mounted the other way up, export with spindle_start {other}",
        ]
    if unit in ("G20", "G21"):
        lines.append(f"{unit} chooses the units; some controls take G70 and G71 for them: see that the screen says so")
    elif unit in ("G70", "G71"):
        lines.append(f"{unit} chooses the units; many controls take G20 and G21 for them: see that the screen says so")
    if process.machine.spin_up:
        told = "milliseconds" if controller.dwell_unit == "ms" else "seconds"
        lines.append(
            f"{controller.dwell(process.machine.spin_up)} waits for the spindle, {controller.dwell_word} in {told};"
            " units and letter differ between controls"
        )
    return lines
