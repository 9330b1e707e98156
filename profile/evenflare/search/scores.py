"""What the candidates of a run got, as arrays: for pictures of a run of any size, also while it runs."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare import database
from evenflare.search.stages import STAGES
from evenflare.search.store import candidate_rows
from evenflare.units import FloatArray, IntArray


@dataclass(frozen=True)
class Scores:
    """Every finished candidate of a run, in order of number, then stage; (N,) each.

    stage, family : as indices into `STAGES` and `families`.
    score         : dB, nan where there is none, or limits are broken.
    x, y          : two terms or parameters that were asked for, nan where a candidate has none.
    """

    number: IntArray
    stage: IntArray
    family: IntArray
    families: tuple[str, ...]
    score: FloatArray
    x: FloatArray
    y: FloatArray


def scores(folder: Path, names: tuple[str, str] = ("", "")) -> Scores:
    """What the candidates of a run got, also while it runs; of 100,000 in half a second and 30 MB.

    names : of two terms (`index_db`), parameters (`depth_mm`), or `score`, to be read as x and y; empty for none.
    Errors: InputError if the folder holds no run, or its file is damaged.
    """
    columns = "number, stage, family, score, feasible"
    for name in names:
        if name == "score" or not name:
            columns += ", score"
        else:
            key = f"$.{json.dumps(name)}".replace("'", "''")
            columns += f", coalesce(json_extract(terms, '{key}'), json_extract(parameters, '{key}'))"
    rows = [row for row in candidate_rows(folder, columns) if row[1] in STAGES]
    rows.sort(key=lambda row: (row[0], STAGES.index(row[1])))
    families = tuple(dict.fromkeys(str(row[2]) for row in rows))

    def numbers(place: int) -> FloatArray:
        return np.array([row[place] if isinstance(row[place], float | int) else np.nan for row in rows], dtype=float)

    feasible = np.array([bool(row[4]) for row in rows], dtype=bool)
    return Scores(
        number=np.array([int(row[0]) for row in rows], dtype=np.int64),
        stage=np.array([STAGES.index(row[1]) for row in rows], dtype=np.int64),
        family=np.array([families.index(str(row[2])) for row in rows], dtype=np.int64),
        families=families,
        score=np.where(feasible, numbers(3), np.nan),
        x=numbers(5),
        y=numbers(6),
    )


def quantities(folder: Path) -> tuple[str, ...]:
    """The names of what candidates have, in their order: score, terms, parameters; of the first of each family.

    Errors: InputError as `scores`.
    """
    found: dict[str, None] = {"score": None}
    for terms, parameters in candidate_rows(folder, "terms, parameters", only="WHERE feasible = 1 GROUP BY family"):
        for text in (terms, parameters):
            found |= dict.fromkeys(database.numbers_by_name(text))
    return tuple(found)
