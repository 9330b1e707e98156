"""Text as it may stand in a comment of a program: in the few characters that every controller passes over."""

from __future__ import annotations

import re
import string
import textwrap
import unicodedata
from collections.abc import Iterator

LINE = 72
"""Characters of a comment; small controllers stop reading at 80 or so."""
PLAIN = frozenset(string.ascii_letters + string.digits + " .,:'+-=/[]_#")
"""What may stand in a comment. Left out: parentheses, which end it; ; and %, which some controllers obey anywhere; ! ?
and ~, which one obeys as they arrive, in a comment too (Grbl's real-time commands, from memory); $ * " and the rest,
which no comment needs."""
SPELT = str.maketrans(
    {
        **{"(": "[", ")": "]", "{": "[", "}": "]", "<": "[", ">": "]", ";": ",", "⁄": "/", "×": "x", "±": "+/-"},
        **{"%": " percent", "&": " and ", "°": " deg", "μ": "u", "ø": "o", "Ø": "O", "ı": "i", "ł": "l", "Ł": "L"},
        **{"ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ð": "d", "Ð": "D", "đ": "d", "Đ": "D"},
        **{"þ": "th", "Þ": "Th"},
        **dict.fromkeys('"`´‘’‚“”„«»', "'"),
        **dict.fromkeys("‐‑‒–—―−", "-"),
    }
)
"""Letters and signs that have a usual spelling."""
LEFT_OUT = frozenset({"Mn", "Mc", "Me", "Cf", "Cc", "Cs"})
"""Categories: marks on the letter before, formats, controls."""
OBEYED = re.compile(r"MSG|DEBUG|PRINT|ABORT|LOG|PROBE|PY", re.IGNORECASE)
"""Words that a controller obeys at the start of a comment (active comments of some, from memory)."""


def plain(text: str) -> str:
    """A text in the characters of PLAIN and no others.

    Compatibility forms are taken apart first (NFKD), so that no full-width parenthesis turns into a plain one later.
    Then accents are left out, what has a usual spelling is spelt, and any other character is an underscore.
    """
    kept = []
    for each in unicodedata.normalize("NFKD", text).translate(SPELT):
        if each in PLAIN:
            kept.append(each)
        elif each.isspace():
            kept.append(" ")
        elif unicodedata.category(each) not in LEFT_OUT:
            kept.append("_")
    return "".join(kept)


def wrapped(text: str) -> Iterator[str]:
    """A comment's lines in plain characters; continued ones are indented by two spaces, and begin with no word that a
    controller obeys.
    """
    line = ""
    for word in plain(text).split():
        pieces = [word] if len(word) <= LINE - 4 else textwrap.wrap(word, LINE - 4, break_on_hyphens=False)
        for piece in pieces:
            if line.strip() and len(line) + 1 + len(piece) > LINE:
                yield line
                line = "  -" if OBEYED.match(piece) else " "
            line = f"{line} {piece}" if line else piece
    yield line
