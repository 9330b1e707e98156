"""What a command leaves to its caller: what it found, in words, and the files that hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

Written = list[tuple[str, str]]
"""Files by name, and what each is for."""


@dataclass(frozen=True)
class Findings:
    """What was found, in words, and the files that hold it; warnings besides."""

    lines: Sequence[str]
    files: Written
    warnings: Sequence[str] = ()
