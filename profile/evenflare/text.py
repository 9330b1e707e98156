"""Text that people write: what a name may hold, and how it stands in a message, a header line, a table, a TOML file."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Any

LONGEST_NAME = 200
"""Characters."""
LONGEST_NOTE = 10_000
"""Characters; a note may have several lines."""
LONGEST_PATH, LONGEST_PART = 4000, 255
"""Bytes of a path and of one name in it; common file systems end at 4096 and 255."""

_DIRECTIONS = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
"""The controls of the Unicode bidirectional algorithm (UAX 9): with them a text reads otherwise than it is."""
_NONCHARACTERS = "\ufdd0-\ufdef" + "".join(chr(plane << 16 | last) for plane in range(17) for last in (0xFFFE, 0xFFFF))
_KINDS = (
    ("a line break", re.compile("[\n\r\x0b\x0c\x85\u2028\u2029]")),
    ("a control character", re.compile("[\x00-\x1f\x7f-\x9f]")),
    ("half a character, a lone surrogate", re.compile("[\ud800-\udfff]")),
    ("a control of the direction of writing", re.compile(f"[{_DIRECTIONS}]")),
    ("no character", re.compile(f"[{_NONCHARACTERS}]")),
)
"""What no name holds, by its kind; the first that fits tells."""
_UNFIT = re.compile("|".join(pattern.pattern for _, pattern in _KINDS))
_UNFIT_IN_LINES = re.compile(f"(?![\n\t])(?:{_UNFIT.pattern})")

_UNSEEN = frozenset({"Zs", "Cf", "Mn", "Mc", "Me"})
"""Categories of characters of which alone nothing is seen: blanks, formats, marks on the letter before."""

_MARK = "'"
_LEADING = frozenset("=+-@\t＝＋－＠#" + _MARK)
"""With most of these a spreadsheet takes a cell for a formula and carries it out (OWASP, CSV injection)."""
_AFTER_A_COMMA = re.compile(r"([,;]\s*)(?=[=+\-@＝＋－＠])(?![+-][\d.]+(?:[),;]|$))")
"""Where a line that is cut at its commas would begin a cell with a formula; a lone number is none."""


class UnfitError(ValueError):
    """A text that cannot stand as a name, a note or a path: what it holds, what is allowed, the remedy."""


def name(text: str) -> str:
    """A text as a name: one line of any script, composed (NFC), 1 to LONGEST_NAME characters. UnfitError otherwise."""
    return _fit(unicodedata.normalize("NFC", text), LONGEST_NAME, _UNFIT, "one line of text")


def note(text: str) -> str:
    """A text of several lines, composed (NFC), its lines ended by a line feed; tabs may stand in it. UnfitError."""
    if not text:
        return ""
    composed = unicodedata.normalize("NFC", text.replace("\r\n", "\n"))
    return _fit(composed, LONGEST_NOTE, _UNFIT_IN_LINES, "lines of text")


def path(text: str) -> str:
    """A text as a path, as it is: file systems tell composed from decomposed letters. UnfitError."""
    _fit(text, LONGEST_PATH, _UNFIT, "a path")
    for part in text.split("/"):
        if len(part.encode()) > LONGEST_PART:
            raise UnfitError(f"must have names of at most {LONGEST_PART} bytes between its slashes. Shorten it")
    if len(text.encode()) > LONGEST_PATH:
        raise UnfitError(f"must be a path of at most {LONGEST_PATH} bytes. Shorten it")
    return text


def _fit(text: str, longest: int, unfit: re.Pattern[str], what: str) -> str:
    found = unfit.search(text)
    if found:
        kind = next(words for words, pattern in _KINDS if pattern.match(found[0]))
        raise UnfitError(f"holds {kind} (U+{ord(found[0]):04X}): must be {what} of any script. Take it out")
    if len(text) > longest:
        raise UnfitError(f"must be text of 1 to {longest} characters, it has {len(text)}. Shorten it")
    if all(unicodedata.category(each) in _UNSEEN for each in text):
        raise UnfitError(f"must be text of 1 to {longest} characters, some of which can be seen. Write some")
    return text


def visible(text: str, *, lines: bool = True) -> str:
    r"""A text with an escape, as \u202e, for everything in it that no name may hold: safe to print and to write.

    lines : leave line feeds and tabs as they are.
    """
    return (_UNFIT_IN_LINES if lines else _UNFIT).sub(_escape, text)


def _escape(found: re.Match[str]) -> str:
    code = ord(found[0])
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def one_line(text: str) -> str:
    """A text on one line, whatever it holds: white space, line breaks too, as one blank."""
    return visible(" ".join(text.split()), lines=False)


def from_path(stem: str) -> str:
    """A file's own name as the name of what is in it."""
    shown = unicodedata.normalize("NFC", one_line(stem))
    return shown[:LONGEST_NAME] or "unnamed"


