"""Cosine and sine of a phase, compiled to code that works on several at once."""

from __future__ import annotations

import math

from evenflare.compiled import njit

# Taylor coefficients in x^2, good to 1e-14 for |x| <= pi/2: numba calls the slow scalar functions of the C library,
# and this it turns into vector code.
_SINE = tuple((-1) ** n / math.factorial(2 * n + 1) for n in range(10))
_COSINE = tuple((-1) ** n / math.factorial(2 * n) for n in range(11))
_S0, _S1, _S2, _S3, _S4, _S5, _S6, _S7, _S8, _S9 = _SINE
_C0, _C1, _C2, _C3, _C4, _C5, _C6, _C7, _C8, _C9, _C10 = _COSINE
_PER_TURN = 1.0 / math.pi


@njit(cache=True, nogil=True, inline="always", fastmath=True)  # type: ignore[untyped-decorator]
def cosine_sine(x: float) -> tuple[float, float]:
    """Cosine and sine of 0 <= x < 1e4, right to about 1e-13."""
    half_turns = math.floor(x * _PER_TURN + 0.5)
    rest = x - half_turns * math.pi
    sign = 1.0 - 2.0 * (half_turns - 2.0 * math.floor(0.5 * half_turns))
    y = rest * rest
    sine = _S5 + y * (_S6 + y * (_S7 + y * (_S8 + y * _S9)))
    sine = _S0 + y * (_S1 + y * (_S2 + y * (_S3 + y * (_S4 + y * sine))))
    cosine = _C5 + y * (_C6 + y * (_C7 + y * (_C8 + y * (_C9 + y * _C10))))
    cosine = _C0 + y * (_C1 + y * (_C2 + y * (_C3 + y * (_C4 + y * cosine))))
    return sign * cosine, sign * rest * sine
