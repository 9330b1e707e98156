"""A workshop's process file with what inspected parts say of the process; all else, comments too, stays as it is."""

from __future__ import annotations

from evenflare.units import PERCENT

LEAST, MOST = 0.0, 5.0
"""Percent, what [casting] contraction_percent may be."""


def with_contraction(text: str, contraction: float) -> str:
    """The text of a process file whose [casting] states this contraction, a share.

    Errors: ValueError if the text has no [casting], or the contraction is outside what one may say.
    """
    import tomlkit
    from tomlkit.exceptions import ParseError

    percent = round(contraction / PERCENT, 4) + 0.0
    if not LEAST <= percent <= MOST:
        raise ValueError(f"a contraction of {percent:g} % is outside what [casting] may say, {LEAST:g} to {MOST:g}")
    try:
        document = tomlkit.parse(text)
    except ParseError as error:
        raise ValueError(f"the process file is not TOML: {error}") from None
    table = document.get("casting")
    if not isinstance(table, dict):
        raise ValueError("the process file has no [casting]")
    table["contraction_percent"] = percent
    return tomlkit.dumps(document)
