"""Which letters pictures and sheets of paper can show, and what stands for the others."""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path

import matplotlib as mpl
from matplotlib import font_manager

UNSEEN = frozenset({"Mn", "Me", "Cf"})
"""Categories of characters that may be left out where the font lacks them: marks and formats."""
LEGEND = 32
"""Characters of a legend's entry."""
_FONTS = Path(mpl.get_data_path(), "fonts", "ttf")
PLAIN, BOLD = _FONTS / "DejaVuSans.ttf", _FONTS / "DejaVuSans-Bold.ttf"
"""The font of pictures, which comes with the plotting library, and of sheets of paper."""


def in_font(text: str) -> str:
    """A text of which the font has every character.

    One that it lacks stands as its compatibility form (NFKD), or else as a question mark.
    """
    shown = []
    for each in text:
        if each == "\n" or ord(each) in _glyphs():
            shown.append(each)
            continue
        plain = [part for part in unicodedata.normalize("NFKD", each) if unicodedata.category(part) not in UNSEEN]
        shown += [part if ord(part) in _glyphs() else "?" for part in plain]
    return "".join(shown)


def lettered(text: str) -> str:
    """A text as `in_font` that the plotting library shows letter by letter: dollar signs begin no mathematics."""
    return in_font(text).replace("$", r"\$")


def entry(name: str) -> str:
    """A name as `lettered`, short enough for a legend and not left out of it, as one is that begins with _."""
    words = lettered(name if len(name) <= LEGEND else f"{name[: LEGEND - 1]}…")
    return f" {words}" if words.startswith("_") else words


@cache
def _glyphs() -> frozenset[int]:
    """Characters that the font has, plain and bold; those beyond the first 65536 would be drawn as mere outlines."""
    plain, bold = (set(font_manager.get_font(path).get_charmap()) for path in (PLAIN, BOLD))
    return frozenset(each for each in plain & bold if each < 0x10000)
