"""Which channel a wire carries, and which way round, from the coded signals alone.

The channels' lines lie apart, so their levels are told apart whatever the equaliser. Polarity is
the sign that is left when the delay is free and the phase that the magnitude explains (minimum
phase) is taken out: over a wide band only one sign brings all lines together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.analysis.minimum_phase import Way, minimum_phase, way_round
from levelset.analysis.periodic import Heard, KnownLines, hear
from levelset.analysis.response import Curve
from levelset.analysis.result import Void
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]

Polarity = Literal["normal", "reversed", "cannot_tell"]

LEAD_DB = 3.0
"""How far the strongest channel must lead to be the wire's channel."""
PART_DB = 30.0
"""A channel this far below the strongest is no part of a sum."""
SURE_DB = 12.0
"""A weaker channel counts only where its phases agree: distortion of the strongest falls on all
lines, with phases by chance."""
LINE_SNR = 4.0
"""Power over noise from which a line's phase is used."""
FEWEST_LINES = 4
LEAST_AGREEMENT = 0.5
LEAST_MARGIN = 0.05
PASS_BAND = 0.1
"""Amplitude over the largest at which a line counts half."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """What became of known lines on the way.

    Parameters
    ----------
    number : ndarray of int, shape (L,)
        Multiples of the base frequency of the lines that are clear of the noise.
    period_s : float
        Period by the player's clock, s.
    gain : ndarray of complex, shape (L,)
        Received over played; the phase is from the middle of the window, so that a delay is in it.
    noise : ndarray, shape (L,)
        Mean square of what noise adds to `gain`.
    """

    number: NDArray[np.intp]
    period_s: float
    gain: NDArray[np.complex128]
    noise: NDArray[np.float64]

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """Frequencies by the player's clock, Hz."""
        return self.number / self.period_s

    def curve(self) -> Curve:
        """Return its magnitude, with the 95 % uncertainty that noise leaves at every line."""
        size = np.abs(self.gain)
        # Noise adds in phase and at right angles; only the part in phase moves the magnitude.
        relative = 1.96 * np.sqrt(0.5 * self.noise) / size
        return Curve(
            self.frequency_hz,
            20.0 * np.log10(size),
            DB_PER_NEPER * relative,
            np.zeros(len(size), dtype=bool),
        )


@dataclass(frozen=True, slots=True)
class WirePart:
    """One channel that is heard on a wire.

    Parameters
    ----------
    channel : str
        Its name.
    level_dbfs : Quantity
        Level of what is received of it, dB (a full-scale sine is 0).
    polarity : Polarity
        Sign of the way from the player to the wire.
    polarity_margin : float
        How much better the phases agree in that polarity than in the other, 0 to about 1.
    transfer : Transfer
        Its lines.
    """

    channel: str
    level_dbfs: Quantity
    polarity: Polarity
    polarity_margin: float
    transfer: Transfer


@dataclass(frozen=True, slots=True)
class WireReading:
    """What is on a wire.

    Parameters
    ----------
    void : Void or None
        Why nothing can be said; then all else is empty.
    channel : str or None
        The channel; None where two are heard equally strong.
    polarity : Polarity
        Of that channel.
    lead_db : float or None
        How far it is above the next one, or above what the next one could be in the noise.
    polarity_margin : float
        As in `WirePart`.
    parts : tuple of WirePart
        All that are heard, the strongest first: more than one is a sum.
    clock_ppm : Quantity or None
        How much faster the player's clock runs than the input's.
    """

    void: Void | None
    channel: str | None = None
    polarity: Polarity = "cannot_tell"
    lead_db: float | None = None
    polarity_margin: float = 0.0
    parts: tuple[WirePart, ...] = ()
    clock_ppm: Quantity | None = None


