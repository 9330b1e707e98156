"""Sheets of paper: what flows stays on the page and apart from other words, drawings are to scale."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pypdf
import pytest
from pypdf.generic import ContentStream

from drawings import POINTS
from evenflare.cli import run
from evenflare.report.kit import paper
from test_cli_export import SMALL

LONG_NAME = "Größe & <b>third</b> try 25° × 30 µm −1 " + "W" * 100 + " of many words" * 4


class Letters(NamedTuple):
    """Letters shown at once, level on a page: mm from its lower left corner, and their size."""

    left: float
    right: float
    low: float
    size: float


class Drawn(NamedTuple):
    """What a page shows: its level letters, and (N, 2) the points of each of its lines in mm."""

    letters: list[Letters]
    lines: list[np.ndarray]


def drawn(page: pypdf.PageObject) -> Drawn:
    """By the operators of ISO 32000-1, tables 57, 59, 105, 107, 108 and 109, as far as simple fonts go."""
    shown, lines = [], []
    fonts = page["/Resources"]["/Font"]
    matrix, kept = np.eye(3), []
    text = start = np.eye(3)
    widths, size, leading, between = {}, 0.0, 0.0, 0.0

    def square(values):
        return np.column_stack([np.reshape([float(each) for each in values], (3, 2)), [0.0, 0.0, 1.0]])

    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        if operator == b"q":
            kept.append(matrix)
        elif operator == b"Q":
            matrix = kept.pop()
        elif operator == b"cm":
            matrix = square(operands) @ matrix
        elif operator in (b"m", b"l"):
            point = np.array([*map(float, operands), 1.0]) @ matrix / POINTS
            if operator == b"m":
                lines.append([])
            lines[-1].append(point[:2])
        elif operator == b"BT":
            text = start = np.eye(3)
        elif operator == b"Tm":
            text = start = square(operands)
        elif operator == b"TL":
            leading = float(operands[0])
        elif operator in (b"Td", b"T*"):
            step = [*map(float, operands)] or [0.0, -leading]
            text = start = square([1, 0, 0, 1, *step]) @ start
        elif operator == b"Tf":
            font, size = fonts[operands[0]], float(operands[1])
            widths = dict(enumerate(font.get("/Widths", ()), start=font.get("/FirstChar", 0)))
        elif operator == b"Tw":
            between = float(operands[0])
        elif operator == b"Tj":
            codes = operands[0].original_bytes
            along = sum(float(widths[code]) for code in codes) * size / 1000.0 + between * codes.count(b" ")
            place = text @ matrix
            text = square([1, 0, 0, 1, along, 0]) @ text
            if place[0, 1] == 0.0:
                left, low = place[2, :2] / POINTS
                shown.append(Letters(left, left + along * place[0, 0] / POINTS, low, size * place[0, 0] / POINTS))
        else:
            assert operator not in (b"TJ", b"'", b'"', b"TD", b"Tc", b"Tz"), operator
    return Drawn([each for each in shown if each.right > each.left], [np.array(line) for line in lines])


def stand_apart_within_the_margins(path: Path) -> int:
    """Nothing beyond the edge of a page, nothing on anything else; how many pages."""
    pages, seen = pypdf.PdfReader(path).pages, 0
    for page in pages:
        wide, high = (float(each) / POINTS for each in page.mediabox[2:])
        letters = drawn(page).letters
        seen += len(letters)
        for k, each in enumerate(letters):
            # The margin; a header may grow into it.
            assert each.left > 14.9
            assert each.right < wide - 14.9, each
            assert 14.9 < each.low < high - 4.0, each
            for other in letters[:k]:
                # Lines of one text are 1.2 sizes apart or more.
                if abs(each.low - other.low) < 0.8 * min(each.size, other.size):
                    # A hundredth of a mm is below what is seen.
                    assert each.left >= other.right - 0.01 or other.left >= each.right - 0.01, (each, other)
    assert seen > 10
    return len(pages)


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of a part with a long name, made without a machine."""
    folder = tmp_path_factory.mktemp("sheets")
    (folder / "design.toml").write_text(SMALL.replace("small try", LONG_NAME), encoding="utf-8")
    assert run(["export", str(folder / "design.toml"), "--out", str(folder), "--quiet", "--process", "casting"]) == 0
    return folder


