"""Tables as text: read back by the standard library's reader; lengths in words, rounded as files say."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest

import evenflare
from evenflare.text import quoted, table
from evenflare.words import fixed_mm, mm, rounded_mm

PACKAGE = Path(evenflare.__file__).parent


def test_table_reads_back_with_header_lines_before_the_names():
    rows = [("1", quoted('a "b", c')), ("2", quoted("two\nlines"))]
    text = table(("number", "name"), rows, header=["what", "more, of\nit"])
    lines = text.splitlines()
    assert lines[:3] == ["# what", "# more, of it", "number,name"]
    read = list(csv.reader(io.StringIO(text, newline="")))
    assert read[-2:] == [["1", 'a "b", c'], ["2", "two\nlines"]]
    assert text.endswith("\n")


def test_table_without_rows_or_header_is_its_names():
    assert table(("a", "b"), []) == "a,b\n"


JOINED_BY_HAND = re.compile(r'"," *\.join\(columns|csv\.writer|def _mm\(', re.IGNORECASE)


def test_tables_and_millimetres_are_written_in_one_place():
    found = [path.name for path in PACKAGE.rglob("*.py") if JOINED_BY_HAND.search(path.read_text(encoding="utf-8"))]
    # A reader names the columns that it wants in a message.
    assert sorted(found) == ["columns.py", "text.py"]


@pytest.mark.parametrize(
    ("length", "digits", "words"),
    [(0.0127, 4, "12.7"), (0.01234567, 4, "12.35"), (0.01234567, 6, "12.3457"), (1.23456, 4, "1235"), (0.0, 4, "0")],
)
def test_length_has_so_many_digits(length, digits, words):
    assert mm(length, digits) == words


@pytest.mark.parametrize(
    ("length", "decimals", "words"),
    [(0.0127, 3, "12.700"), (-1e-9, 3, "0.000"), (-0.0012345, 4, "-1.2345"), (2.6e-7, 4, "0.0003")],
)
def test_length_has_so_many_decimals_and_no_negative_zero(length, decimals, words):
    assert fixed_mm(length, decimals) == words
    assert rounded_mm(length, decimals) == float(words)
    assert str(rounded_mm(-1e-12, decimals)) == "0.0"
