"""Ways in which a file goes wrong: in its values, keys, types and nesting, in its bytes, or in what kind of file it is.

Every mutation is a function of a path and a generator of random numbers, which changes the file in place and says in a
word what it did. What it does depends on nothing else.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import sqlite3
import struct
import tomllib
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from random import Random
from typing import Any

from fuzz_kinds import another_kind

Mutation = Callable[[Path, Random], str]

NUMBERS = (
    *(0, -1, 1, -0.0, 0.5, 1e-12, 1e-320, 1e6, 1e18, 1e300, -1e300, 2**31, 2**63, 2**64, 10**399, -(10**399)),
    *(float("inf"), float("-inf"), float("nan"), 89.999999, 90.0, 90.1, 180.0, 12.7, 25.4, 1000, 65536),
)
TEXTS = (
    *("", " ", "\0", "a\0b", "\x1b[31mred\x1b[0m", "\r\nforged: line", "\u202egnp.exe", "\u2066a\u2069", "\x9b2J"),
    *("caf\u00e9", "\uff08full\uff09", "$x^2$", "=1+1", "../" * 100, "/", ".", "..", "/dev/zero", "~", "x" * 300),
    *("x" * 5000, "\u4e16" * 150, "{off_axis_deg}" * 20, "{" * 400, "turn_{repeat}.wav", "x " * 3000, "%s%n", "baffle"),
    *("nan", "inf", "1,5", "0x10", "1e999", "\u0661\u0662", "true", "[]", "C:\\windows"),
    *("file\nname", "pipe", "folder"),
)
ODD = (*NUMBERS, *TEXTS, True, False, None, [], {}, [[]], [1], [1, 2, 3], {"a": 1}, [{}], [[1, 2], [3]], ["a"])
JUNK = (
    *(b"\0", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\x1b[2J", b"\r", b"\r\n", b"\n", b"\t", b'"'),
    *(b"'", b'"""', b"'''", b",", b";", b"#", b"=", b"[", b"]", b"[[", b"{", b"}", b".", b"-", b"e", b"\\", b"\x85"),
    *(b"\xe2\x80\xa8", b"1e400", b"nan", b"9" * 400, b"9" * 5000, b"a." * 300, b"[" * 2000, b"{" * 2000, b"(" * 50),
    *(b"x" * 3000, b",1" * 3000, b'"' + b"x" * 200_000, b"\n" * 3000, b" " * 5000, b"= 1979-13-45", b"_", b"0x"),
)
ENDS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 2**62, 2**64 - 1)


def value(random: Random) -> Any:
    """An odd value, now and then deep within lists or tables."""
    found = copy.deepcopy(random.choice(ODD))  # what is changed further must not come back in another mutant
    if random.random() < 0.05:
        for _ in range(random.choice((5, 30, 400, 3000))):
            found = [found] if random.random() < 0.7 else {"a": found}
    if random.random() < 0.05:
        found = [found] * random.choice((21, 1000, 30_000))
    return found


def _spot(data: Any, random: Random) -> tuple[Any, Any]:
    """A table or list inside `data`, and a key or place in it; all are as likely."""
    spots: list[tuple[Any, Any]] = []
    left = [data]
    while left:
        each = left.pop()
        if isinstance(each, dict | list):
            keys = list(each) if isinstance(each, dict) else list(range(len(each)))
            spots += [(each, key) for key in keys]
            left += [each[key] for key in keys]
    return random.choice(spots) if spots else (data, None)


