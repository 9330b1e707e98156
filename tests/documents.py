"""`make docs`: keys and columns listed in the pages of docs/ as the code has them, each with its meaning.

Between `<!-- keys NAME -->` or `<!-- columns NAME -->` and `<!-- end -->` a page holds what is written here. Keys,
ranges and defaults come from the schemas; columns from `docs/columns.json`, which `make tutorial` gathers from the
files of a whole run, and which the test of that run compares with what it wrote; meanings from `docs/meanings.toml`,
which must hold one for each, and no more.
"""

from __future__ import annotations

import inspect
import json
import re
import sys
import textwrap
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from annotated_types import MaxLen, MinLen
from pydantic import BeforeValidator
from pydantic.fields import FieldInfo

from evenflare.design.driver import DriverTable
from evenflare.design.mounting import MountingTable
from evenflare.design.oblong import CsvsTable, PlanesTable
from evenflare.design.tables import DesignTable, OblongAnalysisTable, OblongSolidTable
from evenflare.design.walls import FamilyTable, wall_tables
from evenflare.dsp.speaker_tables import SpeakerTable
from evenflare.manufacture.process.tables import ProcessFile
from evenflare.measurement.session_tables import SessionFile
from evenflare.room.room_file import RoomTable
from evenflare.schema import AirTable, Table
from evenflare.target.tables import target_table
from evenflare.waveguide import FAMILIES

DOCS = Path(__file__).parent.parent / "docs"
MARKED = re.compile(r"(<!-- (keys|columns) ([\w-]+) -->\n).*?(<!-- end -->)", re.DOTALL)

DESIGN: dict[str, list[type[Table]]] = {
    "": [DesignTable],
    "waveguide": [*wall_tables()],
    "waveguide, oblong": [PlanesTable, CsvsTable],
    "driver": [DriverTable],
    "mounting": [MountingTable],
    "air": [AirTable],
    "analysis": [OblongAnalysisTable],
    "solid": [OblongSolidTable],
}
"""Tables of a design file by place; several where the table has several forms. The oblong forms hold the round ones."""
ROOTS: dict[str, type[Table]] = {
    "target": target_table(),
    "process": ProcessFile,
    "session": SessionFile,
    "loudspeaker": SpeakerTable,
    "room": RoomTable,
}
SHARED = (DriverTable, MountingTable, AirTable)
"""Tables that are those of a design file."""
REPEATED = {"midrange": "lower_midrange", "horizontal": "vertical", "source": "second_source"}
"""Tables that are listed once for two names."""
LINE = 118
"""Characters of a line of prose."""
RUNS_OWN = ("provenance.json",)
"""Files whose keys tell of one run only."""


def meanings() -> dict[str, Any]:
    """What every key and column means, as written down."""
    return tomllib.loads((DOCS / "meanings.toml").read_text(encoding="utf-8"))


def tables_of(name: str) -> dict[str, list[type[Table]]]:
    """The tables of a kind of file by place, in order, without those that are as in a design file."""
    return DESIGN if name == "design" else dict(_below(ROOTS[name], ""))


def _below(table: type[Table], place: str) -> Iterator[tuple[str, list[type[Table]]]]:
    if any(inner_table(field.annotation) is None for field in table.model_fields.values()):
        yield place, [table]
    for key, field in table.model_fields.items():
        inner = inner_table(field.annotation)
        if inner is not None and inner not in SHARED and key not in REPEATED.values():
            yield from _below(inner, f"{place}.{key}" if place else key)


def inner_table(annotation: Any) -> type[Table] | None:
    """The table that a key holds, itself, one of a list or none."""
    for each in (annotation, *get_args(annotation)):
        if isinstance(each, type) and issubclass(each, Table):
            return each
    return next((found for each in get_args(annotation) if (found := inner_table(each))), None)


def keys_of(tables: list[type[Table]]) -> dict[str, tuple[FieldInfo, list[str]]]:
    """By key its field and the families that have it; keys that hold tables are left out."""
    found: dict[str, tuple[FieldInfo, list[str]]] = {}
    for table in tables:
        for key, field in table.model_fields.items():
            if inner_table(field.annotation) is None and not isinstance(field.annotation, TypeVar):
                found.setdefault(key, (field, []))[1].append(
                    table.of.name if issubclass(table, FamilyTable) else "points"
                )
    return found