def comments(lines: Iterable[str]) -> list[str]:
    """Header lines of a CSV file: each begins with # and is one line.

    A spreadsheet cuts such a line at its commas too: what would then begin a formula gets an apostrophe. A number alone
    does not.
    """
    return ["# " + _AFTER_A_COMMA.sub(rf"\g<1>{_MARK}", one_line(line)) for line in lines]


def cell(text: str) -> str:
    """A text as a cell of a CSV file, yet to be quoted: in each of its lines an apostrophe stands first where a
    spreadsheet would take what follows for a formula, a reader for a header line, or itself for such an apostrophe, so
    that taking one away gives the text back.
    """
    return "\n".join(f"{_MARK}{line}" if line[:1] in _LEADING else line for line in visible(text).split("\n"))


def quoted(text: str) -> str:
    """A text as a whole cell of a CSV file: `cell`, between quotation marks where it needs them (RFC 4180)."""
    shown = cell(text)
    return '"' + shown.replace('"', '""') + '"' if any(each in shown for each in ',"\n') else shown


def table(columns: Iterable[str], rows: Iterable[Iterable[str]], *, header: Iterable[str] = ()) -> str:
    """The text of a CSV file: `header` by `comments`, the names of the columns, a line a row.

    rows : of cells as they stand in the file; whatever a user wrote by `quoted`.
    """
    return "\n".join([*comments(header), ",".join(columns), *map(",".join, rows)]) + "\n"


def added(name: str, ending: str) -> str:
    """A name with more at its end, shortened so that it is one."""
    room = LONGEST_NAME - len(ending)
    return name + ending if len(name) <= room else f"{name[: room - 1]}…{ending}"


Line = str | tuple[str, Any] | tuple[str, Any, str]
"""Of a TOML file: a key with its value, and a comment behind it if there is a third; alone a comment, empty a blank."""


def toml(*lines: Line) -> str:
    """The text of a TOML file.

    A value that is a tuple of lines, or a dict, is a table, a list of lists has a line for each, None is left out.
    """
    import tomlkit

    return tomlkit.dumps(_filled(tomlkit.document(), lines))


def _filled(table: Any, lines: Iterable[Line]) -> Any:
    import tomlkit

    for line in lines:
        if isinstance(line, str):
            table.add(tomlkit.comment(line) if line else tomlkit.nl())
            continue
        key, value, *notes = line
        if value is None:
            continue
        item: Any
        if isinstance(value, dict | tuple):
            below = tuple(value.items()) if isinstance(value, dict) else value
            # A table of nothing but tables needs no heading of its own.
            bare = bool(below) and all(isinstance(each, tuple) and isinstance(each[1], dict | tuple) for each in below)
            item = _filled(tomlkit.table(is_super_table=bare), below)
        else:
            item = tomlkit.item(value)
            if isinstance(value, list) and value and isinstance(value[0], list):
                item.multiline(True)
        table.add(key, item.comment(notes[0]) if notes else item)
    return table


CELLS = (
    "text cells: a line that begins with = + - @ # a tab or an apostrophe has one more apostrophe before it, so that no"
    " spreadsheet takes it for a formula"
)
"""What the header of a table with text cells says of them."""
