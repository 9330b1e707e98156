"""A page of parts, each of words, a table and pictures: one HTML file that opens anywhere, without a network."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined

from evenflare import files
from evenflare.report.kit import canvas


class Picture(NamedTuple):
    """A picture as a page holds it."""

    data: str
    width: int
    height: int
    alt: str
    caption: str


@dataclass(frozen=True)
class PageSection:
    """A section of a page.

    lines : sentences.
    head  : of the table, and its
    rows  : the first cell of each names it, the others are numbers or short words.
    marked: indices of rows that stand out; a word in them must say so too.
    tall  : a table of many rows, which scrolls within the page.
    """

    title: str
    lines: Sequence[str] = ()
    head: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    pictures: Sequence[Picture] = ()
    marked: frozenset[int] = frozenset()
    tall: bool = False


def picture(figure: Any, *, alt: str, caption: str) -> Picture:
    """A figure with its words."""
    return picture_of(figure, canvas.png(figure), alt=alt, caption=caption)


def picture_of(figure: Any, png: bytes, *, alt: str, caption: str) -> Picture:
    """A figure that was drawn already, the bytes of its file, with its words."""
    return Picture(base64.b64encode(png).decode("ascii"), *canvas.page_size(figure), alt, caption)


def sheet(
    title: str,
    what: str,
    *,
    parts: Sequence[PageSection],
    written: Sequence[tuple[str, str]],
    command: str,
    warnings: Sequence[str] = (),
    message: Sequence[str] = (),
    refresh: int | None = None,
    view: Mapping[str, Any] | None = None,
) -> str:
    """The text of the page. Everything in it is escaped.

    what     : a sentence: what this is, and where it comes from.
    message  : what a reader must know first, whole sentences.
    warnings : each without its full stop.
    written  : files beside the page and what each is for.
    command  : what to type to make it again.
    refresh  : s after which a browser reads the page again; None for never.
    view     : the view in space, as its script asks for it; None for a page without.
    """
    return rendered(
        "sheet.html",
        title=title,
        what=what,
        parts=parts,
        written=written,
        command=command,
        warnings=warnings,
        message=message,
        refresh=refresh,
        view=view,
    )


def saved(drawn: Mapping[str, Any], folder: Path, caption: Callable[[str], str]) -> dict[str, Picture]:
    """Figures by the names of their files written into `folder`, and as a page holds them, each drawn once.

    caption : of a picture by the name of its file.
    """
    shown: dict[str, Picture] = {}
    said = ""
    for name, figure in drawn.items():
        words = caption(name)
        under = "The same in another plane." if words == said else words
        shown[name], said = picture(figure, alt=f"{figure.get_suptitle()}.", caption=under), words
        with files.replacing(folder / name) as temporary:
            temporary.write_bytes(base64.b64decode(shown[name].data))
    return shown


def rendered(template: str, **values: Any) -> str:
    """A page of this package with its values, each escaped; one that is missing is a fault of ours."""
    return _templates().get_template(template).render(**values)


@cache
def _templates() -> Environment:
    """The pages of this package, each compiled when it is first asked for."""
    return Environment(
        loader=PackageLoader("evenflare.report", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
