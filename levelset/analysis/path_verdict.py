"""The self-test of a path: steps must track, a steady tone must stay, left must stay left.

levelset plays through its own output into the input. Four stretches are judged together: a tone at
-20, -10 and again -20 dBFS, the last for 10 s, and the same on the left output alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import hann
from levelset.analysis.path_finding import Finding, FindingCode
from levelset.analysis.path_result import ChannelTrust, PathTrust
from levelset.analysis.path_trust import SteadyTone, inspect_tone
from levelset.analysis.same_codes import effective_bits, joined_codes
from levelset.analysis.tone import read_tone
from levelset.analysis.tone_movement import Movement, level_finding
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db, rms_from_peak

if TYPE_CHECKING:
    from numpy.typing import NDArray

TONE_HZ = 1138.3
"""None of the usual block lengths (16 to 9600 frames at 44.1, 48 and 96 kHz) is near a whole
number of its periods, so that no lost block stays hidden, and it does not repeat within 0.5 s."""
LOW_DBFS, HIGH_DBFS = -20.0, -10.0
STEP_DB = HIGH_DBFS - LOW_DBFS
TRACKING_DB = 0.05
"""Most that a step may be off and that the level may differ after the return."""
MONO_DB = -20.0
LEAK_DB = -60.0
"""Above this, one channel changes the other by more than 0.1 %."""
BESIDE = (0.95, 0.97, 1.03, 1.05)
CLEAR = 4.0
"""A tone stands out of the noise when it has so many times the peak of its neighbourhood."""
NOT_THERE_DB = -40.0
WINDOW_S = 0.25
"""Length of a live reading, by which the lowest level that can be trusted is reckoned."""
BAND_HZ = 20_000.0
NOISE_SLICES = 8
TRUST_PERCENT = (0.1, 0.2, 0.5, 1.0)
"""What is said; no path is called better than 0.1 %, for probe and multimeter are not."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """What came back.

    Parameters
    ----------
    low_before, high, low_after : ndarray, shape (n, channels)
        Steady parts at -20, -10 and -20 dBFS, full scale = 1; the last is the long one.
    left_only : ndarray, shape (n, channels), or None
        At -20 dBFS on the left output alone; None where it could not be played.
    """

    low_before: NDArray[np.float64]
    high: NDArray[np.float64]
    low_after: NDArray[np.float64]
    left_only: NDArray[np.float64] | None


def judge_path(
    stretches: Stretches,
    rate_hz: float,
    tone_hz: float,
    *,
    same_clock: bool,
    volts_per_full_scale: tuple[float, ...] = (),
) -> PathTrust:
    """Judge what came back.

    Parameters
    ----------
    stretches : Stretches
        Steady parts, without the changes of level in between.
    rate_hz : float
        Sample rate, Hz.
    tone_hz : float
        Frequency that was played, Hz.
    same_clock : bool
        True where output and input are one device.
    volts_per_full_scale : tuple of float
        Peak volts at the tip for full scale of each channel, where it is known.
    """
    count = stretches.high.shape[1]
    heard = [_heard(stretches, channel, rate_hz, tone_hz) for channel in range(count)]
    left_db, mixed = _left_only(stretches, heard, rate_hz, tone_hz)
    channels = []
    for channel in range(count):
        if not heard[channel]:
            channels.append(ChannelTrust(channel + 1, heard=False))
            continue
        scale = volts_per_full_scale[channel] if channel < len(volts_per_full_scale) else None
        judged = _Channel(stretches, channel, rate_hz, tone_hz, same_clock)
        channels.append(judged.trust(scale, mixed))
    return PathTrust(tuple(channels), left_db)


def tone_peak(samples: NDArray[np.float64], rate_hz: float, frequency_hz: float) -> float:
    """Return the peak of a tone of known frequency, by a Hann-weighted sum; shape (n,)."""
    window = hann(samples.size)
    turn = np.exp(-2j * math.pi * frequency_hz / rate_hz * np.arange(samples.size))
    return (
        4.0 * abs(complex(np.vdot(turn.conj() * window, samples - samples.mean()))) / (samples.size)
    )


def floor_fs(noise_rms_fs: float, percent: float) -> float:
    """Return the peak of the lowest tone whose level noise leaves certain to so many percent.

    The amplitude of a tone that is read over T seconds in noise of density S scatters by
    sqrt(S / T) (S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory",
    1993, example 3.14); expanded by 2 for 95 %.
    """
    scatter = noise_rms_fs / math.sqrt(BAND_HZ * WINDOW_S)
    return 2.0 * scatter / (percent / 100.0)


def _heard(stretches: Stretches, channel: int, rate_hz: float, tone_hz: float) -> bool:
    """Return whether a channel carries the tone, or as the loudest is to answer for it."""
    peaks = [float(np.abs(x[:, channel]).max()) for x in (stretches.low_after, stretches.high)]
    loudest = float(np.abs(stretches.high).max())
    if loudest == 0.0:
        return channel == 0
    tone = tone_peak(stretches.high[:, channel], rate_hz, tone_hz)
    return max(*peaks, tone) > ratio_from_db(NOT_THERE_DB) * loudest


def _left_only(
    stretches: Stretches, heard: list[bool], rate_hz: float, tone_hz: float
) -> tuple[float | None, Finding | None]:
    samples = stretches.left_only
    if samples is None or samples.shape[1] < 2 or not all(heard[:2]):
        return None, None
    left, right = (tone_peak(samples[:, channel], rate_hz, tone_hz) for channel in (0, 1))
    # Never the ratio of two nothings: some 24-bit codes count as there.
    least = 2.0**-25
    ratio_db = db_from_ratio(max(right, least) / max(left, least))
    beside = max(tone_peak(samples[:, 1], rate_hz, part * tone_hz) for part in BESIDE)
    if right < CLEAR * beside:
        return ratio_db, None
    if ratio_db > -MONO_DB:
        return ratio_db, Finding(
            "channels_swapped",
            "What the left output plays appears on input 2 only: swap the plugs.",
        )
    if ratio_db > MONO_DB:
        return ratio_db, Finding(
            "mono_sum",
            f"What the left output alone plays appears on input 2 at {ratio_db:+.1f} dB: both "
            "channels are mixed to one; choose a profile with two input channels.",
        )
    if ratio_db > LEAK_DB:
        return ratio_db, Finding(
            "channel_leak",
            f"What the left output alone plays leaks into input 2 at {ratio_db:.0f} dB: the "
            f"channels touch each other by {100.0 * ratio_from_db(ratio_db):.1g} %.",
        )
    return ratio_db, None


class _Channel:
    """One channel of all stretches."""

    def __init__(
        self, stretches: Stretches, channel: int, rate_hz: float, tone_hz: float, same_clock: bool
    ) -> None:
        self.number = channel + 1
        self.rate_hz = rate_hz
        self.tone_hz = tone_hz
        self.samples = [
            np.ascontiguousarray(x[:, channel])
            for x in (stretches.low_before, stretches.high, stretches.low_after)
        ]
        self.tones = [
            inspect_tone(x, rate_hz, tone_hz, same_clock=same_clock) for x in self.samples
        ]

    def trust(self, scale: float | None, mixed: Finding | None) -> ChannelTrust:
        """Return what the channel can be trusted for."""
        tracking, back = self._steps()
        moved = self._gate_or_gain(tracking, back)
        found: dict[FindingCode, Finding] = {}
        for finding in (moved, mixed, *(f for tone in self.tones for f in tone.findings)):
            if finding is not None:
                found.setdefault(finding.code, finding)
        if moved is not None and moved.code == "noise_gate":
            found.pop("no_tone", None)
            found.pop("all_zero", None)
        findings = tuple(sorted(found.values(), key=lambda finding: not finding.grave))
        noise = self._noise_rms_fs()
        percent = None
        if noise is not None and not any(finding.grave for finding in findings):
            percent = _percent(tracking, back)
        lowest = None if percent is None or noise is None else floor_fs(noise, percent)
        long = self.tones[2]
        return ChannelTrust(
            self.number,
            True,
            findings,
            tracking,
            back,
            None if long.movement is None else long.movement.fall_db,
            self._clock(long),
            None if noise is None else db_from_ratio(noise * math.sqrt(2.0)),
            effective_bits(joined_codes(self.samples[2])),
            None if noise is None else noise_bits(noise),
            percent,
            lowest,
            None if lowest is None or scale is None else rms_from_peak(lowest * scale),
        )

    def _steps(self) -> tuple[Quantity | None, Quantity | None]:
        """Return how far the step and the return are off, dB."""
        moves = [tone.movement for tone in self.tones]
        before, high, after = moves
        if before is None or high is None or after is None:
            return None, None
        up = db_from_ratio(high.end_fs / before.end_fs) - STEP_DB
        back = db_from_ratio(after.end_fs / before.end_fs)
        return (
            Quantity(up, math.hypot(high.end_u_db, before.end_u_db), "dB"),
            Quantity(back, math.hypot(after.end_u_db, before.end_u_db), "dB"),
        )

    def _gate_or_gain(self, tracking: Quantity | None, back: Quantity | None) -> Finding | None:
        before, high, after = (tone.movement for tone in self.tones)
        if high is not None and (before is None or after is None):
            return Finding(
                "noise_gate",
                f"A tone at {LOW_DBFS:g} dBFS does not come back, at {HIGH_DBFS:g} dBFS it does: "
                "a noise gate is in the path; switch it off.",
            )
        moves = [move for move in (before, high, after) if move is not None]
        cut = [move for move in moves if move.cut_db > 0.0]
        if cut:
            return level_finding(cut[0])
        rising = [move for move in moves if move.rise_db > 0.0]
        if rising:
            return level_finding(max(rising, key=lambda move: move.rise_db))
        if high is not None and high.fall_db > 0.0 and not _falls(before, after):
            return Finding(
                "automatic_gain",
                f"The louder tone is turned down by {high.fall_db:.2f} dB: automatic gain is in "
                "the path; switch it off.",
            )
        falling = [move for move in moves if move.fall_db > 0.0]
        if falling:
            return level_finding(max(falling, key=lambda move: move.fall_db))
        return None if tracking is None or back is None else _step_finding(tracking, back)

    def _clock(self, tone: SteadyTone) -> Quantity | None:
        if tone.frequency_hz is None or tone.frequency_u_hz is None:
            return None
        return Quantity(
            1e6 * (tone.frequency_hz / self.tone_hz - 1.0),
            1e6 * tone.frequency_u_hz / self.tone_hz,
            "ppm",
        )

    def _noise_rms_fs(self) -> float | None:
        """Return the noise beside the tone, which a gate does not hide; median of some windows."""
        samples, size = self.samples[2], round(WINDOW_S * self.rate_hz)
        found = []
        for first in np.linspace(0, max(0, samples.size - size), NOISE_SLICES).astype(int):
            tone = read_tone(
                samples[first : first + size],
                self.rate_hz,
                limit_percent=1.0,
                expected_hz=self.tone_hz,
            )
            if tone.amplitude_fs is None or tone.thd_n_percent is None:
                continue
            thd = 0.0 if tone.thd_percent is None else tone.thd_percent.value
            rest = math.sqrt(max(0.0, tone.thd_n_percent.value**2 - thd**2)) / 100.0
            # Rounding to 24 bits is noise as well: a path of codes alone has no less.
            least = 2.0**-23 / math.sqrt(12.0)
            found.append(max(least, rms_from_peak(tone.amplitude_fs.value) * rest))
        return float(np.median(found)) if found else None


def noise_bits(noise_rms_fs: float) -> float:
    """Return the bits that noise leaves: lg2(range / (noise sqrt 12)) (IEEE Std 1241, ENOB)."""
    return math.log2(2.0 / (noise_rms_fs * math.sqrt(12.0)))


def _falls(*moves: Movement | None) -> bool:
    return any(move is not None and move.fall_db > 0.0 for move in moves)


def _step_finding(tracking: Quantity, back: Quantity) -> Finding | None:
    if abs(tracking.value) > TRACKING_DB + tracking.u:
        step = f"A step of {STEP_DB:g} dB comes back as {STEP_DB + tracking.value:.2f} dB"
        if tracking.value > 0.0:
            words = f"{step}: quiet tones are turned down, by noise suppression; switch it off."
            return Finding("noise_gate", words)
        words = f"{step}: a limiter or quick automatic gain is in the path; switch it off."
        return Finding("limiter", words)
    if abs(back.value) > TRACKING_DB + back.u:
        return Finding(
            "automatic_gain",
            f"After a louder tone the same level comes back {back.value:+.2f} dB off: automatic "
            "gain is in the path; switch it off.",
        )
    return None


def _percent(tracking: Quantity | None, back: Quantity | None) -> float | None:
    """Return the least usual percentage that covers how far the steps are off."""
    if tracking is None or back is None:
        return None
    worst_db = max(abs(q.value) + q.u for q in (tracking, back))
    worst = 100.0 * (ratio_from_db(worst_db) - 1.0)
    return next((step for step in TRUST_PERCENT if worst <= step), None)
