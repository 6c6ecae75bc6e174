"""Student's t without a statistics package: distribution function and quantile, to about twelve digits."""

import math
from functools import lru_cache

TERMS_MAX = 300
"""The continued fraction settles within about the root of the larger parameter; beyond that it is cut off."""

NORMAL_DOF = 5_000.0
"""From here on t is taken as normal with Fisher's first two corrections, whose next term is below 1e-9."""


def cdf(t: float, dof: float) -> float:
    """P(T ≤ t) of Student's t with `dof` > 0 degrees of freedom."""
    if not dof > 0:
        raise ValueError(f"degrees of freedom must be above zero, not {dof}")
    tail = 0.5 * _beta(dof / (dof + t * t), dof / 2, 0.5)
    return tail if t < 0 else 1.0 - tail


@lru_cache(maxsize=1024)
def quantile(p: float, dof: float) -> float:
    """The t below which lies the share `p`, 0 < p < 1, of Student's t with `dof` > 0 degrees of freedom."""
    if not 0 < p < 1:
        raise ValueError(f"a share lies between 0 and 1, not {p}")
    if p < 0.5:
        return -quantile(1 - p, dof)
    if dof >= NORMAL_DOF:
        return _near_normal(p, dof)
    high = 1.0
    while cdf(high, dof) < p and high < 1e12:
        high *= 2
    low = 0.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if cdf(middle, dof) < p else (low, middle)
    return 0.5 * (low + high)


def _near_normal(p: float, dof: float) -> float:
    """Fisher's expansion of the t quantile about the normal one (Abramowitz & Stegun 26.7.5; from memory)."""
    z = normal_quantile(p)
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    return z + first / dof + second / dof**2


@lru_cache(maxsize=1024)
def normal_quantile(p: float) -> float:
    """The normal quantile by halving on the error function."""
    low, high = -40.0, 40.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if 0.5 * math.erfc(-middle / math.sqrt(2)) < p else (low, middle)
    return 0.5 * (low + high)


def _beta(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function, by its continued fraction (modified Lentz)."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1) / (a + b + 2):
        return front * _fraction(x, a, b) / a
    return 1.0 - front * _fraction(1 - x, b, a) / b


def _fraction(x: float, a: float, b: float) -> float:
    tiny = 1e-300
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1) or tiny)
    value = d
    for m in range(1, TERMS_MAX):
        for top in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / (1.0 + top * d or tiny)
            c = 1.0 + top / c or tiny
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value