def allowed(annotation: Any, metadata: Sequence[Any] = ()) -> str:
    """What a value may be, in words; empty where a check of its own decides, whose bounds the meaning tells."""
    for check in metadata:
        bounds = _bounds(check)
        if "low" in bounds:
            whole = "whole, " if bounds.get("whole") else ""
            pair = ", or a range" if get_origin(annotation) is tuple else ""
            return f"{whole}{_number(bounds['low'])} to {_number(bounds['high'])}{pair}"
        if "names" in bounds:
            return _choice(bounds["names"]())
        if "allowed" in bounds:
            return f"{_choice(bounds['allowed'])}, or a list"
    arguments = [each for each in get_args(annotation) if each is not type(None)]
    kind = get_origin(annotation)
    if kind is Annotated:
        return allowed(arguments[0], arguments[1:])
    if kind is Literal:
        return _choice(arguments)
    if kind is list:
        inner, how_many = allowed(arguments[0]), SEVERAL.get(_length(metadata), "list")
        # A check before the others takes one number as the pair that holds it alone.
        how_many = f"one or {how_many}" if any(isinstance(each, BeforeValidator) for each in metadata) else how_many
        return inner and f"{how_many}, each {inner}".replace("list, each pair", "pairs")
    if kind in (Union, UnionType):
        # A check of its own may take more forms than the type says.
        own = any(isinstance(each, BeforeValidator) for each in metadata)
        return "" if own else "; or ".join(allowed(each) for each in arguments)
    return {str: "text", bool: "true or false"}.get(annotation, "")


SEVERAL = {2: "pair", 3: "three"}
"""What a list is called that must hold so many."""


def _bounds(check: Any) -> Mapping[str, Any]:
    """What a check of `schema.number` and its like was made with."""
    function = getattr(check, "func", None)
    return inspect.getclosurevars(function).nonlocals if inspect.isfunction(function) else {}


def _length(metadata: Sequence[Any]) -> int | None:
    """How many values a list must have, if it is one number."""
    every = [inner for each in metadata for inner in (each.metadata if isinstance(each, FieldInfo) else [each])]
    least = next((each.min_length for each in every if isinstance(each, MinLen)), None)
    most = next((each.max_length for each in every if isinstance(each, MaxLen)), None)
    return least if least == most else None


def _number(value: float) -> str:
    text = f"{value:.10g}".replace("e-0", "e-")
    return text.replace("-", "\u2212", 1) if value < 0 else text


def _choice(values: Sequence[Any]) -> str:
    if all(isinstance(each, int) for each in values):
        return f"whole, {values[0]} to {values[-1]}"
    return ", ".join(f'`"{each}"`' for each in values)


def default(field: FieldInfo) -> str:
    """What holds where the key is left out."""
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if isinstance(value, tuple):
        value = value[0]
    if value is None or value in ("", []):
        return ""
    return f"`{json.dumps(value)}`" if isinstance(value, str | bool | list) else f"{value:g}"


def listed_keys(name: str) -> str:
    """The tables of a kind of file, each as a table of its keys."""
    known = meanings()["keys"][name]
    text = []
    for place, tables in tables_of(name).items():
        keys = keys_of(tables)
        many = (name, place) == ("design", "waveguide")
        text += [f"**{heading(name, place)}**\n"]
        text += ["| key | " + ("of | " if many else "") + "meaning | allowed | default |"]
        text += ["|---|" + ("---|" if many else "") + "---|---|---|"]
        for key, (field, families) in keys.items():
            of = f"{_families(families, tables)} | " if many else ""
            limits = allowed(field.annotation, field.metadata)
            # A form that lacks the key does without it.
            otherwise = default(field) if many or all(key in table.model_fields for table in tables) else ""
            meaning = _meaning(key, f'keys.{name}."{place}"', known.get(place, {}))
            text.append(f"| `{key}` | {of}{meaning} | {limits} | {otherwise} |")
        text.append("")
    return "\n".join(text)


def _meaning(name: str, place: str, *known: Mapping[str, str]) -> str:
    """Of a key or column, from the first that knows it. SystemExit that says what to write where none does."""
    found = next((each[name] for each in known if name in each), None)
    if found is None:
        raise SystemExit(f'docs/meanings.toml [{place}] {name}: missing. Write there what it means, as {name} = "..."')
    return found


