"""Green's function of free space integrated round a ring, and its derivative along the normal of the ring's surface.

With R the distance from a point (z, r) at azimuth 0 to the points of a ring of radius r' about the axis,

    G = exp(-j k R) / (4 pi R),     integrals over the azimuth a from 0 to 2 pi, times cos(m a)

for sound that goes as the cosine of m times the azimuth.

The first two even terms in R, 1/R and -k^2 R/2 (of the derivative, its 1/R^3 and k^2/(2 R)), hold all that is singular
or bends sharply where the point nears the ring; they do not depend on frequency but for the factor k^2, and their
integrals are complete elliptic. What remains is smooth on the scale of a wavelength and summed over Gauss points.
Source: Abramowitz & Stegun (1964), 17.3 and 17.6, for the elliptic integrals, and 8.5.3 with 8.13 for those of higher
order; the split was worked out here.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import roots_legendre

from evenflare.compiled import njit
from evenflare.exterior.phase import cosine_sine
from evenflare.units import FloatArray, IntArray, read_only

FOUR_PI = 4.0 * math.pi
SMALLEST_PHASE = 1e-3
"""rad; below it the smooth remainder is taken at this phase: its value there is lost in rounding no more than here."""
COUNTS = (6, 8, 12, 16, 20, 24, 28, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384, 448, 512)
"""Gauss points over half a ring from which the remainder's sum is chosen."""
BASE_COUNT = 9.0
COUNT_PER_PHASE = 0.46
"""Gauss points per rad by which the phase differs round a ring: beyond pi / 8, their limit where the distance goes as
the cosine of the azimuth.
"""

LARGEST_PHASE = (COUNTS[-1] - BASE_COUNT - 1.0) / COUNT_PER_PHASE
"""rad; the most by which the phase may differ round a ring."""


LARGEST_ORDER = 8
"""m, for which weights are kept."""
STEEP = 1.5
"""Of the mean square of the distances round a ring over half the range of their squares: beyond, the recurrence in m
loses digits, and"""
EVEN_COUNT = 16
"""points over half a ring are enough: what is left out goes as 0.38 to the power 2 EVEN_COUNT - m."""


def _azimuth_rules() -> tuple[IntArray, FloatArray, FloatArray]:
    """Where each rule begins, its 1 - cos(azimuth), and for every order its weights over [0, 2 pi] (each point counts
    for two), times the cosine. The rules are scipy's: numpy's take eigenvalues of full matrices, a second a start.
    """
    rules = [roots_legendre(count) for count in COUNTS]
    start = np.concatenate([[0], np.cumsum(COUNTS)])
    azimuth = np.concatenate([0.5 * np.pi * (nodes + 1.0) for nodes, _ in rules])
    weights = np.concatenate([np.pi * weights for _, weights in rules])
    turned = weights * np.cos(np.arange(LARGEST_ORDER + 1)[:, None] * azimuth)
    return read_only(start, np.int64), read_only(2.0 * np.sin(0.5 * azimuth) ** 2), read_only(turned)


RULE_START, RULE_VERSINE, RULE_WEIGHT = _azimuth_rules()
RULE_OF_COUNT = read_only(np.searchsorted(COUNTS, np.arange(COUNTS[-1] + 1)), np.int64)
"""The rule of at least so many points."""


