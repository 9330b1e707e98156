"""What makes a run the one it is, and whether a folder's run is the one that is asked for now.

A run is a question, a seed, and the rules by which candidates are asked for and judged. How many are asked for is no
part of it, nor how the target's file words the question.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from evenflare import __version__
from evenflare.files import InputError, short
from evenflare.parsing import json_value
from evenflare.search.starts import Start, starts_question
from evenflare.target.meaning import changes, meaning
from evenflare.target.target import Target

RULES = 4
"""Of what is asked next. Raise it when the same target and seed no longer ask for the same candidates."""
EARLIER = (
    "one begun by an earlier evenflare, which asked for candidates in another order (it can be read, not continued)"
)
BESIDE = ("cma", "comocma", "numpy")
"""Libraries whose versions may change what is asked next; whether they do shows as the folder is read back."""
MOST_CHANGES = 6
"""Keys that a refusal names."""
LONGEST_VALUE = 60
"""Characters of a value in it."""


@dataclass(frozen=True)
class Identity:
    """What a run is made of.

    text     : of the target's file as the run began, and `question` what that means.
    versions : of evenflare and of the libraries BESIDE, by name.
    """

    text: str
    seed: int
    question: Mapping[str, str]
    versions: Mapping[str, str]

    @property
    def kept(self) -> dict[str, str]:
        """As the store keeps it."""
        return {
            "target": self.text,
            "question": json.dumps(dict(self.question), ensure_ascii=False),
            "rules": str(RULES),
            "seed": str(self.seed),
            "version": ", ".join(f"{name} {number}" for name, number in self.versions.items()),
        }

    def check(self, folder: Path, kept: Mapping[str, str]) -> None:
        """InputError, which says what changed from what to what, where the folder's run is another one."""
        if not kept:
            return
        there = _question(kept.get("question", "{}"))
        if kept.get("rules", "1") != str(RULES):
            changed = [EARLIER]
        elif there is None:
            changed = ["the target, whose question there cannot be read"]
        else:
            changed = [_changed(*each) for each in changes(there, self.question)]
        if kept.get("seed") != str(self.seed):
            changed.append(_changed("seed", kept.get("seed"), str(self.seed)))
        theirs = _versions(kept)
        if theirs.get("evenflare") != self.versions["evenflare"]:
            changed.append(_changed("version of evenflare", theirs.get("evenflare"), self.versions["evenflare"]))
        if not changed:
            return
        more = f"; and {len(changed) - MOST_CHANGES} more" if len(changed) > MOST_CHANGES else ""
        raise InputError(
            f"{folder}: holds another search: {'; '.join(changed[:MOST_CHANGES])}{more}. Choose another --out folder,"
            f" and begin at what was found here with --from {short(str(folder))}; or go back to what that search asked"
            " for, to continue it"
        )

    def doubts(self, kept: Mapping[str, str]) -> list[str]:
        """What else is not as it was when the run began, in words: it continues unless that shows."""
        theirs = _versions(kept)
        return [
            f"{name} is {self.versions[name]} here and was {theirs[name]} when this search began: should it ask for"
            " other candidates, the search ends and says so"
            for name in BESIDE
            if name in theirs and theirs[name] != self.versions[name]
        ]


def identity(target: Target, *, text: str, seed: int, starts: Sequence[Start] = ()) -> Identity:
    """Of what is asked for now. text : of the target's file."""
    versions = {"evenflare": __version__} | {name: version(name) for name in BESIDE}
    return Identity(text, seed, {**meaning(target), **starts_question(starts)}, versions)


def _versions(kept: Mapping[str, str]) -> dict[str, str]:
    return dict(each.split(" ", 1) for each in kept.get("version", "").split(", ") if " " in each)


def _changed(key: str, there: str | None, now: str | None) -> str:
    """In words: what stands there and what now, the differing part of long lists."""

    def said(value: str | None) -> str:
        return "left out" if value is None else f"= {short(value, LONGEST_VALUE)}"

    if there is not None and now is not None and max(len(there), len(now)) > LONGEST_VALUE:
        at = next((i for i, (a, b) in enumerate(_pairs(there, now)) if a != b), None)
        if at is not None:
            a, b = list(_pairs(there, now))[at]
            return f"value {at + 1} of {key} is {short(json.dumps(a), 30)} there, {short(json.dumps(b), 30)} now"
    return f"{key} {said(there)} there, {said(now).removeprefix('= ')} now"


def _pairs(there: str, now: str) -> list[tuple[Any, Any]]:
    """Of two lists that are as long; of anything else none."""
    a, b = json_value(there), json_value(now)
    alike = isinstance(a, list) and isinstance(b, list) and len(a) == len(b)
    return list(zip(a, b, strict=True)) if alike else []


def _question(text: str) -> dict[str, str] | None:
    try:
        found = json_value(text)
    except ValueError:
        return None
    if isinstance(found, dict) and all(isinstance(each, str) for each in found.values()):
        return found
    return None