def read_wire(
    samples: NDArray[np.float64],
    rate_hz: float,
    codes: Mapping[str, KnownLines],
    *,
    response: Response | None = None,
) -> WireReading:
    """Tell channel and polarity of a wire.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A leg or a pair, full scale = 1, four periods or more, from any moment.
    rate_hz : float
        Sample rate, Hz.
    codes : mapping of str to KnownLines
        The coded signal of every channel that plays; no line is shared and all periods are alike.
    response : callable or None
        Transfer of the input; every line is divided by it. None for a flat input.

    Returns
    -------
    WireReading

    Raises
    ------
    ValueError
        If there is no code or the periods differ.
    """
    if not codes or len({known.period_s for known in codes.values()}) != 1:
        raise ValueError("codes of one period are needed")
    first = next(iter(codes.values()))
    every = KnownLines(
        first.period_s,
        *(
            np.concatenate([getattr(known, name) for known in codes.values()])[
                np.argsort(np.concatenate([known.number for known in codes.values()]))
            ]
            for name in ("number", "amplitude_fs", "phase_rad")
        ),
    )
    heard = hear(samples, rate_hz, every)
    if isinstance(heard, Void):
        return WireReading(heard)
    received = {name: _received(heard, known, response) for name, known in codes.items()}
    power = {name: max(got.power, 0.0) for name, got in received.items()}
    order = sorted(codes, key=lambda name: -power[name])
    strongest = power[order[0]]
    parts = []
    for name in order:
        got = received[name]
        below_db = _db(strongest) - _db(power[name])
        if below_db > PART_DB or got.transfer.number.size < FEWEST_LINES:
            continue
        way = _way(got.transfer)
        if below_db > SURE_DB and max(way.normal, way.reversed) < 1.25 * way.chance:
            continue
        parts.append(_part(name, got, way))
    if not parts:
        return WireReading(
            Void(
                "no_tone",
                "The coded signal is too weak here to be told from noise: raise the volume a "
                "little, or use the more sensitive range of the probe.",
            )
        )
    others = [power[name] + 2.0 * received[name].power_u for name in order if name != order[0]]
    lead_db = _db(strongest) - _db(max(others)) if others else None
    leads = lead_db is None or lead_db >= LEAD_DB or len(parts) == 1
    best = parts[0]
    return WireReading(
        None,
        best.channel if leads else None,
        best.polarity if leads else "cannot_tell",
        lead_db,
        best.polarity_margin if leads else 0.0,
        tuple(parts),
        heard.clock_ppm,
    )


@dataclass(frozen=True, slots=True)
class _Received:
    """Mean square of a channel's lines less the noise, its 95 % uncertainty, and the transfer."""

    power: float
    power_u: float
    transfer: Transfer


def _received(heard: Heard, known: KnownLines, response: Response | None) -> _Received:
    inside = known.number <= heard.highest_number
    number = known.number[inside]
    played = known.amplitude_fs[inside] * np.exp(1j * (known.phase_rad[inside] - math.pi / 2.0))
    got, noise = heard.phasors(number), heard.noise_power(number)
    if response is not None:
        through = response(number / known.period_s)
        got, noise = got / through, noise / np.square(np.abs(through))
    square = np.square(np.abs(got))
    scatter = np.sqrt(noise * noise + 2.0 * noise * np.maximum(square - noise, 0.0))
    clear = square > LINE_SNR * noise
    transfer = Transfer(
        number[clear],
        known.period_s,
        got[clear] / played[clear],
        noise[clear] / np.square(np.abs(played[clear])),
    )
    return _Received(
        0.5 * float((square - noise).sum()),
        float(np.sqrt(np.square(scatter).sum())),
        transfer,
    )


def _part(name: str, got: _Received, way: Way) -> WirePart:
    margin = way.normal - way.reversed
    best = max(way.normal, way.reversed)
    polarity: Polarity = "normal" if margin > 0.0 else "reversed"
    if abs(margin) < LEAST_MARGIN or best < max(LEAST_AGREEMENT, way.chance):
        polarity = "cannot_tell"
    power = max(got.power, 1e-300)
    level = Quantity(10.0 * math.log10(2.0 * power), 4.343 * got.power_u / power, "dB")
    return WirePart(name, level, polarity, abs(margin), got.transfer)


def _way(transfer: Transfer) -> Way:
    weight = line_weights(transfer)
    square = np.square(np.abs(transfer.gain))
    explained = minimum_phase(transfer.frequency_hz, square, square / transfer.noise)
    phase = np.angle(transfer.gain) - explained
    return way_round(transfer.number, transfer.period_s, phase, weight, None)


def line_weights(transfer: Transfer) -> NDArray[np.float64]:
    """Return how much each line says about phase, shape (L,).

    Every stretch of log frequency counts the same, less where the line is weak: outside the pass
    band phase depends on what lies beyond the band, and noise turns it.
    """
    u = np.log(transfer.frequency_hz)
    room = np.gradient(u) if u.size > 1 else np.ones(1)
    size = np.abs(transfer.gain)
    inside = size / (size + PASS_BAND * float(size.max()))
    clean = size * size / (size * size + transfer.noise)
    weight: NDArray[np.float64] = np.minimum(room, 0.1) * inside * clean
    return weight


def _db(power: float) -> float:
    return 10.0 * math.log10(max(power, 1e-30))
