"""The few distributions that survey tests need: chi-square, Student's t and Pope's tau; the normal one is Python's own.

Series and continued fractions from Abramowitz & Stegun, *Handbook of Mathematical Functions*, 6.5.29, 6.5.31, 26.5.8
and 26.7.1 (numbers from memory; the tests compare with scipy).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist

TINY = 1e-300


def normal_quantile(p: float) -> float:
    """The value that a standard normal variable stays below with probability ``p``.

    >>> round(normal_quantile(1 - 0.001 / 2), 4)  # two-sided, one in a thousand: Baarda's 3.29
    3.2905
    """
    return NormalDist().inv_cdf(p)


def chi_square_cdf(x: float, dof: int) -> float:
    """Probability that a chi-square variable with ``dof`` degrees of freedom stays below ``x``."""
    if x <= 0:
        return 0.0
    a, half = dof / 2, x / 2
    front = math.exp(a * math.log(half) - half - math.lgamma(a))
    if half < a + 1:
        term = total = 1 / a
        n = a
        while term > total * 1e-17:
            n += 1
            term *= half / n
            total += term
        return front * total
    # The continued fraction of the upper part, evaluated by Lentz's method.
    b = half + 1 - a
    c, d = 1 / TINY, 1 / b
    fraction = d
    for i in range(1, 10_000):
        step = -i * (i - a)
        b += 2
        d = 1 / ((step * d + b) or TINY)
        c = (b + step / c) or TINY
        fraction *= c * d
        if abs(c * d - 1) < 1e-16:
            break
    return 1 - front * fraction


def chi_square_quantile(p: float, dof: int) -> float:
    """The value that a chi-square variable with ``dof`` degrees of freedom stays below with probability ``p``.

    >>> round(chi_square_quantile(0.95, 10), 3)
    18.307
    """
    high = dof + 10.0
    while chi_square_cdf(high, dof) < p:
        high *= 2
    return _solve(lambda x: chi_square_cdf(x, dof), p, 0.0, high)


def student_cdf(t: float, dof: int) -> float:
    """Probability that Student's t with ``dof`` degrees of freedom stays below ``t``."""
    tail = _beta_ratio(dof / 2, 0.5, dof / (dof + t * t)) / 2
    return 1 - tail if t > 0 else tail


def tau_quantile(p: float, dof: int) -> float:
    """Pope's tau: the bound of a residual over its own estimated standard deviation, ``dof`` redundant measurements.

    (Pope, *The statistics of residuals and the detection of outliers*, NOAA TR NOS 65 NGS 1, 1976; from memory.)
    With one redundant measurement every residual is 1 of its own sigmas: nothing can be told.

    >>> round(tau_quantile(0.975, 10), 4)
    1.9039
    """
    if dof < 2:
        return math.inf
    # t = tau sqrt(dof - 1) / sqrt(dof - tau^2) rises from 0 to infinity while tau goes from 0 to sqrt(dof).
    top = math.sqrt(dof)

    def cdf(tau: float) -> float:
        return student_cdf(tau * math.sqrt((dof - 1) / max(dof - tau * tau, TINY)), dof - 1)

    return _solve(cdf, p, 0.0, top)


def _solve(cdf: Callable[[float], float], p: float, low: float, high: float) -> float:
    while high - low > 1e-15 * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if cdf(middle) < p else (low, middle)
    return (low + high) / 2


def _beta_ratio(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b)."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta_ratio(b, a, 1 - x)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    ) / a  # fmt: skip
    c, d = 1.0, 1 / ((1 - (a + b) * x / (a + 1)) or TINY)
    fraction = d
    for m in range(1, 10_000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d = 1 / ((1 + step * d) or TINY)
            c = (1 + step / c) or TINY
            fraction *= c * d
        if abs(c * d - 1) < 1e-16:
            break
    return front * fraction
