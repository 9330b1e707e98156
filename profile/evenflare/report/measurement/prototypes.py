"""The log of prototypes in words, as a table and as a picture."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.measurement.journal import Prototype, Step, steps
from evenflare.report.kit import canvas, style
from evenflare.report.kit.paper import lettered
from evenflare.text import CELLS, cell, comments, visible
from evenflare.words import signed

ROW = ("number", "added", "name", "design_id", "rms_db", "rms_change_db", "bias_db", "worst_db", "worst_at_hz")
MORE = ("worst_off_axis_deg", "index_rms_db", "within", "calibrated_before_rms_db", "calibrated_after_rms_db")
LAST = ("changed", "notes", "files")
LONGEST = 40
"""Characters of a value, beyond which only its kind is said."""
NAMED = 3
"""Changes that a label of the picture names."""
POINTS_END, TEXT_FROM, LINE = 0.4, 0.43, 37
"""Of the picture's axes: how far its points reach, where its labels begin, and characters of a line of these."""

BELOW = 0.14
"""Of a row: how far what calibration did is drawn under the prototype's own point, since the two count other angles."""


def value_words(value: Any) -> str:
    """A value of a design file in few characters."""
    if value is None:
        return "none"
    if isinstance(value, list):
        inside = ", ".join(value_words(each) for each in value)
        return f"[{inside}]" if len(inside) < LONGEST else f"{len(value)} values"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def change_words(key: str, change: tuple[Any, Any]) -> str:
    """One key of the design: its old and new value."""
    old, new = (value_words(each) for each in change)
    name = key.removeprefix("waveguide.")
    return f"{name} changed" if old == new else f"{name} {old} to {new}"


def changed_words(step: Step) -> list[str]:
    """Every change from one prototype to the next."""
    return [change_words(key, change) for key, change in step.changed.items()]


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
        known = _calibrated(each)
        calibrated = "" if known is None else f", calibration {known[0]:.2f} to {known[1]:.2f} on angles held out"
        lines.append(f"{each.number:3}  {each.added[:10]}  {each.design_id}  {rms}{calibrated}  {each.name}")
        if each.number in leading:
            lines.append(f"     {step_words(leading[each.number])}")
        lines += [f"     {cell(line)}" for line in each.notes.splitlines()]
    return visible("\n".join(lines)) or "No prototypes yet"


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
        lines += ["Design:", *(f"    {line}".rstrip() for line in each.design.splitlines())]
        parts.append("\n".join(lines))
    return visible("\n\n".join(parts)) or "No prototypes yet"


def csv_text(prototypes: Sequence[Prototype], *, header: Mapping[str, str]) -> str:
    """A row a prototype. header : lines by what they say, which begin with #."""
    leading = {step.after.number: step for step in steps(prototypes)}
    written = io.StringIO()
    written.writelines(f"{line}\n" for line in comments([*header.values(), CELLS]))
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow([*ROW, *MORE, *LAST])
    for each in prototypes:
        step, found, known = leading.get(each.number), each.comparison or {}, _calibrated(each)
        place = found.get("worst")
        worst = place if isinstance(place, dict) else {}
        rows.writerow(
            [
                *(each.number, *map(cell, (each.added, each.name, each.design_id)), _cell(each.rms)),
                _cell(None if step is None else step.difference),
                *(_cell(found.get("bias_db")), _cell(worst.get("deviation_db")), _cell(worst.get("frequency_hz"))),
                *(_cell(worst.get("off_axis_deg")), _cell(found.get("index_rms_db")), _cell(found.get("within"))),
                *((_cell(value) for value in known) if known else ("", "")),
                *map(cell, ("; ".join(changed_words(step)) if step else "", each.notes, "; ".join(each.files))),
            ]
        )
    return written.getvalue()


def figure(prototypes: Sequence[Prototype]) -> Any:
    """The deviation of each prototype, and beside it what was changed for it."""
    drawn, axes = canvas.stacked(max(3.4, 1.5 + 0.75 * len(prototypes)), ratios=(1,))
    style.dressed(axes, "Deviation, prototype by prototype", x="measured less predicted, dB rms", y="")
    compared = [(place, each) for place, each in enumerate(prototypes) if each.rms is not None]
    if not compared:
        style.nothing(axes, "no prototype has been compared")
        return drawn
    places = np.array([place for place, _ in compared])
    rms = np.array([each.rms for _, each in compared], dtype=np.float64)
    axes.plot(rms, places, "o-", color=style.BLUE, linewidth=1.9, clip_on=False, label="as predicted")
    known = [(place + BELOW, found) for place, each in enumerate(prototypes) if (found := _calibrated(each))]
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


def _calibrated(prototype: Prototype) -> tuple[float, float] | None:
    """dB rms before and after the calibration, on the angles that it did not see."""
    if prototype.calibration is None:
        return None
    rms = prototype.calibration.rms
    return rms.get("held_out_before", float("nan")), rms.get("held_out_after", float("nan"))


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, str):
        return cell(value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _plain(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(_plain(each) for each in value) or "none"
    if isinstance(value, dict):
        return "(" + ", ".join(f"{key} {_plain(each)}" for key, each in value.items()) + ")"
    return value if isinstance(value, str) else _cell(value) or "none"