@njit(cache=True, nogil=True, forceinline=True, fastmath=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _halved(a: float, b: float, power: float) -> tuple[float, float, float]:
    """The arithmetic and the geometric mean, and a power of two times the square of half the difference."""
    half = 0.5 * (a - b)
    return a - half, math.sqrt(a * b), power * half * half


@njit(cache=True, nogil=True, forceinline=True, fastmath=True, error_model="numpy")  # type: ignore[untyped-decorator]
def complete_elliptic(complement: float) -> tuple[float, float]:
    """K and E at the complementary modulus (0 < complement <= 1), by the arithmetic-geometric mean: eight steps, beyond
    which nothing changes from 1e-30 on, written out so that several rings are worked on at once.
    """
    a, b, one = _halved(1.0, complement, 1.0)
    a, b, two = _halved(a, b, 2.0)
    a, b, three = _halved(a, b, 4.0)
    a, b, four = _halved(a, b, 8.0)
    a, b, five = _halved(a, b, 16.0)
    a, b, six = _halved(a, b, 32.0)
    a, b, seven = _halved(a, b, 64.0)
    a, b, eight = _halved(a, b, 128.0)
    first = math.pi / (a + b)
    squares = one + two + three + four + five + six + seven + eight
    return first, first * (1.0 - 0.5 * (1.0 - complement * complement) - squares)


@njit(cache=True, nogil=True, forceinline=True, fastmath=True, error_model="numpy")  # type: ignore[untyped-decorator]
def still(
    dz: float, dr: float, r: float, ring_r: float, normal_z: float, normal_r: float, order: int
) -> tuple[float, float, float, float]:
    """The parts that do not depend on frequency, per unit of arc and radius of the ring: of G those of k^0 and k^2,
    and of its derivative along the ring's normal likewise.

    dz, dr    : from the point to the ring, not both 0: of close ones they are known to more digits than their places.
    r, ring_r : of the point, >= 0, and of the ring, > 0.
    """
    near2 = dz * dz + dr * dr
    sum_r = ring_r + r
    far2 = dz * dz + sum_r * sum_r
    far = math.sqrt(far2)
    first, second = complete_elliptic(math.sqrt(near2 / far2))
    inverse = 4.0 * first / far  # the integral of 1/R; of R; of 1/R^3
    distance = 4.0 * far * second
    cubed = 4.0 * second / (far * near2)
    if order > 0:
        inverse, distance, cubed = _turning(near2, 2.0 * r * ring_r, inverse, distance, cubed, order)
    # (y - x) . n = along + normal_r r (1 - cos), and 1 - cos = (R^2 - near^2) / (2 r r').
    along = normal_z * dz + normal_r * dr
    turned = 0.5 * normal_r / ring_r
    return (
        inverse / FOUR_PI,
        -0.5 * distance / FOUR_PI,
        -(along * cubed + turned * (inverse - near2 * cubed)) / FOUR_PI,
        -0.5 * (along * inverse + turned * (distance - near2 * inverse)) / FOUR_PI,
    )


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")  # type: ignore[untyped-decorator]
def still_parts(
    dz: FloatArray,
    dr: FloatArray,
    r: float,
    ring_r: FloatArray,
    normal_z: FloatArray,
    normal_r: FloatArray,
    order: int,
    parts: FloatArray,
) -> None:
    """The same of one point and rings (N,), into parts (4, N). Without tests for divisions by 0, which makes it vector
    code where the order is 0: what it gives at 0 distance is of no use.
    """
    if order == 0:
        for j in range(dz.size):
            s, s2, d, d2 = still(dz[j], dr[j], r, ring_r[j], normal_z[j], normal_r[j], 0)
            parts[0, j], parts[1, j], parts[2, j], parts[3, j] = s, s2, d, d2
    else:
        for j in range(dz.size):
            s, s2, d, d2 = still(dz[j], dr[j], r, ring_r[j], normal_z[j], normal_r[j], order)
            parts[0, j], parts[1, j], parts[2, j], parts[3, j] = s, s2, d, d2


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def _turning(
    near2: float, spread: float, inverse: float, distance: float, cubed: float, order: int
) -> tuple[float, float, float]:
    """The integrals of 1/R, R and 1/R^3 times cos(m a) from those of order 0; R^2 = near2 + spread (1 - cos(a)).

    By parts and by R^2 itself; those of 1/R are Legendre functions of the second kind, of degree m - 1/2.
    """
    middle = near2 + spread
    if middle > STEEP * spread:
        inverse, distance, cubed = 0.0, 0.0, 0.0
        for i in range(EVEN_COUNT):
            azimuth = (i + 0.5) * math.pi / EVEN_COUNT
            away = math.sqrt(middle - spread * math.cos(azimuth))
            share = 2.0 * math.pi / EVEN_COUNT * math.cos(order * azimuth)
            inverse += share / away
            distance += share * away
            cubed += share / (away * away * away)
        return inverse, distance, cubed
    lower, here = inverse, (middle * inverse - distance) / spread
    cubed = (middle * cubed - inverse) / spread
    for m in range(1, order):
        cubed = (middle * cubed - (2 * m + 1) * here) / spread
        lower, here = here, (4 * m * middle / spread * here - (2 * m - 1) * lower) / (2 * m + 1)
    higher = (4 * order * middle / spread * here - (2 * order - 1) * lower) / (2 * order + 1)
    return here, 0.25 * spread / order * (higher - lower), cubed


@njit(cache=True, nogil=True, inline="always", fastmath=True)  # type: ignore[untyped-decorator]
def azimuth_rule(k: float, near2: float, product: float, order: int) -> tuple[int, int]:
    """First and beyond of the Gauss points for distances sqrt(near2 + 2 product (1 - cos)); product = r r'."""
    phase = k * (math.sqrt(near2 + 4.0 * product) - math.sqrt(near2))
    count = min(int(BASE_COUNT + COUNT_PER_PHASE * phase) + order, RULE_OF_COUNT.size - 1)
    rule = RULE_OF_COUNT[count]
    return RULE_START[rule], RULE_START[rule + 1]


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def moving_single(k: float, z: float, r: float, ring_z: float, ring_r: float, order: int) -> tuple[float, float]:
    """Real and imaginary part of what remains of G, per unit of arc and radius of the ring."""
    dz, dr = ring_z - z, ring_r - r
    near2, product = dz * dz + dr * dr, r * ring_r
    first, beyond = azimuth_rule(k, near2, product, order)
    real, imaginary = 0.0, 0.0
    for i in range(first, beyond):
        x = max(k * math.sqrt(near2 + 2.0 * product * RULE_VERSINE[i]), SMALLEST_PHASE)
        cosine, sine = cosine_sine(x)
        scale = RULE_WEIGHT[order, i] / x
        real += scale * (cosine - 1.0 + 0.5 * x * x)
        imaginary -= scale * sine
    return k / FOUR_PI * real, k / FOUR_PI * imaginary


@njit(cache=True, nogil=True, inline="always", fastmath=True)  # type: ignore[untyped-decorator]
def moving_slope(k: float, near2: float, product: float, order: int) -> tuple[float, float, float, float]:
    """What remains of G's derivative along a vector from one place to a ring through another, over its length along the
    distance of both, and over its length away from the axis: real and imaginary part each. The same either way.

    near2, product : m2, the square of their distance, and their radii multiplied.
    """
    first, beyond = azimuth_rule(k, near2, product, order)
    along_real, along_imaginary, across_real, across_imaginary = 0.0, 0.0, 0.0, 0.0
    for i in range(first, beyond):
        x = max(k * math.sqrt(near2 + 2.0 * product * RULE_VERSINE[i]), SMALLEST_PHASE)
        cosine, sine = cosine_sine(x)
        # Of x alone it is known that it is not 0: a test for that would keep this from becoming vector code.
        inverse = 1.0 / x
        # (1 + j x) exp(-j x) = 1 + x^2 / 2 + remainder
        scale = RULE_WEIGHT[order, i] * inverse * inverse * inverse
        real = scale * (cosine + x * sine - 1.0 - 0.5 * x * x)
        imaginary = scale * (x * cosine - sine)
        along_real -= real
        along_imaginary -= imaginary
        across_real -= real * RULE_VERSINE[i]
        across_imaginary -= imaginary * RULE_VERSINE[i]
    scale = k * k * k / FOUR_PI
    return scale * along_real, scale * along_imaginary, scale * across_real, scale * across_imaginary


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def moving_double(
    k: float, z: float, r: float, ring_z: float, ring_r: float, normal_z: float, normal_r: float, order: int
) -> tuple[float, float]:
    """The same as `moving_single` of the derivative of G along the ring's normal."""
    dz, dr = ring_z - z, ring_r - r
    near_real, near_imaginary, far_real, far_imaginary = moving_slope(k, dz * dz + dr * dr, r * ring_r, order)
    along, across = normal_z * dz + normal_r * dr, normal_r * r
    return along * near_real + across * far_real, along * near_imaginary + across * far_imaginary
