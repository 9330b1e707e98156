"""The log of prototypes in words, as a table and as a picture."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare.measurement.journal import Prototype, Step, steps
from evenflare.report.kit import style
from evenflare.results.journal import LONGEST, calibrated_rms, changed_words, plain_cell
from evenflare.text import cell, visible
from evenflare.words import signed

NAMED = 3
"""Changes that a label of the picture names."""
POINTS_END, TEXT_FROM, LINE = 0.4, 0.43, 37
"""Of the picture's axes: how far its points reach, where its labels begin, and characters of a line of these."""

BELOW = 0.14
"""Of a row: how far what calibration did is drawn under the prototype's own point, since the two count other angles."""


def step_words(step: Step) -> str:
    """What changed, and what it did to the deviation."""
    changes = "; ".join(changed_words(step)) or "nothing of the design"
    if step.difference is None:
        return f"Changed from number {step.before.number}: {changes}; deviation not known of both"
    return (
        f"Changed from number {step.before.number}: {changes}; deviation {step.before.rms:.2f} to"
        f" {step.after.rms:.2f} dB rms ({signed(step.difference)})"
    )


def list_text(prototypes: Sequence[Prototype]) -> str:
    """A line a prototype, and below it what changed."""
    leading = {step.after.number: step for step in steps(prototypes)}
    lines = []
    for each in prototypes:
        rms = "not compared" if each.rms is None else f"{each.rms:.2f} dB rms"
        known = calibrated_rms(each)
        calibrated = "" if known is None else f", calibration {known[0]:.2f} to {known[1]:.2f} on angles held out"
        said = f"{rms}{calibrated}{_part_words(each)}"
        lines.append(f"{each.number:3}  {each.added[:10]}  {each.design_id}  {said}  {each.name}")
        if each.number in leading:
            lines.append(f"     {step_words(leading[each.number])}")
        lines += [f"     {cell(line)}" for line in each.notes.splitlines()]
    return visible("\n".join(lines)) or "No prototypes yet"


def _part_words(each: Prototype) -> str:
    """How far the part lay off, and what that does to its index."""
    if each.inspection is None:
        return ""
    off, index = (each.inspection.get(key) for key in ("rms_mm", "index_rms_db"))
    known = [f"{value:.3g} {unit}" for value, unit in ((off, "mm off"), (index, "dB of index")) if _is_number(value)]
    return f", part {' and '.join(known)} rms" if known else ", part inspected"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def full_text(prototypes: Sequence[Prototype]) -> str:
    """Everything in the journal, in words, with the whole designs."""
    leading = {step.after.number: step for step in steps(prototypes)}
    parts = []
    for each in prototypes:
        lines = [f"Number {each.number}: {each.name}", f"Added: {each.added}", f"Design id: {each.design_id}"]
        if each.number in leading:
            lines.append(step_words(leading[each.number]))
        lines += [f"Note: {line}" for line in each.notes.splitlines()]
        lines += [f"File: {name}" for name in each.files]
        if each.comparison is not None:
            lines.append("Comparison: " + ", ".join(f"{key} {_plain(value)}" for key, value in each.comparison.items()))
        if each.calibration is not None:
            values, rms = each.calibration.values, each.calibration.rms
            lines.append("Calibrated: " + ", ".join(f"{key} {value:.6g}" for key, value in values.items()))
            lines.append("Deviation, dB rms: " + ", ".join(f"{key} {value:.3f}" for key, value in rms.items()))
        if each.inspection is not None:
            told = {key: value for key, value in each.inspection.items() if not isinstance(value, list | dict)}
            lines.append("Inspection: " + ", ".join(f"{key} {_plain(value)}" for key, value in told.items()))
        lines += ["Design:", *(f"    {line}".rstrip() for line in each.design.splitlines())]
        parts.append("\n".join(lines))
    return visible("\n\n".join(parts)) or "No prototypes yet"


def figure(prototypes: Sequence[Prototype]) -> Any:
    """The deviation of each prototype, and beside it what was changed for it."""
    from evenflare.report.kit import canvas  # loads what draws, which words alone do without
    from evenflare.report.kit.letters import lettered

    drawn, axes = canvas.stacked(max(3.4, 1.5 + 0.75 * len(prototypes)), ratios=(1,))
    style.dressed(axes, "Deviation, prototype by prototype", x="measured less predicted, dB rms", y="")
    compared = [(place, each) for place, each in enumerate(prototypes) if each.rms is not None]
    if not compared:
        style.nothing(axes, "no prototype has been compared")
        return drawn
    places = np.array([place for place, _ in compared])
    rms = np.array([each.rms for _, each in compared], dtype=np.float64)
    axes.plot(rms, places, "o-", color=style.BLUE, linewidth=1.9, clip_on=False, label="as predicted")
    known = [(place + BELOW, found) for place, each in enumerate(prototypes) if (found := calibrated_rms(each))]
    for number, (place, both) in enumerate(known):
        axes.plot(
            both,
            [place, place],
            "s-",
            color=style.ORANGE,
            linewidth=1.2,
            markersize=5,
            markevery=[1],
            markerfacecolor="white",
            clip_on=False,
            zorder=3,
            label="held-out angles, to after calibration" if number == 0 else None,
        )
    greatest = max(float(rms.max()), *(value for _, both in known for value in both), 0.1)
    axes.set_xlim(0.0, greatest / POINTS_END)
    axes.set_xticks([tick for tick in axes.get_xticks() if tick <= 1.02 * greatest])
    for step, place in zip(steps(prototypes), range(1, len(prototypes)), strict=False):
        axes.text(
            TEXT_FROM,
            place - 0.5,
            lettered("\n".join(textwrap.wrap(_label(step), LINE))),
            transform=axes.get_yaxis_transform(),
            va="center",
            fontsize=style.TEXT - 2,
            color=style.QUIET,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            in_layout=False,
        )
    axes.set_yticks(range(len(prototypes)), [lettered(_short(f"{each.number} {each.name}")) for each in prototypes])
    axes.set_ylim(len(prototypes) - 0.5, -0.5)
    style.legend(axes)
    return drawn


def _label(step: Step) -> str:
    changes = changed_words(step)
    more = f"; {len(changes) - NAMED} more" if len(changes) > NAMED else ""
    words = "; ".join(changes[:NAMED]) + more or "nothing of the design changed"
    return words if step.difference is None else f"{signed(step.difference)} dB: {words}"


def _short(name: str) -> str:
    return name if len(name) <= LONGEST // 2 else f"{name[: LONGEST // 2 - 1]}…"


def _plain(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(_plain(each) for each in value) or "none"
    if isinstance(value, dict):
        return "(" + ", ".join(f"{key} {_plain(each)}" for key, each in value.items()) + ")"
    return value if isinstance(value, str) else plain_cell(value) or "none"
