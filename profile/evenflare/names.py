"""Names and paths in tables that users write, and in other files that are read: the one rule of `text` for all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator

from evenflare import text
from evenflare.files import InputError
from evenflare.schema import fault, shown


def _checked(rule: Callable[[str], str]) -> AfterValidator:
    def check(value: str) -> str:
        try:
            return rule(value)
        except text.UnfitError as error:
            raise fault(str(error)) from None

    return AfterValidator(check)


Name = Annotated[str, _checked(text.name)]
"""One line of text, composed."""
FileName = Annotated[str, _checked(text.path)]
"""Of a file or folder, from the folder of the file that names it."""


def name_in(value: Any, *, file: Path, key: str, empty: str = "") -> str:
    """A name that stands in a file other than TOML. InputError if it is no such text.

    empty : what stands for one that is missing or empty.
    """
    if value is None or value == "":
        return empty
    try:
        if not isinstance(value, str):
            raise text.UnfitError("must be text. Put it between quotation marks")
        return text.name(value)
    except text.UnfitError as error:
        raise InputError(f"{file} {key} = {shown(value)}: {error}") from None
