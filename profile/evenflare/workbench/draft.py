"""A TOML file that is being edited: its text with all comments, what was undone, and saving it whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Generic, TypeVar

import tomlkit

from evenflare.files import InputError, is_file, read_text, short, write_text

Read = TypeVar("Read")
MOST_KEPT = 500
"""Texts that can be gone back to."""
Place = tuple[str | int, ...]
"""Keys and indices that lead to a value."""


class EditedFile(Generic[Read]):
    """One file's text as edited, and what it says.

    read  : makes of the file's tables what it stands for; InputError where it is at fault.
    path  : where it is saved.
    value : what the text says now.
    """

    def __init__(self, path: Path, read: Callable[[dict[str, Any], Path], Read], *, text: str | None = None) -> None:
        """text : what to begin with where the file is not there yet."""
        self.path, self._read = path, read
        self._on_disk = read_text(path) if is_file(path) else None
        first = self._on_disk if text is None else text
        assert first is not None  # a file that is not there begins with a text
        self._texts, self._now, self._moving = [first.removeprefix("\ufeff")], 0, False
        self.value = self._value(self.text)

    @property
    def text(self) -> str:
        """As edited."""
        return self._texts[self._now]

    @property
    def saved(self) -> bool:
        """Whether the file holds it."""
        return self._on_disk is not None and self._on_disk.removeprefix("\ufeff") == self.text

    @property
    def can_undo(self) -> bool:
        """Whether there is something to go back to."""
        return self._now > 0

    @property
    def can_redo(self) -> bool:
        """Whether something was undone."""
        return self._now < len(self._texts) - 1

    def tables(self) -> dict[str, Any]:
        """The tables of the text."""
        return dict(tomlkit.parse(self.text).unwrap())

    def edit(self, changes: Mapping[Place, Any], *, moving: bool = False) -> None:
        """Set values by their places. InputError as `read`, and then nothing is changed.

        moving : part of one movement, which is one step to undo.
        """
        document = tomlkit.parse(self.text)
        for place, value in changes.items():
            _put(document, place, value)
        text = tomlkit.dumps(document)
        self.value = self._value(text)
        if self._moving:
            self._texts[self._now] = text
        else:
            self._texts = [*self._texts[: self._now + 1], text][-MOST_KEPT:]
            self._now = len(self._texts) - 1
        self._moving = moving

    def replace(self, text: str) -> None:
        """Another text in its place, as one step. InputError as `read`."""
        self.value = self._value(text)
        self._texts = [*self._texts[: self._now + 1], text][-MOST_KEPT:]
        self._now, self._moving = len(self._texts) - 1, False

    def undo(self) -> None:
        """One step back, if there is one."""
        self._go(max(self._now - 1, 0))

    def redo(self) -> None:
        """One step forward, if there is one."""
        self._go(min(self._now + 1, len(self._texts) - 1))

    def save(self, path: Path | None = None) -> None:
        """Write it, whole or not at all. InputError if it cannot be written, or was changed by somebody meanwhile.

        path : another file, which must not be there yet; the draft is of that from then on.
        """
        where = self.path if path is None else path
        there = read_text(where) if is_file(where) else None
        if path is not None and path != self.path:
            if there is not None:
                raise InputError(f"{short(where.name)}: is there already. Choose another name")
        elif there is not None and there != self._on_disk:
            raise InputError(
                f"{short(where.name)}: was changed by another program since it was opened. Save under another name, or"
                " open it again"
            )
        write_text(where, self.text)
        self.path, self._on_disk = where, self.text

    def _go(self, place: int) -> None:
        self._now, self._moving = place, False
        self.value = self._value(self.text)

    def _value(self, text: str) -> Read:
        return self._read(dict(tomlkit.parse(text).unwrap()), self.path)


def _put(document: Any, place: Sequence[str | int], value: Any) -> None:
    """Set one value; a key may be new, a table or a place in a list must be there."""
    *way, last = place
    table = document
    for step in way:
        table = table[step]
    table[last] = value
