"""Combination of uncertainties by JCGM 100:2008, the GUM."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Literal

from levelset.quantity import Quantity

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]

_DIVISOR: dict[Distribution, float] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
}
COVERAGE = 0.95
K95 = NormalDist().inv_cdf(0.5 + COVERAGE / 2.0)
"""Coverage factor of a normal distribution for 95 %: 1.960."""


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget.

    Parameters
    ----------
    name : str
        What it is, in a few words.
    value : float
        Best estimate of the input quantity.
    standard_uncertainty : float
        Its standard uncertainty, in the same unit, not negative.
    distribution : Distribution
        What is known about it.
    dof : float or None
        Degrees of freedom, above 0; None where they are not limited.
    sensitivity : float
        Change of the result per change of the input.
    """

    name: str
    value: float
    standard_uncertainty: float
    distribution: Distribution
    dof: float | None
    sensitivity: float = 1.0

    @property
    def contribution(self) -> float:
        """Standard uncertainty that it brings to the result."""
        return abs(self.sensitivity) * self.standard_uncertainty


def from_limits(
    name: str,
    value: float,
    half_width: float,
    *,
    distribution: Distribution = "rectangular",
    dof: float | None = None,
    sensitivity: float = 1.0,
) -> Component:
    """Return a component that is known to lie within +- half a width.

    Parameters
    ----------
    name, value, dof, sensitivity
        As in `Component`.
    half_width : float
        Half the width between the limits, in the unit of the value.
    distribution : {"rectangular", "triangular", "arcsine"}
        Its standard uncertainty is the half width over sqrt 3, sqrt 6 or sqrt 2 (GUM 4.3, from
        memory).

    Returns
    -------
    Component
        The component.
    """
    u = half_width / _DIVISOR[distribution]
    return Component(name, value, u, distribution, dof, sensitivity)


def from_repeats(name: str, values: Sequence[float], *, sensitivity: float = 1.0) -> Component:
    """Return the mean of repeated values with the standard deviation of the mean (GUM 4.2).

    Parameters
    ----------
    name, sensitivity
        As in `Component`.
    values : sequence of float
        At least two.

    Returns
    -------
    Component
        Normal, with one degree of freedom less than there are values.

    Raises
    ------
    ValueError
        With fewer than two values, which tell nothing about scatter.
    """
    n = len(values)
    if n < 2:
        raise ValueError(f"scatter needs at least 2 values, got {n}")
    mean = math.fsum(values) / n
    variance = math.fsum((v - mean) ** 2 for v in values) / (n - 1)
    return Component(name, mean, math.sqrt(variance / n), "normal", n - 1.0, sensitivity)


def from_quantity(name: str, quantity: Quantity, *, sensitivity: float = 1.0) -> Component:
    """Return a quantity whose 95 % uncertainty is that of a normal distribution."""
    return Component(name, quantity.value, quantity.u / K95, "normal", None, sensitivity)


def combined_uncertainty(components: Iterable[Component]) -> float:
    """Return the combined standard uncertainty of uncorrelated inputs (GUM 5.1.2)."""
    return math.sqrt(math.fsum(c.contribution**2 for c in components))


def effective_dof(components: Sequence[Component]) -> float | None:
    """Return the effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1).

    Returns
    -------
    float or None
        u**4 / sum(u_i**4 / dof_i); None where they are not limited.
    """
    limited = [c for c in components if c.dof is not None and c.contribution > 0.0]
    total = combined_uncertainty(components)
    if not limited or total == 0.0:
        return None
    return 1.0 / math.fsum((c.contribution / total) ** 4 / _dof(c) for c in limited)


def expanded_uncertainty(components: Sequence[Component], coverage: float = COVERAGE) -> float:
    """Return the half width of the interval that holds the truth with this probability.

    Parameters
    ----------
    components : sequence of Component
        Uncorrelated.
    coverage : float
        Probability, above 0 and below 1.

    Returns
    -------
    float
        In the unit of the result.

    Notes
    -----
    Student's t with the effective degrees of freedom (GUM G.4.1, G.3). A normal distribution
    promises too much width where one rectangular component dominates, as a multimeter's limits
    of error do (EA-4/02, example of a hand-held multimeter, takes 1.65 instead of 2; from
    memory). The largest rectangular component is therefore kept as it is and convolved with a
    normal distribution for all the others: P(|x| < U) follows from the integral of the normal
    distribution function, x F(x) + f(x), in closed form. Without a rectangular component, or
    with a small one, the result is the GUM's.
    """
    widest = max(
        (c for c in components if c.distribution == "rectangular" and c.dof is None),
        key=lambda c: c.contribution,
        default=None,
    )
    rest = list(components)
    if widest is not None:
        rest.remove(widest)
    # The rest as the normal distribution whose own interval has the right width.
    z = student_t(coverage, None)
    sigma = combined_uncertainty(rest) * student_t(coverage, effective_dof(rest)) / z
    half_width = 0.0 if widest is None else widest.contribution * _DIVISOR["rectangular"]
    return _convolved(half_width, sigma, coverage, z)


def _convolved(a: float, sigma: float, coverage: float, z: float) -> float:
    """Solve P(|rectangular(+-a) + normal(sigma)| < U) = coverage for U."""
    if sigma <= 1e-4 * a:
        return coverage * a
    if a <= 1e-4 * sigma:
        return z * sigma
    normal = NormalDist()

    def integral(x: float) -> float:
        return x * normal.cdf(x) + normal.pdf(x)

    # P is concave for U > 0, so Newton's method rises to the root from any lower bound.
    u = max(coverage * a, z * sigma)
    for _ in range(50):
        upper, lower = (u + a) / sigma, (u - a) / sigma
        p = sigma / a * (integral(upper) - integral(lower)) - 1.0
        slope = (normal.cdf(upper) - normal.cdf(lower)) / a
        step = (coverage - p) / slope
        u += step
        if abs(step) <= 1e-9 * u:
            break
    return u


@lru_cache(maxsize=256)
def student_t(coverage: float, dof: float | None) -> float:
    """Return Student's t for a two-sided probability (GUM table G.2).

    Parameters
    ----------
    coverage : float
        Probability, above 0 and below 1.
    dof : float or None
        Degrees of freedom, above 0 (not rounded); None for the normal distribution.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must be above 0 and below 1, got {coverage}")
    if dof is None:
        return NormalDist().inv_cdf(0.5 + coverage / 2.0)
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + coverage / 2.0))


def _dof(component: Component) -> float:
    dof = component.dof
    if dof is None or not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, got {dof}")
    return dof
