"""Filters of the simulated stages: analog prototypes, and how they run on samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Values = NDArray[np.float64]

Kind = Literal["low_pass", "high_pass"]
Alignment = Literal["butterworth", "linkwitz_riley"]
End = Literal["bass", "treble"]

SETTLED = 1e-6
"""A filter counts as settled when what it remembers has fallen to this part."""


@dataclass(frozen=True, slots=True)
class Section:
    """One analog section of first or second order.

    ``H = (b0 u^2 + b1 u + b2) / (a0 u^2 + a1 u + a2)`` with ``u = jf / corner_hz``.

    Parameters
    ----------
    corner_hz : float
        Frequency that the coefficients are normalised to, Hz.
    b, a : tuple of float
        Coefficients of u^2, u and 1; a first-order section has none of u^2.
    """

    corner_hz: float
    b: tuple[float, float, float]
    a: tuple[float, float, float]

    def response(self, frequency_hz: Values) -> NDArray[np.complex128]:
        """Return H at each frequency, Hz; shape (n,)."""
        u = 1j * frequency_hz / self.corner_hz
        h: NDArray[np.complex128] = np.polyval(self.b, u) / np.polyval(self.a, u)
        return h

    def digital(self, rate_hz: float) -> list[float]:
        """Return the coefficients b and a of z^0, z^-1, z^-2 at a rate, Hz.

        Bilinear transform that is exact at the corner: ``u = (1 - z^-1) / (1 + z^-1) / t`` with
        ``t = tan(pi corner / rate)`` (any textbook on digital filters).
        """
        t = math.tan(math.pi * self.corner_hz / rate_hz)
        rows = []
        for c0, c1, c2 in (self.b, self.a):
            square, one = c0 / (t * t), c1 / t
            rows.append((square + one + c2, 2.0 * (c2 - square), square - one + c2))
        if self.a[0] == 0.0 and self.b[0] == 0.0:
            # The common factor 1 + z^-1 of a first-order section is taken out.
            rows = [(c1 / t + c2, c2 - c1 / t, 0.0) for _, c1, c2 in (self.b, self.a)]
        scale = rows[1][0]
        return [value / scale for row in rows for value in row]

    @property
    def settle_s(self) -> float:
        """Time in which its slowest pole falls to `SETTLED`, s."""
        roots = np.roots([c for n, c in enumerate(self.a) if n or c])
        slowest = float(np.min(-roots.real)) * 2.0 * math.pi * self.corner_hz
        return -math.log(SETTLED) / slowest


def crossover(kind: Kind, corner_hz: float, order: int, alignment: Alignment) -> list[Section]:
    """Return a filter of 6 dB per octave and order.

    Butterworth: poles evenly spaced on a circle, 3.01 dB down at the corner (S. Butterworth,
    "On the theory of filter amplifiers", 1930). Linkwitz-Riley: a Butterworth filter of half the
    order twice, 6.02 dB down (S. H. Linkwitz, J. Audio Eng. Soc. 24(1), 1976).

    Parameters
    ----------
    kind : {"low_pass", "high_pass"}
        What it passes.
    corner_hz : float
        Corner, Hz.
    order : int
        1 to 4; even for Linkwitz-Riley.
    alignment : {"butterworth", "linkwitz_riley"}
        Which of the two.
    """
    if alignment == "linkwitz_riley":
        return 2 * crossover(kind, corner_hz, order // 2, "butterworth")
    sections = []
    for n in range(order // 2):
        damping = 2.0 * math.sin(math.pi * (2 * n + 1) / (2 * order))
        b = (0.0, 0.0, 1.0) if kind == "low_pass" else (1.0, 0.0, 0.0)
        sections.append(Section(corner_hz, b, (1.0, damping, 1.0)))
    if order % 2:
        b = (0.0, 0.0, 1.0) if kind == "low_pass" else (0.0, 1.0, 0.0)
        sections.append(Section(corner_hz, b, (0.0, 1.0, 1.0)))
    return sections


def bell(centre_hz: float, gain_db: float, q: float) -> Section:
    """Return one band of an equaliser.

    ``H = (u^2 + u A/Q + 1) / (u^2 + u / (A Q) + 1)``, ``A = 10^(gain / 40)`` (R. Bristow-Johnson,
    "Cookbook formulae for audio EQ biquad filter coefficients", peaking EQ; published as a note
    of the W3C Audio Working Group, 2021).
    """
    a = 10.0 ** (gain_db / 40.0)
    return Section(centre_hz, (1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0))


def shelf(end: End, centre_hz: float, gain_db: float, order: int) -> Section:
    """Return a tone control: half of its gain in dB at the centre, all at its end of the band.

    Bass, first order: ``(u + r) / (u + 1/r)``, ``r = 10^(gain / 40)``, a pole and a zero as of a
    passive control. Second order: ``A (u^2 + sqrt(A)/Q u + A) / (A u^2 + sqrt(A)/Q u + 1)``,
    ``A = r``, ``Q = 1/sqrt 2`` (R. Bristow-Johnson, as for `bell`: low shelf of slope 1). Treble: u
    turned over.

    Parameters
    ----------
    end : {"bass", "treble"}
        The end of the band that is raised or lowered.
    centre_hz, gain_db : float
        Hz and dB.
    order : {1, 2}
        Order.
    """
    a = 10.0 ** (gain_db / 40.0)
    if order == 1:
        b, down = (0.0, 1.0, a), (0.0, 1.0, 1.0 / a)
        turned = ((0.0, a, 1.0), (0.0, 1.0 / a, 1.0))
    else:
        across = math.sqrt(2.0 * a)
        b, down = (a, a * across, a * a), (a, across, 1.0)
        turned = ((a * a, a * across, a), (1.0, across, a))
    return Section(centre_hz, b, down) if end == "bass" else Section(centre_hz, *turned)


def response(sections: Sequence[Section], frequency_hz: Values) -> NDArray[np.complex128]:
    """Return the product of all sections at each frequency, Hz; shape (n,)."""
    h = np.ones(len(frequency_hz), dtype=np.complex128)
    for section in sections:
        h *= section.response(frequency_hz)
    return h


def settle_s(sections: Sequence[Section]) -> float:
    """Return the time in which all of them settle, s; 0 for none."""
    return max((section.settle_s for section in sections), default=0.0)


class RunningFilter:
    """Sections in a row that run on samples from a state of rest.

    Parameters
    ----------
    sections : sequence of Section
        Which.
    rate_hz : float
        Rate of the samples, Hz, some ten times the highest frequency that matters or more.
    """

    def __init__(self, sections: Sequence[Section], rate_hz: float) -> None:
        self._rows = np.array([section.digital(rate_hz) for section in sections])
        self._state = np.zeros((len(sections), 2))

    def run(self, values: Values) -> Values:
        """Return the next samples, shape (n,)."""
        if self._state.size == 0:
            return values
        from scipy.signal import sosfilt

        filtered: Values
        filtered, self._state = sosfilt(self._rows, values, zi=self._state)
        return filtered


def circular(sections: Sequence[Section], values: Values, span_s: float) -> Values:
    """Return what the filters make of one period, as if it had always played.

    Parameters
    ----------
    sections : sequence of Section
        Which.
    values : ndarray, shape (n,)
        One period.
    span_s : float
        Its length, s.
    """
    if not sections or len(values) == 1:
        return values * float(response(sections, np.zeros(1))[0].real) if sections else values
    lines = np.fft.rfft(values)
    lines *= response(sections, np.arange(len(lines)) / span_s)
    return np.fft.irfft(lines, len(values))
