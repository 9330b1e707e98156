"""Tools that stand out far: feed and depth of cut by slenderness."""

from __future__ import annotations

from dataclasses import replace

from evenflare.manufacture.process.types import Process, Tool
from evenflare.units import MILLIMETRE, MINUTE

SLENDER = 8.0
"""Stick-out over diameter beyond which a tool is eased, and a warning given (common practice, no source)."""


def slenderness(tool: Tool) -> float:
    """Stick-out over the cutter's diameter; of a turning tool over the bar's height."""
    return tool.reach / (tool.shank_diameter if tool.kind == "turning" else tool.diameter)


def share_of(tool: Tool) -> float:
    """By which feeds and depth of cut are multiplied: (SLENDER / slenderness)^(3/2), at most 1.

    A cantilever bends as the cube of its length under a force that grows as feed times depth (Euler and Bernoulli's
    beam): lowered both by so much, the tool bends by no more of its diameter than at SLENDER.
    """
    if tool.kind == "drill":  # It is pushed along its axis, and led by its hole.
        return 1.0
    return float(min(1.0, (SLENDER / slenderness(tool)) ** 1.5))


def eased(process: Process, tool: Tool) -> Process:
    """The process with the feeds and the depth of cut that it keeps with this tool."""
    share, machine = share_of(tool), process.machine
    if share == 1.0:
        return process
    slower = replace(machine, cutting_feed=share * machine.cutting_feed, plunge_feed=share * machine.plunge_feed)
    return replace(process, machine=slower, stepdown=share * process.stepdown)


def slender_words(process: Process, tool: Tool) -> list[str]:
    """What is said of a slender tool; nothing of another."""
    share = share_of(tool)
    if share == 1.0:
        return []
    feed = share * process.machine.cutting_feed * MINUTE / MILLIMETRE
    return [
        f"tool {tool.name} stands out {slenderness(tool):.1f} times its diameter, more than {SLENDER:g}: it bends and"
        f" chatters. Feeds and depth of cut are {share:.2f} of the process's, at most {feed:.0f} mm/min;"
        " take a shorter or thicker one if it reaches"
    ]
