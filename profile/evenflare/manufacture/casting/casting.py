"""What metal does as it is cast: contraction, tolerances, machining allowance. Tables hint, the foundry decides."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from evenflare.files import InputError
from evenflare.manufacture.process.types import Casting
from evenflare.units import MILLIMETRE


@dataclass(frozen=True)
class Hint:
    """Linear contraction of an alloy as others state it, a share; low to high."""

    alloy: str
    low: float
    high: float
    source: str


_RULES = "pattern makers' rules of the old American practice, from Dooley, Applied Science for Metal Workers, ch. XXXI"
_SUMMARY = "a summary of a foundry textbook's table, read at second hand"
HINTS = (
    Hint("grey iron", 3 / 384, 3 / 384, _RULES),
    Hint("bronze", 5 / 384, 5 / 384, _RULES),
    Hint("brass", 6 / 384, 7 / 384, _RULES),
    Hint("aluminium", 7 / 384, 7 / 384, _RULES),
    Hint("grey iron", 0.0055, 0.0100, _SUMMARY),
    Hint("bronze", 0.0105, 0.0210, _SUMMARY),
    Hint("brass", 0.0130, 0.0155, _SUMMARY),
    Hint("aluminium", 0.0130, 0.0160, _SUMMARY),
)
"""Inches of 32nds per foot are shares of 384. They differ by up to twice for one alloy, and shapes held by a core
contract less: none of them is taken, contraction is always given.
"""

_OVER_TO = (10.0, 16.0, 25.0, 40.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0)
"""mm, the upper ends of ranges of nominal size."""
_DCTG = {
    6: (0.52, 0.54, 0.58, 0.64, 0.7, 0.78, 0.88, 1.0, 1.1, 1.2),
    7: (0.74, 0.78, 0.82, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8),
    8: (1.0, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2.0, 2.2, 2.6),
    9: (1.5, 1.6, 1.7, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.6),
    10: (2.0, 2.2, 2.4, 2.6, 2.8, 3.2, 3.6, 4.0, 4.4, 5.0),
    11: (2.8, 3.0, 3.2, 3.6, 4.0, 4.4, 5.0, 5.6, 6.2, 7.0),
    12: (4.2, 4.4, 4.6, 5.0, 5.6, 6.0, 7.0, 8.0, 9.0, 10.0),
    13: (6.0, 6.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 14.0),
    14: (8.0, 8.0, 8.0, 9.0, 10.0, 11.0, 12.0, 14.0, 16.0, 18.0),
    15: (10.0, 10.0, 10.0, 11.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0),
}
"""mm, total. Grades 13 to 15 are stated from 16 mm; below it the first value stated holds here."""
READ_TO = {grade: 400.0 if grade > 13 else 630.0 for grade in _DCTG}
"""mm, up to which the tolerances of a grade were read in a public table; beyond they are from memory."""
_RMAG_TO = (40.0, 63.0, 100.0, 160.0, 250.0, 400.0)
_RMAG = {
    "A": (0.1, 0.1, 0.2, 0.3, 0.3, 0.4),
    "B": (0.1, 0.2, 0.3, 0.4, 0.5, 0.7),
    "C": (0.2, 0.3, 0.4, 0.5, 0.7, 0.9),
    "D": (0.3, 0.3, 0.5, 0.8, 1.0, 1.3),
    "E": (0.4, 0.4, 0.7, 1.1, 1.4, 1.8),
    "F": (0.5, 0.5, 1.0, 1.5, 2.0, 2.5),
    "G": (0.5, 0.7, 1.4, 2.2, 2.8, 3.5),
    "H": (0.7, 1.0, 2.0, 3.0, 4.0, 5.0),
    "J": (1.0, 1.4, 2.8, 4.0, 5.5, 7.0),
    "K": (1.4, 2.0, 4.0, 6.0, 8.0, 10.0),
}


def pattern_factor(casting: Casting) -> float:
    """Pattern over casting: 1 + s where the contraction s counts of the casting, 1 / (1 - s) where of the pattern.

    Source: Dooley, Applied Science for Metal Workers, ch. XXXI: rules lengthen the casting's measure, 1 + s.
    """
    if casting.contraction_of == "casting":
        return 1.0 + casting.contraction
    return 1.0 / (1.0 - casting.contraction)


def tolerance(nominal: float, grade: int) -> float:
    """m, the total width of the tolerance of a cast length (m): half of it either way.

    Errors : InputError for a grade other than 6 to 15, or a length above 630 mm.
    Source : ISO 8062-3:2023, dimensional casting tolerance grades (DCTG). Values as public copies of Table 2 of its
             first edition (2007) print them, not compared with the second edition's own; of 400 to 630 mm those of
             grades 14 and 15, and that half of it lies either way, from memory.
    """
    if grade not in _DCTG:
        raise InputError(f"[casting] grade = {grade}: must be {min(_DCTG)} to {max(_DCTG)} (DCTG of ISO 8062-3)")
    size = nominal / MILLIMETRE
    if size <= _OVER_TO[-1]:
        return _DCTG[grade][bisect_left(_OVER_TO, size)] * MILLIMETRE
    raise InputError(
        f"[casting] grade = {grade}: its tolerances are known up to {_OVER_TO[-1]:g} mm, not for {size:.4g} mm. Make"
        " the part smaller, or agree on it with the foundry"
    )


def required_allowance(largest: float, grade: str) -> float:
    """m of metal to take off each machined face of a casting whose largest size is `largest` (m).

    Errors : InputError for a grade other than A to K (there is no I), or a size above 400 mm.
    Source : ISO 8062-3:2023, required machining allowance grades (RMAG); values from memory: verify with the foundry.
    """
    if grade not in _RMAG:
        raise InputError(f'[casting] allowance_grade = "{grade}": must be one of {", ".join(_RMAG)} (RMAG)')
    size = largest / MILLIMETRE
    if size <= _RMAG_TO[-1]:
        return _RMAG[grade][bisect_left(_RMAG_TO, size)] * MILLIMETRE
    raise InputError(
        f'[casting] allowance_grade = "{grade}": its allowances are known up to {_RMAG_TO[-1]:g} mm, not for'
        f" {size:.4g} mm. Write machining_allowance_mm instead"
    )


def face_allowance(casting: Casting, *, largest: float, height: float) -> float:
    """m, by which each machined face stands off its finished place on the casting.

    A given machining_allowance is taken as it is. By grade it is the required allowance and a quarter of the tolerance
    of the casting's height: between two such faces the raw length is R = F + 2 RMA + tolerance / 2, so that the
    required allowance is there on the smallest casting too.
    largest, height : m, of the finished part.
    Source          : ISO 8062:1994, from memory.
    """
    if casting.machining_allowance is not None:
        return casting.machining_allowance
    if casting.allowance_grade is None:
        raise InputError("[casting] machining_allowance_mm, allowance_grade: give one")
    return required_allowance(largest, casting.allowance_grade) + 0.25 * tolerance(height, casting.grade)


CAUTIONS = (
    "caution: leave melting and pouring to a licensed foundry. Molten metal burns; water on or under it explodes:"
    " everything must be dry.",
    "caution: fume of copper and zinc harms, lead in leaded bronze or brass poisons: ask for a lead-free alloy, with a"
    " certificate. Silica dust of dry sand, grinding and fettling harms lungs: extract it, wear a mask.",
    "caution: agree on contraction, allowance, grades, parting, cores and draft with the foundry before the pattern is"
    " made: this sheet states what was assumed. Measure a first casting before more are poured.",
    "caution: local codes and trained people come before this file.",
)


def hints_for(alloy: str) -> tuple[Hint, ...]:
    """What others state about an alloy, by a word of its name."""
    return tuple(hint for hint in HINTS if hint.alloy.lower() in alloy.lower())
