"""A target file, with the files that it names, copied into a run's folder: what the run needs when all else is gone."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from pathlib import Path
from typing import Any, get_args

from evenflare.files import InputError, is_file, is_folder, read_bytes, read_text, replacing, short, write_text
from evenflare.names import FileName
from evenflare.room.room_file import table_names
from evenflare.schema import Table
from evenflare.target.tables import target_table
from evenflare.text import from_path

COPY = Path("target", "target.toml")
"""In a run's folder; what it names lies in a folder beside it."""
BESIDE = "files"


def copy_target(path: Path, run: Path) -> None:
    """Copy a target file that is in order into a run's folder, its paths changed to the copies'. InputError as `files`.

    A copy that is there is replaced.
    """
    import tomlkit

    document = tomlkit.parse(read_text(path).removeprefix("\ufeff"))
    copy, named = run / COPY, dict[str, str]()
    for table, key in _paths(document, target_table()):
        several = isinstance(table[key], list)
        for place, each in enumerate(table[key] if several else [table[key]]):
            given = str(each)
            if not (is_file(path.parent / given) or is_folder(path.parent / given)):  # a process that comes along
                continue
            if given not in named:
                own = Path(given).name
                taken = {Path(each).name for each in named.values()}
                named[given] = f"{BESIDE}/{own if own not in taken else f'{len(taken)}_{own}'}"
                _copy(path.parent / given, copy.parent / named[given])
            if several:
                table[key][place] = named[given]
            else:
                table[key] = named[given]
    # A target without a name is called what its file is.
    first = "" if "name" in document else f"name = {tomlkit.item(from_path(path.stem)).as_string()}\n"
    write_text(copy, first + tomlkit.dumps(document))


def _copy(source: Path, copy: Path) -> None:
    """A file, or the room files of a folder, under other names."""
    for name in table_names(source) if is_folder(source) else [""]:
        content = read_bytes(source / name)
        with replacing(copy / name) as temporary:
            temporary.write_bytes(content)


def copied_target(run: Path) -> Path:
    """The target file in a run's folder. InputError if there is none."""
    if not is_file(run / COPY):
        raise InputError(
            f"{short(str(run))}: holds no copy of its target ({COPY} is missing). Name the folder given to --out, or"
            " the run's target file with --target"
        )
    return run / COPY


def _paths(data: Any, table: type[Table]) -> Iterator[tuple[MutableMapping[str, Any], str]]:
    """Where a file's data name other files: the table that does, and its key."""
    for key, field in table.model_fields.items():
        if not isinstance(data, MutableMapping) or key not in data:
            continue
        kinds = (field.annotation, *get_args(field.annotation))
        if FileName in kinds or any(each in field.metadata for each in get_args(FileName)):
            yield data, key
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, Table):
                yield from _paths(data[key], kind)
