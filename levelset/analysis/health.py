"""Is the input itself fit to be read? Looks at raw codes, before any fit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import strongest_line
from levelset.analysis.result import Void

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHORTEST_S = 0.020
LIVE_CEILING = 10.0 ** (-1.0 / 20.0)
EXTREME = 1.0 - 2.0**-15
"""Largest code of 16 bits; that of every longer word is above it."""
EXTREME_REACH = 1.5 * 2.0**-15
"""How far below full scale a sine is still rounded to the extreme code."""
RUN_ALLOWANCE = 2
FROZEN_S = 0.050
QUIETEST = 1.5 * 2.0**-23


def longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """Return start and length of the longest run of True in an array of shape (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    if edges.size == 0:
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    longest = int(lengths.argmax())
    return int(edges[2 * longest]), int(lengths[longest])


def peak_dbfs(samples: NDArray[np.float64]) -> float | None:
    """Return 20 lg of the largest magnitude in an array of shape (n,); None without one."""
    peak = float(np.abs(samples).max()) if samples.size else 0.0
    return 20.0 * math.log10(peak) if math.isfinite(peak) and peak > 0.0 else None


def input_void(samples: NDArray[np.float64], rate_hz: float, live: bool) -> list[Void | None]:
    """Return for every channel why its input cannot be read, or None.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Raw codes, full scale = 1.
    rate_hz : float
        Sample rate, Hz, above 0.
    live : bool
        True for a live input: a peak above -1 dBFS is an overload, since the level can still be
        turned down. In a recording only a run at an extreme code is, longer by 2 than a sine of
        full scale at the tone's frequency explains.

    Returns
    -------
    list of Void or None
        ``not_finite``, ``too_short``, ``silent_input``, ``input_overload`` or None.

    Raises
    ------
    ValueError
        If `samples` does not have two dimensions or the rate is not above 0.
    """
    if samples.ndim != 2:
        raise ValueError(f"samples need the shape (frames, channels), got {samples.shape}")
    if not rate_hz > 0.0:
        raise ValueError(f"the sample rate must be above 0 Hz, got {rate_hz}")
    return [_channel_void(column, rate_hz, live=live) for column in samples.T]


def basic_void(samples: NDArray[np.float64], rate_hz: float) -> Void | None:
    """Return why a channel, shape (n,), cannot be read whatever its source, or None."""
    if not bool(np.isfinite(samples).all()):
        return Void(
            "not_finite",
            "The input holds values that are not numbers: check the file or the sound driver, "
            "then record again.",
        )
    if samples.size < SHORTEST_S * rate_hz * (1.0 - 1e-9):
        return Void(
            "too_short",
            f"Only {1e3 * samples.size / rate_hz:.0f} ms of signal: record at least 20 ms and "
            "three periods of the tone.",
        )
    swing = float(np.ptp(samples))
    if swing <= QUIETEST:
        return Void(
            "silent_input",
            "The input does not move at all: check that the probe is plugged into this input, "
            "that the input is switched on and not muted.",
        )
    return None


def _channel_void(samples: NDArray[np.float64], rate_hz: float, *, live: bool) -> Void | None:
    void = basic_void(samples, rate_hz)
    if void is not None:
        return void
    _, still = longest_run(samples[1:] == samples[:-1])
    if still + 1 >= FROZEN_S * rate_hz:
        return Void(
            "silent_input",
            f"The input stands still for {1e3 * (still + 1) / rate_hz:.0f} ms: check the cable "
            "and the driver, or choose a part of the recording without a gap.",
        )
    return live_overload(samples) if live else _recorded_overload(samples)


def live_overload(samples: NDArray[np.float64]) -> Void | None:
    """Return the overload of a live input, shape (n,), where it peaks above -1 dBFS, else None."""
    peak = float(np.abs(samples).max())
    if peak <= LIVE_CEILING:
        return None
    return Void(
        "input_overload",
        f"The interface's input is at {20.0 * math.log10(peak):.1f} dBFS, above -1 dBFS: turn "
        "the input down or use the next range of the probe; this says nothing about the amplifier.",
    )


def _recorded_overload(samples: NDArray[np.float64]) -> Void | None:
    _, run_up = longest_run(samples >= EXTREME)
    _, run_down = longest_run(samples <= -EXTREME)
    run = max(run_up, run_down)
    if run <= RUN_ALLOWANCE:
        return None
    # A sine that just fills the converter stays at the extreme code while it is within rounding
    # of its peak.
    explained = 2.0 * math.acos(1.0 - EXTREME_REACH) / strongest_line(samples)
    if run <= explained + RUN_ALLOWANCE:
        return None
    return Void(
        "input_overload",
        f"The recording stands at full scale for {run} samples in a row: the interface's input "
        "was overloaded; record again with the input turned down.",
    )
