"""What browsers are told of an edited design and an edited target, in plain values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from evenflare.design.file import Design
from evenflare.files import InputError
from evenflare.target.target import Target
from evenflare.workbench import sound, wishes
from evenflare.workbench.draft import EditedFile
from evenflare.workbench.knobs import Knob, handles, knobs, walls

NOTHING = (
    "This wall's points stand in a file of their own: nothing of it can be pulled here. It is solved and compared."
)
"""Of a design whose file holds no numbers of its wall."""
PROCESSES = ("router", "lathe", "sheets", "casting", "print")
"""Bundled processes that can be exported for from the page."""


def shape_news(draft: EditedFile[Design]) -> dict[str, Any]:
    """The wall, its handles and numbers."""
    tables = draft.tables()
    known = knobs(tables)
    return {
        **_of_file(draft),
        "name": draft.value.name,
        "walls": _walls(draft.value),
        "knobs": [{**each, "step": knob.step} for each, knob in zip(_numbers(known), known, strict=True)],
        "handles": [
            {"name": each.name, "plane": each.plane, "at": each.at, "moves": each.moves}
            for each in handles(tables, draft.path, draft.value, known)
        ],
        "processes": PROCESSES,
        "note": "" if known else NOTHING,
    }


def kept_news(design: Design, news: dict[str, Any], words: str) -> dict[str, Any]:
    """An answer to compare with: its wall beside its curves. words : what it is."""
    return {**news, "walls": _walls(design), "words": words}


def _walls(design: Design) -> dict[str, Any]:
    return {plane: wall.round(4).tolist() for plane, wall in walls(design.waveguide).items()}


def target_news(draft: EditedFile[Target]) -> dict[str, Any]:
    """The wanted curves, what can be pulled of them, and what contradicts itself."""
    target, points = draft.value, wishes.points(draft.tables())
    try:
        said, refused = wishes.remarks(target), ""
    except InputError as error:
        said, refused = [], str(error)
    return {
        **_of_file(draft),
        "name": target.name,
        "frequency": target.frequency.tolist(),
        "points": [
            {**each, "curve": point.place[1], "index": point.place[2]}
            for each, point in zip(_numbers(points), points, strict=True)
        ],
        "wanted": sound.wanted(target, target.frequency),
        "reach": wishes.reach(target),
        "remarks": said,
        "refused": refused,
    }


def _of_file(draft: EditedFile[Any]) -> dict[str, Any]:
    return {
        "open": True,
        "file": draft.path.name,
        "saved": draft.saved,
        "can_undo": draft.can_undo,
        "can_redo": draft.can_redo,
    }


def _numbers(known: Sequence[Knob]) -> list[dict[str, Any]]:
    return [
        {
            "name": each.name,
            "label": each.label,
            "unit": each.unit,
            "value": each.value,
            "low": each.low,
            "high": each.high,
        }
        for each in known
    ]