def restructured(data: Any, random: Random) -> str:
    """Change tables in place: a value, a key, a type, a nesting, a length."""
    inside, key = _spot(data, random)
    if key is None:
        return "nothing"
    kind = random.randrange(8)
    if kind == 0:
        del inside[key]
        return f"removes {key}"
    if kind == 1 and isinstance(inside, dict):
        name = random.choice((str(key)[:-1], f"{key}s", str(key).upper(), *TEXTS))
        inside[name] = inside.pop(key)
        return f"renames {key}"
    if kind == 2:
        other, place = _spot(data, random)
        moved = other[place]
        with suppress(RecursionError):
            inside[key] = json.loads(json.dumps(moved, default=str))
        return f"copies to {key}"
    if kind == 3 and isinstance(inside[key], list) and inside[key]:
        inside[key] = inside[key] * random.choice((2, 3, 50))
        return f"lengthens {key}"
    if kind == 4 and isinstance(inside[key], list):
        random.shuffle(inside[key])
        return f"shuffles {key}"
    if kind == 5 and isinstance(inside[key], int | float) and not isinstance(inside[key], bool):
        inside[key] = inside[key] * random.choice((-1, 0, 1e-3, 0.1, 0.999, 1.001, 2, 10, 25.4, 1e3))
        return f"scales {key}"
    if kind == 6 and isinstance(inside, dict):
        inside[random.choice(TEXTS) or "a"] = value(random)
        return "adds a key"
    inside[key] = value(random)
    return f"replaces {key}"


def toml(data: dict[str, Any]) -> str:
    """Tables as TOML, whatever they hold: what has no place in it stands as it is written in Python."""
    return "".join(f"{_quoted(key)} = {_inline(each)}\n" for key, each in data.items())


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # JSON escapes as TOML does


def _inline(each: Any) -> str:
    if isinstance(each, bool):
        return str(each).lower()
    if isinstance(each, str):
        return _quoted(each)
    if isinstance(each, list):
        return f"[{', '.join(map(_inline, each))}]"
    if isinstance(each, dict):
        return f"{{{', '.join(f'{_quoted(key)} = {_inline(one)}' for key, one in each.items())}}}"
    return "" if each is None else str(each)


FURTHER = {str, list, dict}
"""What of a table's values has a length of its own."""


def several(data: Any, random: Random) -> str:
    """One change of tables, or a few; TooLargeError if they multiply each other."""
    done = []
    for _ in range(random.choice((1, 1, 1, 2, 4))):
        done.append(restructured(data, random))
        left, counted = [data], 0
        while left:
            each = left.pop()
            counted += len(each) if isinstance(each, str) else 10
            if counted + 10 * len(left) > LARGEST:
                raise TooLargeError
            if isinstance(each, dict | list):
                values = each.values() if isinstance(each, dict) else each
                further = [one for one in values if type(one) in FURTHER]
                counted += 10 * (len(each) - len(further))
                left += further
        if counted > LARGEST:
            raise TooLargeError
    return ", ".join(done)


class TooLargeError(Exception):
    """A mutant that takes longer to be written than any reader may take."""


def toml_values(path: Path, random: Random) -> str:
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    done = several(data, random)
    with suppress(RecursionError):
        path.write_text(toml(data), encoding="utf-8", errors="surrogatepass")
    return done


def json_values(path: Path, random: Random) -> str:
    data = json.loads(path.read_text(encoding="utf-8"))
    done = several(data, random)
    with suppress(RecursionError):
        text = json.dumps(data, indent=random.choice((None, 1)))
        path.write_text(text.replace("caf\\u00e9", "caf\\ud800"), encoding="utf-8")
    return done


def csv_values(path: Path, random: Random) -> str:
    text = path.read_text(encoding="utf-8")
    mark = "\t" if "\t" in text else ","
    rows = list(csv.reader(io.StringIO(text), delimiter=mark))
    kind = random.randrange(7)
    row = random.randrange(len(rows))
    if kind == 0:
        rows.insert(random.randrange(len(rows) + 1), rows[row])
    elif kind == 1:
        rows[row] = rows[row] + [str(random.choice(ODD))] * random.choice((1, 1, 40))
    elif kind == 2:
        column = random.randrange(max(map(len, rows)))
        rows = [[each for i, each in enumerate(fields) if i != column] for fields in rows]
    elif kind == 3:
        rows = rows[:1] + rows[1:] * random.choice((2, 40, 400))
    elif kind == 4:
        random.shuffle(rows)
    elif rows[row]:
        rows[row][random.randrange(len(rows[row]))] = str(random.choice(ODD))
    marks = (";", "\t", " ", "|", ",") if kind == 5 else (mark,)
    text = "\n".join(random.choice(marks).join(fields) for fields in rows)
    path.write_text(text + "\n", encoding="utf-8", errors="surrogatepass")
    return "rewrites the rows"


