"""The score of a page's shape in words."""

from __future__ import annotations

from collections.abc import Sequence

from evenflare.objective import Score
from evenflare.report.waveguide.rows import FamilyResult, LimitRow
from evenflare.waveguide import PUBLISHED
from evenflare.words import spoken

NO_GAIN = 0.0005
"""dB; less is nothing with three decimals."""


def scored(score: Score | None, limits: Sequence[LimitRow], families: Sequence[FamilyResult]) -> str:
    """The score, how it stands to the families', and the limits, in words."""
    parts = []
    if score is not None:
        parts.append(f"Score {score.value:.3f} dB (weighted rms deviation from the target; 0 is the target itself).")
    scored = sorted((each.full, each.family) for each in families if each.full is not None)
    published = [each for each in scored if each[1] in PUBLISHED]
    if published:
        gain, other = published[0][0] - scored[0][0], spoken(published[0][1])
        if scored[0] is published[0]:
            parts.append(f"The best shape is of a published family, {other}.")
        elif gain < NO_GAIN:
            parts.append(f"The best published family, {other}, is as good.")
        else:
            parts.append(f"That is {gain:.3f} dB better than the best published family, {other}.")
    broken = [row.label for row in limits if not row.kept]
    if broken:
        parts.append(f"Breaks {len(broken)} of {len(limits)} limits: {', '.join(broken)}.")
    elif limits:
        parts.append("Keeps all limits.")
    return " ".join(parts)