def test_long_name_stays_on_the_page(sheets: Path) -> None:
    for name, pages in (("setup_sheet.pdf", 1), ("drawing.pdf", 2)):
        assert stand_apart_within_the_margins(sheets / name) == pages
        text = "".join("".join(page.extract_text() for page in pypdf.PdfReader(sheets / name).pages).split())
        assert LONG_NAME.replace(" ", "") in text
        assert "localcodesandtrainedpeople" in text.lower(), "the last of the cautions"


def test_drawing_is_to_scale(sheets: Path) -> None:
    """The flange of 120 mm on 1 : 2 is 60 mm of paper, whole within the views; the bar below is 50."""
    lines = drawn(pypdf.PdfReader(sheets / "drawing.pdf").pages[0]).lines
    sizes = [np.ptp(line, axis=0) for line in lines]
    # Coordinates are written to a millionth of a point; a micrometre is below what any paper keeps.
    assert any(size == pytest.approx([60.0, 60.0], abs=1e-3) for size in sizes)
    assert any(size[0] == pytest.approx(50.0, abs=1e-3) for size in sizes)


def test_long_texts_and_many_rows_go_on_overleaf(tmp_path: Path) -> None:
    rows = [[f"row{number}", "some words that have to be wrapped " * 3, "W" * 60] for number in range(90)]
    flow = [
        *paper.listed([f"item{number} " + "and on " * 60 for number in range(30)]),
        paper.words("Table", paper.HEADING),
        paper.table(["Head", "Words", "Letters"], rows, (30.0, 90.0, 60.0)),
    ]
    paper.write_pdf(flow, tmp_path / "long.pdf", title=LONG_NAME)
    assert stand_apart_within_the_margins(tmp_path / "long.pdf") > 3
    pages = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "long.pdf").pages]
    words = " ".join(pages).split()
    for number in range(90):
        assert words.count(f"row{number}") == 1
    for number in range(30):
        assert words.count(f"item{number}") == 1
    tables = [page for page in pages if "row" in page]
    assert len(tables) > 1
    assert all("Head" in page for page in tables), "a row without its head cannot be read"
    assert all(f"page {number}" in page for number, page in enumerate(pages[1:], start=2))


def test_columns_that_are_full_go_on_overleaf_behind_a_page_that_is_drawn(tmp_path: Path) -> None:
    flow = paper.listed([f"item{number} " + "and on " * 20 for number in range(100)], paper.SMALL)

    def first(page) -> None:
        page.setFont(paper.PLAIN, 8.0)
        for number in range(12):
            page.drawString(60.0, 60.0 + 20.0 * number, f"drawn{number}")

    size = paper.LONG, paper.SHORT
    paper.write_pdf(flow, tmp_path / "columns.pdf", title="columns", size=size, columns=3, first=first)
    assert stand_apart_within_the_margins(tmp_path / "columns.pdf") >= 3
    pages = pypdf.PdfReader(tmp_path / "columns.pdf").pages
    assert "drawn11" in pages[0].extract_text()
    assert "item" not in pages[0].extract_text()
    wide = paper.column(paper.LONG - 2 * paper.MARGIN, 3)
    starts = {round(each.left - paper.MARGIN) for each in drawn(pages[1]).letters if each.low < paper.SHORT - 25.0}
    assert {0, round(wide + 7.0), round(2 * wide + 14.0)} <= starts
    assert "item99" in pages[-1].extract_text()


def test_same_flow_is_the_same_file(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        paper.write_pdf([paper.words("25° × 30 µm −1", paper.TITLE)], tmp_path / name, title="same")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
