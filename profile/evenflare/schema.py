"""Files that users write: TOML to tables of known keys, and every fault at once in one message that can be acted on."""

from __future__ import annotations

import difflib
import itertools
import json
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, TypeVar, cast, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from evenflare.air import Air
from evenflare.files import InputError, read_text, short
from evenflare.parsing import LARGEST_TOML, tables
from evenflare.units import CELSIUS_ZERO, DEGREE, KILOPASCAL, MILLIMETRE, PERCENT

LONGEST_LIST_OF_FAULTS = 20
COMPARED = 100
"""Characters of a word that its nearest valid one is sought by."""

# By the end of a key: what a value may have been meant in, and its factor to the key's own unit.
SLIPS = {
    "_mm": (("metres", 1e3), ("inches", 25.4), ("micrometres", 1e-3)),
    "_hz": (("kilohertz", 1e3),),
    "_deg": (("radians", 1 / DEGREE),),
    "_percent": (("a share from 0 to 1", 1 / PERCENT),),
    "_kpa": (("hectopascals", 0.1), ("pascals", 1 / KILOPASCAL)),
    "distance_m": (("millimetres", MILLIMETRE),),
}

SURELY = 0.8
"""How alike a key and a known one of its table are that it is meant, though it would be at home in another table."""
NEAR = 2.0
"""A value within this factor of a bound may simply be a little off, whatever unit it might also be in."""


def fault(text: str) -> PydanticCustomError:
    """What a check inside a table raises: `text` follows the names of file and table, or of the key."""
    return PydanticCustomError("fault", "{text}", {"text": text})


def number(low: float, high: float, *, whole: bool = False) -> BeforeValidator:
    """A check for a number (or a whole one) from `low` to `high`, in the key's unit."""

    def check(value: Any) -> Any:
        kind = int if whole else (int, float)
        about = {"low": low, "high": high, "whole": whole}
        if isinstance(value, bool) or not isinstance(value, kind):
            raise PydanticCustomError("not_a_number", "not a number", about)
        # The slack is a rounding's width: a bound that was worked out and written reads back.
        if not low - 1e-9 * abs(low) <= value <= high + 1e-9 * abs(high):
            raise PydanticCustomError("outside", "outside", about)
        return value if whole else float(value)

    return BeforeValidator(check)


def one_of(names: Callable[[], Sequence[str]]) -> BeforeValidator:
    """A check for one of the names that there are when a file is read."""

    def check(value: Any) -> Any:
        known = names()
        if not isinstance(value, str) or value not in known:
            quoted = [f"'{name}'" for name in known]
            expected = " or ".join([", ".join(quoted[:-1]), quoted[-1]] if quoted[1:] else quoted)
            raise PydanticCustomError("literal_error", "not one of them", {"expected": expected})
        return value

    return BeforeValidator(check)


def rising(values: list[float]) -> list[float]:
    """Checks that a list rises strictly."""
    for place, (before, after) in enumerate(itertools.pairwise(values), start=2):
        if after <= before:
            raise fault(f"value {place} is {after:g} after {before:g}: must rise from each to the next. Sort the list")
    return values


def no_share(percent: float) -> float:
    """Checks that what should be per cent is no share from 0 to 1."""
    if 0 < percent < 1:
        raise fault(f"must be 0, or 1 to 100. Is it a share from 0 to 1? Then write {percent / PERCENT:g}")
    return percent


Temperature = Annotated[float, number(-20, 50)]
"""Celsius."""
Humidity = Annotated[float, number(0, 100), AfterValidator(no_share)]
"""Relative, per cent."""
Barometer = Annotated[float, number(60, 110)]
"""kPa."""