def text_lines(path: Path, random: Random) -> str:
    """Lines removed, doubled, swapped, joined; other line ends; another encoding."""
    lines = path.read_bytes().split(b"\n")
    place, kind = random.randrange(len(lines)), random.randrange(10)
    if kind == 0:
        del lines[place]
    elif kind == 1:
        lines.insert(place, lines[random.randrange(len(lines))])
    elif kind == 2:
        other = random.randrange(len(lines))
        lines[place], lines[other] = lines[other], lines[place]
    elif kind == 3:
        lines[place] = lines[place][: random.randrange(len(lines[place]) + 1)]
    elif kind == 4:
        lines[place] = lines[place] + random.choice(JUNK)
    elif kind == 5:
        lines[place] = lines[place].replace(b" ", b"").replace(b".", b",")
    if kind in (6, 7):
        end = random.choice((b"\r\n", b"\r", b"\r\r\n", b"\n\r", b"\x0b", b"\x85", b"\0"))
        if kind == 7:
            lines[place] = lines[place].replace(b"=", b"", 1).replace(b",", b"", 1)
        path.write_bytes(end.join(lines))
        return f"ends lines with {end!r}"
    whole = b"\n".join(lines)
    if kind == 8:
        name = random.choice(("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "utf-7"))
        path.write_bytes(whole.decode("utf-8", "replace").encode(name))
        return f"is {name}"
    if kind == 9:
        path.write_bytes(whole * random.choice((2, 20)))
        return "stands there several times"
    path.write_bytes(whole)
    return f"changes line {place + 1}"


def junk(path: Path, random: Random) -> str:
    """Bytes put in, taken out, turned, or cut off anywhere."""
    whole = bytearray(path.read_bytes())
    for _ in range(random.choice((1, 1, 2, 5, 30))):
        place = random.randrange(len(whole) + 1)
        kind = random.randrange(5)
        if kind == 0:
            whole[place:place] = random.choice(JUNK)
        elif kind == 1:
            del whole[place : place + random.choice((1, 3, 50))]
        elif kind == 2 and whole:
            whole[min(place, len(whole) - 1)] = random.randrange(256)
        elif kind == 3:
            whole[place : place + 1] = random.choice(JUNK)
        elif random.random() < 0.3:
            del whole[place:]
    path.write_bytes(bytes(whole))
    return "puts junk in"


def fields(path: Path, random: Random) -> str:
    """Binary numbers set to their ends, at even places, mostly near the beginning."""
    whole = bytearray(path.read_bytes())
    for _ in range(random.choice((1, 1, 2, 6))):
        width = random.choice((1, 2, 4, 8))
        end = len(whole) if random.random() < 0.4 else min(len(whole), 600)
        place = random.randrange(max(end - width, 1)) // 2 * 2
        number = random.choice(ENDS) % 2 ** (8 * width)
        whole[place : place + width] = number.to_bytes(width, random.choice(("little", "big")))
    path.write_bytes(bytes(whole))
    return "sets a field"


def sqlite_cells(path: Path, random: Random) -> str:
    """A cell, a row or the schema of a database changed by its own language."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        table = random.choice([name for name in names if not name.startswith("sqlite_")])
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        column, kind = random.choice(columns), random.randrange(10)
        new = random.choice(ODD)
        if isinstance(new, list | dict):
            new = json.dumps(new)
        if isinstance(new, int) and not -(2**63) <= new < 2**63:
            new = str(new)
        texts = ("[" * 3000, "9" * 400, '{"a": 1e999}', "[null]", '{"values": 3}', b"\xff\xfe", "{}", "[]", '"a"', 3)
        with suppress(sqlite3.Error):
            if kind < 5:
                set_to = new if kind < 3 else random.choice(texts)
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = 1 + abs(random() % 2)", [set_to])
            elif kind == 5:
                connection.execute(f"ALTER TABLE {table} RENAME COLUMN {column} TO other")
            elif kind == 6:
                connection.execute(f"ALTER TABLE {table} RENAME TO other")
                endless = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT"
                some = ", ".join(f"x AS {name}" for name in columns)
                connection.execute(f"CREATE VIEW {table} AS {endless} {some} FROM c")
            elif kind == 7:
                connection.execute(f"CREATE TRIGGER t AFTER INSERT ON {table} BEGIN DELETE FROM {table}; END")
            elif kind == 8:
                connection.execute(f"DELETE FROM {table}")
            else:
                connection.execute(f"PRAGMA application_id = {random.randrange(2**31)}")
    return f"changes {table}.{column}"


def sofa_parts(path: Path, random: Random) -> str:
    """An attribute or a variable of an AES69 file changed by the format's own library."""
    import netCDF4
    import numpy as np

    kind = random.randrange(7)
    with suppress(RuntimeError), netCDF4.Dataset(str(path), "a") as file:
        if kind < 3:
            name = random.choice(file.ncattrs())
            new = value(random)
            file.setncattr(name, json.dumps(new) if isinstance(new, dict | list | None) else str(new)[:9000])
            return f"sets {name}"
        if kind == 3:
            name = random.choice(file.ncattrs())
            file.delncattr(name)
            return f"removes {name}"
        name = random.choice(list(file.variables))
        if kind == 4 and file[name].dtype.kind == "f" and file[name].size:
            cells = np.array(file[name][:], dtype=float)
            cells.flat[random.randrange(cells.size)] = random.choice([n for n in NUMBERS if abs(n) < 1e308 or n != n])
            file[name][:] = cells
            return f"changes {name}"
        if kind == 5:
            file.renameVariable(name, random.choice(("Other", "Data.IR", "N", "ReceiverPosition", "SourceView")))
            return f"renames {name}"
        size = random.choice((3, 1000, 10**5, 10**7))
        file.createDimension("huge", size)
        kinds = random.choice(("f8", "i1", "S1", str))
        name = random.choice(("Data.Extra", "EmitterUp", "SourceView2"))
        file.createVariable(name, kinds, ("huge", "R"), zlib=kinds is not str)
        return f"claims {size}"
    return "tries a change"


def wav_header(path: Path, random: Random) -> str:
    """One field of a WAV header."""
    whole = bytearray(path.read_bytes())
    at, form = random.choice(
        ((4, "<I"), (16, "<I"), (20, "<H"), (22, "<H"), (24, "<I"), (28, "<I"), (32, "<H"), (34, "<H"), (40, "<I"))
    )
    struct.pack_into(form, whole, at, random.choice(ENDS) % 2 ** (8 * struct.calcsize(form)))
    path.write_bytes(bytes(whole))
    return f"sets the header's field at {at}"


BY_ENDING: dict[str, tuple[Mutation, ...]] = {
    ".toml": (toml_values, toml_values, toml_values, toml_values, text_lines, junk),
    ".json": (json_values, json_values, json_values, text_lines, junk),
    ".csv": (csv_values, csv_values, csv_values, text_lines, junk),
    ".stl": (csv_values, csv_values, text_lines, fields, junk),
    ".ply": (csv_values, csv_values, text_lines, fields, junk),
    ".txt": (csv_values, csv_values, text_lines, junk),
    ".wav": (wav_header, wav_header, fields, junk),
    ".sofa": (sofa_parts, sofa_parts, fields, junk),
    ".sqlite": (sqlite_cells, sqlite_cells, sqlite_cells, fields, junk),
}
LARGEST = 1_500_000
"""Characters of a mutant's tables, about."""
RARELY = 0.04
"""The share of files that become something else than a file in order."""


def mutate(path: Path, random: Random) -> str:
    """Change a file by one of the ways of its format; what was done, in words."""
    if random.random() < RARELY:
        return another_kind(path, random)
    ways = BY_ENDING[path.suffix]
    if path.suffix in {".stl", ".ply"} and b"\0" in path.read_bytes():  # either is text or binary
        ways = (fields, fields, junk)
    mutation = random.choice(ways)
    with suppress(TooLargeError, OverflowError):
        return f"{mutation.__name__}: {mutation(path, random)}"
    return "stays as it is"
