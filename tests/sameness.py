"""When two values that went through a file are one."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

LAST_DIGIT = 1e-12  # a number in mm or degrees times its factor may miss the SI value by its last binary digit


def same(found, wanted):
    """Equal, numbers to their last digit."""
    if isinstance(wanted, float):
        return found == pytest.approx(wanted, rel=LAST_DIGIT, abs=1e-15)
    if isinstance(wanted, tuple):
        return len(found) == len(wanted) and all(map(same, found, wanted))
    if isinstance(wanted, np.ndarray):
        return np.array_equal(found, wanted)
    if hasattr(wanted, "__dataclass_fields__"):
        names = [each.name for each in fields(wanted)]
        return type(found) is type(wanted) and all(same(getattr(found, n), getattr(wanted, n)) for n in names)
    return found == wanted