class Table(BaseModel):
    """A table of a file: known keys only."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    what: ClassVar[str] = ""
    """What a key may fail to belong to."""
    relatives: ClassVar[frozenset[str]] = frozenset()
    """Keys of other forms of the same table."""
    elsewhere: ClassVar[Mapping[str, str]] = {}
    """Keys that ask for another form of the file: what they are, and what to do about each."""


@cache
def form_of(table: type[Table], forms: tuple[type[Table], ...]) -> type[Table]:
    """A table of tables, for these forms of them. Kept: pydantic forgets it with its last reader, and to make it takes
    several times as long as to read a file by it.
    """
    return cast(type[Table], cast(Any, table)[forms])


class AirTable(Table):
    """[air]: speed of sound and density, or the weather."""

    speed_of_sound_m_per_s: Annotated[float, number(300, 400)] | None = None
    density_kg_per_m3: Annotated[float, number(0.5, 2)] | None = None
    temperature_c: Temperature | None = None
    humidity_percent: Humidity | None = None
    pressure_kpa: Barometer | None = None

    @model_validator(mode="after")
    def _consistent(self) -> AirTable:
        direct = [k for k in ("speed_of_sound_m_per_s", "density_kg_per_m3") if getattr(self, k) is not None]
        weather = [k for k in ("temperature_c", "humidity_percent", "pressure_kpa") if getattr(self, k) is not None]
        if direct and weather:
            raise fault(
                f"{direct[0]} and {weather[0]} exclude each other: give speed_of_sound_m_per_s with density_kg_per_m3,"
                " or temperature_c with humidity_percent and pressure_kpa"
            )
        if direct and self.speed_of_sound_m_per_s is None:
            raise fault(
                "speed_of_sound_m_per_s: missing beside density_kg_per_m3."
                " Add for example speed_of_sound_m_per_s = 343.2"
            )
        if weather and self.temperature_c is None:
            raise fault(f"temperature_c: missing beside {weather[0]}. Add for example temperature_c = 20")
        if weather and self.humidity_percent is None:
            raise fault("humidity_percent: missing beside temperature_c. Add for example humidity_percent = 50")
        return self

    def value(self) -> Air:
        """In SI. Pressure left out is that of the standard atmosphere, density left out that of `Air`."""
        if self.temperature_c is not None and self.humidity_percent is not None:
            from evenflare.air import STANDARD_PRESSURE, air_at

            pressure = STANDARD_PRESSURE if self.pressure_kpa is None else self.pressure_kpa * KILOPASCAL
            return air_at(self.temperature_c + CELSIUS_ZERO, self.humidity_percent * PERCENT, pressure=pressure)
        usual = Air()
        return Air(
            self.speed_of_sound_m_per_s or usual.speed_of_sound,
            self.density_kg_per_m3 or usual.density,
        )


def parsed(path: Path, *, minimal: str) -> dict[str, Any]:
    """The tables of a TOML file. InputError if it cannot be read, is broken (with the line), or empty.

    minimal : an example of the least that such a file holds, for the message.
    """
    text = read_text(path, largest=LARGEST_TOML).removeprefix("\ufeff")
    try:
        data = tables(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(_broken(path, text, str(error))) from None
    except ValueError as error:
        raise InputError(f"{path}: {error}") from None
    if not data:
        raise InputError(f"{path}: is empty. The least that it holds is, for example:\n{minimal}")
    return data


def _broken(path: Path, text: str, error: str) -> str:
    lines = text.removesuffix("\n").split("\n")
    found = re.search(r"\(at line (\d+), column \d+\)", error)
    at = min(int(found[1]), len(lines)) if found else len(lines)
    line = short(lines[at - 1].strip())
    what = short(re.sub(r" \(at .*\)$", "", error))
    remedy = "Correct that line"
    if re.search(r"=\s*\[?\s*[-+]?\d+,\d+\s*(#.*)?$", line):
        remedy = "Write decimals with a point, as in 25.4"
    elif re.search(r"=\s*[-+]?[\d.]+\s*[A-Za-z%]+\s*(#.*)?$", line):
        remedy = "Write the number alone: its unit stands in the key's name"
    elif "overwrite" in error or "already" in error or "twice" in error:
        remedy = "It is given twice: remove one"
    elif re.search(r"=\s*\[[^\]]*$", line):
        remedy = "Close the list with ]"
    elif re.search(r"=\s*[A-Za-z]", line):
        remedy = 'Put text between quotation marks, as in kind = "baffle"'
    return f"{path} line {at}: is not TOML ({what}): {line}. {remedy}"


AnyTable = TypeVar("AnyTable", bound=Table)


def checked(data: Mapping[str, Any], table: type[AnyTable], *, path: Path) -> AnyTable:
    """The data of a file as its table. InputError that lists every fault, one a line."""
    try:
        return table.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False)
    faults: dict[str, None] = {}
    for place, details in enumerate(found):
        if len(faults) == LONGEST_LIST_OF_FAULTS:
            faults[f"{path}: and {len(found) - place} more faults like these"] = None
            break
        faults[_line(path, table, details)] = None
    raise InputError("\n".join(faults))


def gathered(*parts: Callable[[], Any]) -> list[Any]:
    """What each part gives. InputError that lists the faults of all."""
    results, faults = [], []
    for part in parts:
        try:
            results.append(part())
        except InputError as error:
            faults.append(str(error))
    if faults:
        raise InputError("\n".join(faults))
    return results


def _line(path: Path, root: type[Table], details: ErrorDetails) -> str:
    """One fault as text: file, [table] key, the value received, what is allowed, the remedy."""
    names = [part for part in details["loc"] if isinstance(part, str)]
    places = [part + 1 for part in details["loc"] if isinstance(part, int)]
    table, inside = _deepest(root, names)
    keys, tables = names[len(inside) :], ".".join(inside)
    start = f"{path} [{tables}]" if tables else f"{path}"
    if not keys:
        if details["type"] == "fault":
            return f"{start} {details['ctx']['text']}"
        if details["type"] == "missing":
            return f"{start}: missing table. Add it, with {_needed(table)}"
        return f"{start}: must be a table. Write its keys on lines of their own below [{tables}]"
    key = keys[0]
    place = f", value {' of '.join(str(p) for p in reversed(places))}" if places else ""
    if details["type"] == "extra_forbidden":
        if isinstance(details["input"], dict):
            return f"{path} {_unknown_table(key, table, inside)}"
        return f"{start} {_unknown(key, details['input'], table, root, tables)}"
    if details["type"] == "missing":
        return f"{start} {key}: missing. Add for example {_example(key, table)}"
    return f"{start} {key}{place} = {shown(details['input'])}: {_wrong(key, details)}"


def _deepest(root: type[Table], names: list[str]) -> tuple[type[Table], list[str]]:
    """The innermost table that `names` lead to, and those of the names that are tables."""
    table, inside = root, list[str]()
    for name in names:
        below = _table_of(table, name)
        if below is None:
            break
        table, inside = below, [*inside, name]
    return table, inside


def _table_of(table: type[Table], key: str) -> type[Table] | None:
    field = table.model_fields.get(key)
    annotation = field.annotation if field else None
    for kind in (annotation, *get_args(annotation)):
        if isinstance(kind, type) and issubclass(kind, Table):
            return kind
    return None


def _wrong(key: str, details: ErrorDetails) -> str:
    """What is allowed, and the remedy."""
    kind, value, context = details["type"], details["input"], details.get("ctx", {})
    if kind == "fault":
        return str(context["text"])
    if kind == "not_a_number":
        remedy = "Write it without quotation marks or unit, with a decimal point"
        if context["whole"]:
            return f"must be a whole number, {context['low']:.10g} to {context['high']:.10g}. {remedy.split(',')[0]}"
        return f"must be a number, {context['low']:.10g} to {context['high']:.10g}. {remedy}"
    if kind == "outside":
        low, high = context["low"], context["high"]
        return f"must be {low:.10g} to {high:.10g}. {_remedy(key, value, low, high)}"
    if kind == "literal_error":
        allowed = str(context["expected"]).replace("'", '"')
        near = difflib.get_close_matches(str(value)[:COMPARED], re.findall(r'"(.*?)"', allowed), n=1)
        return f"must be {allowed}. {f'Did you mean {near[0]}?' if near else 'Write one of them'}"
    if kind in ("too_short", "too_long"):
        few = kind == "too_short"
        bound = context["min_length"] if few else context["max_length"]
        return f"must hold at {'least' if few else 'most'} {counted(bound, 'value')}. {'Add' if few else 'Remove'} some"
    if kind == "list_type":
        return "must be a list. Write it in square brackets, as in [1, 2]"
    if kind in ("string_type", "string_too_short", "string_too_long"):
        return 'must be text of 1 to 200 characters. Write it between quotation marks, as in "text"'
    return f"{details['msg'].lower()}. Correct it"


def _remedy(key: str, value: float, low: float, high: float) -> str:
    plain = "Raise it" if value < low else "Lower it" if value > high else "Correct it"
    near = low / NEAR < value < high * NEAR
    for end, slips in SLIPS.items():
        if not key.endswith(end):
            continue
        for unit, factor in slips:
            if low <= value * factor <= high:
                inside = unit if unit.startswith("a ") else f"in {unit}"
                if near:
                    return f"{plain}; if it is {inside}, write {value * factor:.6g}"
                return f"Is it {inside}? Then write {value * factor:.6g}"
    if key == "temperature_c" and low <= value - CELSIUS_ZERO <= high:
        return f"Is it in kelvins? Then write {value - CELSIUS_ZERO:.6g}"
    return plain


def _needed(table: type[Table]) -> str:
    """Examples of the keys that a table must have, or that stand for others of which it must have one."""
    fields = table.model_fields.items()
    return ", ".join(_example(name, table) for name, key in fields if key.is_required() or key.examples)


def _example(key: str, table: type[Table]) -> str:
    examples = table.model_fields[key].examples
    return f"{key} = {shown(examples[0])}" if examples else key


def _unknown(key: str, value: Any, table: type[Table], root: type[Table], inside: str) -> str:
    name, known = f"{spoken(key)} = {shown(value)}", list(table.model_fields)
    if key in table.relatives:
        return f"{name}: does not belong to {table.what}. Its keys are {', '.join(known)}. Remove it"
    # What its own tables know, those around it or it says itself comes before others that know a key of that name.
    near_by = _homes(key, table, inside) or _around(key, root, inside)
    homes = near_by or ([] if key in table.elsewhere else _homes(key, root, ""))
    if homes and not difflib.get_close_matches(key[:COMPARED], known, n=1, cutoff=SURELY):
        return f"{name}: unknown key here. It belongs in {' or '.join(f'[{home}]' for home in homes)}: move it there"
    if key in table.elsewhere:
        return f"{name}: {table.elsewhere[key]}"
    near = difflib.get_close_matches(key[:COMPARED], known, n=1, cutoff=0.6)
    if near:
        nearest = f"[{near[0]}]" if _table_of(table, near[0]) else near[0]
        return f"{name}: unknown key. Did you mean {nearest}?"
    return f"{name}: unknown key. Remove it; allowed are {', '.join(known)}"


def _unknown_table(key: str, table: type[Table], inside: list[str]) -> str:
    name, known = f"[{'.'.join([*inside, spoken(key)])}]", list(table.model_fields)
    near = difflib.get_close_matches(key[:COMPARED], known, n=1, cutoff=0.6)
    if near:
        nearest = f"[{'.'.join([*inside, near[0]])}]" if _table_of(table, near[0]) else near[0]
        return f"{name}: unknown table. Did you mean {nearest}?"
    return f"{name}: unknown table. Remove it; allowed are {', '.join(known)}"


def _homes(key: str, table: type[Table], inside: str) -> list[str]:
    """The tables in which a key would be known, the outer ones only."""
    found = []
    for name in table.model_fields:
        below = _table_of(table, name)
        if below is not None:
            path = f"{inside}.{name}" if inside else name
            found += [path] if key in below.model_fields else _homes(key, below, path)
    return found


def _around(key: str, root: type[Table], inside: str) -> list[str]:
    """The table in which a key would be known of those that hold the table `inside`, the innermost one."""
    names = inside.split(".")
    for depth in range(len(names) - 1, 0, -1):
        table, found = _deepest(root, names[:depth])
        if len(found) == depth and key in table.model_fields:
            return [".".join(found)]
    return []


def counted(count: int, what: str) -> str:
    """A count and its noun: 1 value, 2 values."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def spoken(key: str) -> str:
    """A key as it stands in the file, shortened: between quotation marks where it has to be."""
    return key if len(key) <= COMPARED and re.fullmatch(r"[A-Za-z0-9_-]+", key) else shown(key)


def shown(value: Any) -> str:
    """A value as it would stand in the file, shortened."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return short(f"[{', '.join(shown(v) for v in value[:6])}{', ...' if len(value) > 6 else ''}]")
    if isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=False)
        return short(text if len(text) <= 60 else f'{text[:56]}..."')
    return short(str(value))
