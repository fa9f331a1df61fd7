"""Small plots as SVG text: axes with ticks, curves, marks.

Colour, dash and thickness are classes of the page's style sheet. Nothing but numbers and the
words of this package goes into a plot, and words are escaped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

WIDTH, HEIGHT = 340, 210
LEFT, RIGHT, TOP, BOTTOM = 50, 324, 10, 172
"""Edges of the field of the plot, px."""

Mark = Literal["dot", "cross"]


@dataclass(frozen=True, slots=True)
class Axis:
    """A range of values laid on a range of pixels.

    Parameters
    ----------
    low, high : float
        Values at its ends; above 0 for a logarithmic axis.
    ticks : tuple of (float, str)
        Values with a line, and what is written there; may be empty.
    title : str
        What it is, with its unit.
    logarithmic : bool
        Whether equal ratios are equally far apart.
    """

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    title: str
    logarithmic: bool = False

    def part(self, value: float) -> float:
        """Return where a value lies: 0 at the low end, 1 at the high one."""
        if self.logarithmic:
            value = max(value, 1e-300)
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Plot:
    """The field between two axes.

    Parameters
    ----------
    x, y : Axis
        Across and up.
    """

    x: Axis
    y: Axis

    def across(self, value: float) -> float:
        """Return the pixel across of a value."""
        return LEFT + (RIGHT - LEFT) * self.x.part(value)

    def up(self, value: float) -> float:
        """Return the pixel down of a value, kept within the field."""
        return BOTTOM - (BOTTOM - TOP) * min(1.02, max(-0.02, self.y.part(value)))

    def curve(self, xs: Iterable[float], ys: Iterable[float], kind: str) -> str:
        """Return a line through points.

        Parameters
        ----------
        xs, ys : iterable of float
            Values, equally many.
        kind : str
            Class of the style sheet, such as ``measured`` or ``ideal``.
        """
        points = [
            f"{self.across(float(x)):.1f} {self.up(float(y)):.1f}"
            for x, y in zip(xs, ys, strict=True)
        ]
        return f'<path class="{kind}" d="M{"L".join(points)}"/>' if points else ""

    def band(self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float]) -> str:
        """Return the area between two curves."""
        there = [f"{self.across(x):.1f} {self.up(y):.1f}" for x, y in zip(xs, highs, strict=True)]
        back = [f"{self.across(x):.1f} {self.up(y):.1f}" for x, y in zip(xs, lows, strict=True)]
        points = "L".join((*there, *reversed(back)))
        return f'<path class="band" d="M{points}Z"/>' if xs else ""

    def marks(self, xs: Iterable[float], ys: Iterable[float], mark: Mark) -> str:
        """Return marks at points: dots, or crosses."""
        out = []
        for x, y in zip(xs, ys, strict=True):
            at, down = self.across(x), self.up(y)
            if mark == "dot":
                out.append(f'<circle class="dot" cx="{at:.1f}" cy="{down:.1f}" r="2.6"/>')
            else:
                d = f"M{at - 3.5:.1f} {down - 3.5:.1f}l7 7m0-7l-7 7"
                out.append(f'<path class="cross" d="{d}"/>')
        return "".join(out)

    def level(self, value: float, text: str) -> str:
        """Return a line across at a value, with its name above it."""
        down = self.up(value)
        return (
            f'<path class="limit" d="M{LEFT} {down:.1f}H{RIGHT}"/>'
            f'<text x="{LEFT + 4}" y="{down - 4:.1f}">{escape(text)}</text>'
        )

    def place(self, value: float, text: str) -> str:
        """Return a line upwards at a value, with its name beside it."""
        at = self.across(value)
        left = at > 0.5 * (LEFT + RIGHT)
        anchor, beside = ("end", at - 4.0) if left else ("start", at + 4.0)
        return (
            f'<path class="limit" d="M{at:.1f} {TOP}V{BOTTOM}"/>'
            f'<text x="{beside:.1f}" y="{TOP + 11}" text-anchor="{anchor}">{escape(text)}</text>'
        )

    def drawing(self, name: str, *layers: str) -> str:
        """Return the whole plot.

        Parameters
        ----------
        name : str
            What it shows, for those who cannot see it.
        *layers : str
            What the other functions returned, the lowest first.
        """
        rows = [
            f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(name)}">',
            f'<path class="frame" d="M{LEFT} {TOP}H{RIGHT}V{BOTTOM}H{LEFT}Z"/>',
        ]
        for value, text in self.x.ticks:
            at = self.across(value)
            rows.append(f'<path class="grid" d="M{at:.1f} {TOP}V{BOTTOM}"/>')
            if text:
                rows.append(_text(at, BOTTOM + 14, "middle", text))
        for value, text in self.y.ticks:
            down = self.up(value)
            rows.append(f'<path class="grid" d="M{LEFT} {down:.1f}H{RIGHT}"/>')
            if text:
                rows.append(_text(LEFT - 5, down + 4, "end", text))
        middle = 0.5 * (TOP + BOTTOM)
        rows.append(_text(0.5 * (LEFT + RIGHT), HEIGHT - 6, "middle", self.x.title))
        rows.append(
            f'<text transform="translate(11 {middle:.0f}) rotate(-90)" text-anchor="middle">'
            f"{escape(self.y.title)}</text>"
        )
        return "".join((*rows, *layers, "</svg>"))


def linear(low: float, high: float, title: str) -> Axis:
    """Return an axis over a range with about five round steps inside it.

    Parameters
    ----------
    low, high : float
        The range; one without width is widened.
    title : str
        What it is, with its unit.
    """
    if not high > low:
        low, high = low - 0.5 * (abs(low) or 1.0), high + 0.5 * (abs(high) or 1.0)
    step = round_step((high - low) / 5.0)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple((n * step, f"{n * step + 0.0:.{places}f}") for n in range(first, last + 1))
    return Axis(low, high, ticks, title)


def round_step(rough: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not below a rough step above 0."""
    decade = 10.0 ** math.floor(math.log10(rough))
    return decade * next((n for n in (1.0, 2.0, 5.0) if n * decade >= rough * (1 - 1e-9)), 10.0)


def decades(low: float, high: float, title: str, text: Callable[[float], str]) -> Axis:
    """Return a logarithmic axis with a tick at 1, 2 and 5 of every decade.

    Parameters
    ----------
    low, high : float
        The range, above 0.
    title : str
        What it is, with its unit.
    text : callable
        Value to what is written at its tick.
    """
    if not high > low:
        low, high = low / 1.5, high * 1.5
    ticks = [
        n * 10.0**p
        for p in range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
        for n in (1.0, 2.0, 5.0)
        if low <= n * 10.0**p * (1 + 1e-9) and n * 10.0**p <= high * (1 + 1e-9)
    ]
    # Over many decades only their beginnings are written.
    wide = math.log10(high / low) > 2.4
    named = [t for t in ticks if not wide or f"{t:e}".startswith("1.")]
    return Axis(low, high, tuple((t, text(t) if t in named else "") for t in ticks), title, True)


def _text(x: float, y: float, anchor: str, text: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'
