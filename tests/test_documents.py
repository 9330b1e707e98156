"""The pages: what they list is what the code has, their links lead somewhere, and their lines can be read."""

from __future__ import annotations

import importlib.metadata
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import documents
from evenflare.cli.options import parser
from evenflare.files import InputError

ROOT = documents.DOCS.parent
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
PAGES = [README, DEVELOPERS, *documents.pages()]
LONGEST_LINE, LONGEST_README, LARGEST_PICTURES = 120, 120, 1_000_000
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")

DESIGN = """
[waveguide]
family = "conical"
depth_mm = {depth_mm}
wall_angle_deg = {wall_angle_deg}
[driver]
exit_diameter_mm = {exit_diameter_mm}
exit_half_angle_deg = {exit_half_angle_deg}
"""
INSIDE = {"depth_mm": 90, "wall_angle_deg": 42, "exit_diameter_mm": 25.4, "exit_half_angle_deg": 0}


def name(page: Path) -> str:
    return str(page.relative_to(ROOT))


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def prose(page: Path) -> Iterator[tuple[int, str]]:
    """Numbered lines of a page, without code and tables."""
    inside = False
    for number, line in enumerate(text_of(page).splitlines(), start=1):
        if line.lstrip().startswith("```"):
            inside = not inside
        elif not inside and not line.startswith("|"):
            yield number, line


def anchors(page: Path) -> set[str]:
    """What a link into a page may end with, as the usual renderers make them of headings."""
    headings = [line.lstrip("# ") for _, line in prose(page) if line.startswith("#")]
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", documents.pages(), ids=name)
def test_page_lists_keys_and_columns_as_the_code_has_them(page):
    # `make docs` writes them anew.
    assert text_of(page) == documents.rendered(text_of(page))


def test_every_kind_of_file_is_listed_on_a_page():
    found = [documents.MARKED.findall(text_of(page)) for page in documents.pages()]
    marked = {(kind, what) for page in found for _, kind, what, _ in page}
    known = documents.meanings()
    assert marked == {*(("keys", each) for each in known["keys"]), *(("columns", each) for each in known["files"])}
    assert set(known["keys"]) == {"design", *documents.ROOTS}


def test_no_meaning_is_of_a_key_that_is_gone():
    for kind, places in documents.meanings()["keys"].items():
        listed = {place: set(documents.keys_of(tables)) for place, tables in documents.tables_of(kind).items()}
        assert {place: set(keys) for place, keys in places.items()} == listed


def test_key_without_a_meaning_is_told(monkeypatch):
    known = documents.meanings()
    del known["keys"]["design"]["driver"]["exit_diameter_mm"]
    monkeypatch.setattr(documents, "meanings", lambda: known)
    with pytest.raises(SystemExit, match=r'meanings.toml \[keys.design."driver"\] exit_diameter_mm: missing'):
        documents.listed_keys("design")


def test_no_meaning_is_of_a_column_that_is_gone():
    written, known = documents.columns(), documents.meanings()
    every = {column for forms in written.values() for form in forms for column in form}
    assert set(known["columns"]["any"]) <= every
    for file, columns in known["columns"].items():
        if file != "any":
            assert set(columns) <= {column for form in written[file] for column in form}, file


def test_every_table_that_is_written_is_listed():
    written = documents.columns()
    listed = {file for files in documents.meanings()["files"].values() for file in files}
    forms = [form for file in listed for form in written[file]]
    # Files that differ in nothing but their name are listed once.
    others = {file: own for file, own in written.items() if file not in listed}
    assert [file for file, own in others.items() if not all(form in forms for form in own)] == []


@pytest.mark.parametrize("key", INSIDE)
def test_range_on_the_page_is_the_range_that_is_read(read, key):
    row = next(line for line in text_of(documents.DOCS / "design.md").splitlines() if line.startswith(f"| `{key}` |"))
    low, high = (float(each) for each in re.search(r"\| ([\d.]+) to ([\d.]+) \|", row).groups())
    if key in ("depth_mm", "exit_half_angle_deg"):
        read(DESIGN.format(**INSIDE | {key: low if low else high}))
    for outside in (low - 0.01, 1.01 * high):
        with pytest.raises(InputError, match=f"{key} = .*must be {low:g} to {high:g}"):
            read(DESIGN.format(**INSIDE | {key: outside}))


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_links_lead_somewhere(page):
    broken = []
    for target in LINK.findall(text_of(page)):
        path, _, anchor = target.partition("#")
        if "://" in path:
            continue
        file = page if not path else (page.parent / path).resolve()
        if not file.exists() or (anchor and anchor not in anchors(file)):
            broken.append(target)
    assert broken == []


def test_readme_leads_to_every_page():
    led = {(README.parent / target.partition("#")[0]).resolve() for target in LINK.findall(text_of(README))}
    assert {DEVELOPERS, ROOT / "LICENSE", *documents.pages()} <= led


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_lines_of_prose_can_be_read(page):
    assert [number for number, line in prose(page) if len(line) > LONGEST_LINE] == []


def test_readme_is_short():
    assert len(text_of(README).splitlines()) <= LONGEST_README


def test_pictures_are_small_and_shown():
    pictures = set((documents.DOCS / "pictures").iterdir())
    shown = {(page.parent / target).resolve() for page in PAGES for target in LINK.findall(text_of(page))}
    assert pictures <= shown
    assert sum(picture.stat().st_size for picture in pictures) < LARGEST_PICTURES


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_commands_on_a_page_are_commands(page):
    blocks = re.findall(r"^```(\w*)\n(.*?)^```", text_of(page), re.DOTALL | re.MULTILINE)
    lines = [line for language, text in blocks if language in ("", "sh") for line in text.splitlines()]
    for line in lines:
        if line.startswith("evenflare "):
            parser().parse_args(shlex.split(line.partition(" > ")[0], comments=True)[1:])  # ends the program at a slip


def test_dependencies_stand_with_the_licences_that_they_declare():
    listed = dict(re.findall(r"^\| `([\w-]+)` \| ([^|]+?) \|", text_of(DEVELOPERS), re.MULTILINE))
    project = tomllib.loads(text_of(ROOT / "pyproject.toml"))["project"]
    extra = project["optional-dependencies"]
    needed = [*project["dependencies"], *extra["cluster"], *extra["capture"]]
    packages = [re.match(r"[\w-]+", each)[0] for each in needed]
    assert sorted(packages) == sorted(set(listed) & set(packages))
    for package in packages:
        told = importlib.metadata.metadata(package)
        classifiers = [each for each in told.get_all("Classifier") or [] if each.startswith("License")]
        declared = " ".join([told.get("License-Expression") or "", told.get("License") or "", *classifiers])
        # The family's first word: BSD, MIT, Apache, Python; versions of a package differ in how they write the rest.
        assert listed[package].split()[0].split("-")[0] in declared, package


def test_bench_replaces_its_section_and_nothing_else():
    written = documents.with_bench("before\n<!-- bench -->\nold\n<!-- end -->\nafter\n", "new \\1\n")
    assert written == "before\n<!-- bench -->\n\n```text\nnew \\1\n```\n\n<!-- end -->\nafter\n"
    assert "<!-- bench -->" in text_of(documents.DOCS / "accuracy.md")