def heading(name: str, place: str) -> str:
    """A table's name as it stands in the file."""
    if not place:
        return "Above all tables"
    if "," in place:
        return "`[waveguide]` of an oblong waveguide"
    if f"[[{place}]]" in ("[[tools]]", "[[seats]]"):
        return f"`[[{place}]]`"
    first = place.split(".")[0]
    if first in REPEATED:
        return f"`[{place}]` and `[{place.replace(first, REPEATED[first], 1)}]`"
    return f"`[{place}]`"


def _families(families: list[str], tables: list[type[Table]]) -> str:
    every = set(FAMILIES)
    if every <= set(families):
        return "every family"
    if len(families) == len(every) - 1:
        return f"all but {', '.join(sorted(every - set(families)))}"
    return ", ".join(families)


def columns() -> dict[str, list[list[str]]]:
    """Columns of CSV files, keys of JSON files, by file name; several where a file has several forms."""
    return dict(json.loads((DOCS / "columns.json").read_text(encoding="utf-8")))


def listed_columns(page: str) -> str:
    """The files of a page, each as a table of its columns."""
    known = meanings()
    text = []
    for file, about in known["files"][page].items():
        own = known["columns"].get(file, {})
        forms = columns()[file]
        words = [about] if isinstance(about, str) else about
        for form, what in zip(_forms(forms, len(words)), words, strict=True):
            line = textwrap.fill(f"**`{file}`**: {what}", LINE, break_long_words=False, break_on_hyphens=False)
            text += [f"{line}\n", f"| {'key' if file.endswith('.json') else 'column'} | meaning |"]
            text.append("|---|---|")
            for name in form:
                meaning = _meaning(name, f'columns."{file}"', own, known["columns"]["any"])
                text.append(f"| `{name}` | {meaning} |")
            text.append("")
    return "\n".join(text)


def _forms(forms: list[list[str]], wanted: int) -> list[list[str]]:
    """The forms of a file as they are told: each of its own, or all in one table."""
    if wanted == len(forms):
        return forms
    return [list(dict.fromkeys(name for form in forms for name in form))]


def gathered(folder: Path) -> dict[str, list[list[str]]]:
    """Columns and keys of every CSV and JSON file below a folder, by file name and form, in the order of names."""
    found: dict[str, list[list[str]]] = {}
    for path in sorted(folder.rglob("*")):
        if path.name in RUNS_OWN or not path.is_file():
            continue
        if path.suffix == ".csv":
            names = next(line for line in path.read_text(encoding="utf-8").splitlines() if line[:1] != "#").split(",")
        elif path.suffix == ".json":
            names = list(json.loads(path.read_text(encoding="utf-8")))
        else:
            continue
        if names not in found.setdefault(path.name, []):
            found[path.name].append(names)
    return {name: sorted(forms) for name, forms in sorted(found.items())}


def rendered(text: str) -> str:
    """A page with its marked sections as they should be."""

    def section(match: re.Match[str]) -> str:
        made = listed_keys(match[3]) if match[2] == "keys" else listed_columns(match[3])
        return f"{match[1]}\n{made}\n{match[4]}"

    return MARKED.sub(section, text)


def with_bench(page: str, printed: str) -> str:
    """The page of figures with what `make bench` printed as its last section."""
    text = f"<!-- bench -->\n\n```text\n{printed.strip()}\n```\n\n<!-- end -->"
    return re.sub(r"<!-- bench -->.*?<!-- end -->", lambda _: text, page, flags=re.DOTALL)


def pages() -> list[Path]:
    """Every page of docs/."""
    return sorted(DOCS.glob("*.md"))


def main(arguments: list[str]) -> None:
    """Gather the columns of a whole run, where its folder is named, and write every page anew."""
    if arguments:
        text = json.dumps(gathered(Path(arguments[0])), indent=1)
        # One line a form.
        text = re.sub(r"\[\s*(\"[^\]]*?\")\s*\]", lambda m: "[" + re.sub(r"\s*\n\s*", " ", m[1]) + "]", text)
        (DOCS / "columns.json").write_text(text + "\n", encoding="utf-8")
    for page in pages():
        page.write_text(rendered(page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
