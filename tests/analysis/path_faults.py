"""A generator, an input and the faults that may lie between them; each fault is told by name.

Every fault is made in its own plain way from what it is (a buffer that is lost, an envelope
follower, a resampler), not from what the analysis looks for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from levelset.analysis.path_verdict import TONE_HZ
from levelset.analysis.tone_movement import level_finding

RATES_HZ = (44_100, 48_000, 96_000)
BLOCKS = (64, 128, 256, 441, 480, 512, 1024, 2048)
"""Lengths that drivers and sound servers use (common practice, no source)."""


def all_findings(seen):
    """Return what `inspect_tone` finds, with what a level that moves means by itself."""
    moved = None if seen.movement is None else level_finding(seen.movement)
    return seen.findings if moved is None else (*seen.findings, moved)


@dataclass(frozen=True)
class Case:
    """A window of a steady tone through an input without fault."""

    rate_hz: int
    frequency_hz: float
    amplitude_fs: float
    noise_fs: float
    seconds: float
    bits: int
    seed: int

    def times(self) -> np.ndarray:
        return np.arange(round(self.seconds * self.rate_hz)) / self.rate_hz

    def tone(self, time_s: np.ndarray) -> np.ndarray:
        """What is played: a tone with a little distortion of the output stage."""
        rng = np.random.default_rng(self.seed)
        phase, second, third = rng.uniform(0, 6.28), *(10.0 ** rng.uniform(-5, -2.5, 2))
        angle = 2 * np.pi * self.frequency_hz * time_s + phase
        wave = np.sin(angle) + second * np.sin(2 * angle) + third * np.sin(3 * angle)
        return self.amplitude_fs * wave

    def noise(self, size: int) -> np.ndarray:
        """Noise and hum of the input."""
        rng = np.random.default_rng(self.seed + 1)
        t = np.arange(size) / self.rate_hz
        hum = sum(
            10.0 ** (-rng.uniform(0, 1.5)) * np.sin(2 * np.pi * 50.0 * k * t + rng.uniform(0, 6.28))
            for k in (1, 2, 3)
        )
        return self.noise_fs * (rng.normal(size=size) + hum)

    def codes(self, x: np.ndarray) -> np.ndarray:
        scale = 2.0 ** (self.bits - 1)
        return np.clip(np.rint(x * scale), -scale, scale - 1) / scale

    def clean(self) -> np.ndarray:
        wave = self.tone(self.times())
        return self.codes(wave + self.noise(wave.size))


def draw(rng: np.random.Generator, seconds: float = 3.0) -> Case:
    """A random tone of 40 Hz to 5 kHz, -40 to -3 dBFS, 40 to 100 dB above the noise."""
    amplitude = 10.0 ** (rng.uniform(-40.0, -3.0) / 20.0)
    bits = int(rng.choice([16, 24]))
    noise = amplitude * 10.0 ** (-rng.uniform(40.0, 100.0) / 20.0)
    # A converter's own noise is never far below its last code; 16 bits are dithered.
    noise = max(noise, 0.4 * 2.0 ** (1 - bits))
    return Case(
        rate_hz=int(rng.choice(RATES_HZ)),
        frequency_hz=math.exp(rng.uniform(math.log(40.0), math.log(5000.0))),
        amplitude_fs=amplitude,
        noise_fs=noise,
        seconds=max(seconds, 120.0 / 40.0),
        bits=bits,
        seed=int(rng.integers(1 << 31)),
    )


def visible(case: Case, frames: int, least_rad: float = 0.2) -> bool:
    """Whether the loss of so many frames can be seen: not a whole number of periods."""
    turn = 2 * np.pi * case.frequency_hz * frames / case.rate_hz
    return abs(math.remainder(turn, 2 * np.pi)) > least_rad


def block_of(case: Case, rng: np.random.Generator) -> int:
    while True:
        frames = int(rng.choice(BLOCKS)) if rng.random() < 0.5 else int(rng.integers(64, 4097))
        if visible(case, frames):
            return frames


def place(x: np.ndarray, rng: np.random.Generator) -> int:
    return int(rng.integers(0.2 * x.size, 0.8 * x.size))


def dropped(case: Case, rng: np.random.Generator) -> np.ndarray:
    x = case.clean()
    frames, at = block_of(case, rng), place(x, rng)
    return np.concatenate((x[:at], x[at + frames :]))


def doubled(case: Case, rng: np.random.Generator) -> np.ndarray:
    """A block comes twice: put in between, or in the place of the next one."""
    x = case.clean()
    frames, at = block_of(case, rng), place(x, rng)
    after = at if rng.random() < 0.5 else at + frames
    return np.concatenate((x[:at], x[at - frames : at], x[after:]))


def zeroed(case: Case, rng: np.random.Generator) -> np.ndarray:
    x = case.clean()
    frames, at = block_of(case, rng), place(x, rng)
    # A few frames at a zero crossing of a low tone are no loss that anything could show.
    frames = max(frames, int(0.3 * case.rate_hz / case.frequency_hz))
    x[at : at + frames] = 0.0
    return x


def automatic_gain(
    x: np.ndarray, rate_hz: int, rng: np.random.Generator, start_db: float
) -> np.ndarray:
    """An envelope follower that turns the gain towards a target; starts off it by `start_db`."""
    step = max(1, rate_hz // 1000)
    count = -(-len(x) // step)
    padded = np.concatenate((x, np.zeros((count * step - len(x), *x.shape[1:]))))
    peaks = np.abs(padded).reshape(count, -1).max(axis=1)
    target = float(np.percentile(peaks, 90)) * 10.0 ** (start_db / 20.0)
    attack_s, release_s = rng.uniform(0.05, 0.5), rng.uniform(0.3, 4.0)
    low_db, high_db = -20.0, 20.0
    gain_db, envelope = 0.0, peaks[: max(1, count // 50)].max()
    gains = np.empty(count)
    hold = math.exp(-0.001 / 0.05)
    for index, peak in enumerate(peaks):
        envelope = max(peak, envelope * hold)
        wanted = 20 * math.log10(target / max(envelope, 1e-6)) if envelope > 1e-4 else gain_db
        wanted = min(max(wanted, low_db), high_db)
        tau_s = attack_s if wanted < gain_db else release_s
        gain_db += (wanted - gain_db) * 0.001 / tau_s
        gains[index] = gain_db
    smooth = 10.0 ** (np.interp(np.arange(len(x)), np.arange(count) * step, gains) / 20.0)
    return x * smooth.reshape(-1, *([1] * (x.ndim - 1)))


def gain_ridden(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Automatic gain on its way up to its target, by 0.5 to 12 dB."""
    wave = case.tone(case.times())
    start_db = rng.uniform(0.5, min(12.0, -1.0 - 20 * math.log10(case.amplitude_fs)))
    ridden = automatic_gain(wave, case.rate_hz, rng, start_db)
    return case.codes(np.clip(ridden, -0.99, 0.99) + case.noise(wave.size))


def gated(case: Case, rng: np.random.Generator) -> np.ndarray:
    """A gate that shuts once or more, or noise suppression that takes the tone for noise."""
    wave = case.tone(case.times())
    gain_db = np.zeros(wave.size)
    depth = rng.uniform(6.0, 80.0)
    if rng.random() < 0.5:
        time_s = case.times()
        tau_s = rng.uniform(0.2, 1.0)
        since = np.maximum(time_s - rng.uniform(0.3, 1.5), 0.0)
        gain_db = -rng.uniform(0.5, 30.0) * (1.0 - np.exp(-since / tau_s))
    else:
        for _ in range(int(rng.integers(1, 4))):
            at, length = place(wave, rng), int(rng.uniform(0.2, 0.5) * case.rate_hz)
            gain_db[at : at + length] = -depth
        ramp = max(2, int(rng.uniform(0.002, 0.04) * case.rate_hz))
        ramp_in = np.concatenate((np.full(ramp, 0.0), gain_db, np.full(ramp, gain_db[-1])))
        gain_db = np.convolve(ramp_in, np.full(ramp, 1.0 / ramp), mode="same")[ramp:-ramp]
    gain = 10.0 ** (gain_db / 20.0)
    gain[gain_db < -70.0] = 0.0
    x = wave + case.noise(wave.size)
    return case.codes(gain * x if rng.random() < 0.5 else gain * wave + case.noise(wave.size))


def resampled(case: Case, rng: np.random.Generator) -> np.ndarray:
    """The rate is off by 0.1 %: an exact resampler, or one that joins codes by straight lines."""
    ratio = 1.0 + (0.001 if rng.random() < 0.5 else -0.001)
    if rng.random() < 0.5:
        wave = case.tone(case.times() * ratio)
        return case.codes(wave + case.noise(wave.size))
    x = case.clean()
    moments = np.arange(int((x.size - 1) / ratio)) * ratio
    return case.codes(np.interp(moments, np.arange(x.size), x))


WINDOW_FAULTS = {
    "samples_missing": dropped,
    "block_repeated": doubled,
    "block_zeroed": zeroed,
    "automatic_gain": gain_ridden,
    "noise_gate": gated,
    "resampled": resampled,
}


PROGRAMME_S = (0.5, 3.5, 3.5, 8.0, 3.0)
"""Silence, low, high, low again, left only."""
RISE_S = 1.0


def programme(case: Case) -> tuple[np.ndarray, list[slice]]:
    """The self-test as it is played on two outputs, and where its four steady stretches are."""
    levels = (0.0, 0.1, 10.0**-0.5, 0.1, 0.1)
    edges = np.cumsum((0.0, *PROGRAMME_S))
    time_s = np.arange(round(edges[-1] * case.rate_hz)) / case.rate_hz
    gain = np.zeros(time_s.size)
    before = 0.0
    for level, start, stop in zip(levels, edges, edges[1:], strict=False):
        inside = (time_s >= start) & (time_s < stop)
        rise = RISE_S if level > before or stop == edges[-1] else 0.02
        part = np.clip((time_s[inside] - start) / rise, 0.0, 1.0)
        gain[inside] = before + (level - before) * part
        before = 0.0 if stop == edges[-2] else level
    wave = gain * case.tone(time_s) / case.amplitude_fs
    stereo = np.column_stack((wave, np.where(time_s < edges[-2], wave, 0.0)))
    stretches = [
        slice(round((start + RISE_S + 0.5) * case.rate_hz), round((stop - 0.02) * case.rate_hz))
        for start, stop in zip(edges[1:], edges[2:], strict=False)
    ]
    return stereo, stretches


def heard(case: Case, wave: np.ndarray) -> np.ndarray:
    """What the input makes of two channels."""
    other = replace(case, seed=case.seed + 77)
    noise = np.column_stack((case.noise(len(wave)), other.noise(len(wave))))
    return case.codes(np.clip(wave, -0.999, 0.999) + noise)


def riding(case: Case, wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return automatic_gain(wave, case.rate_hz, rng, rng.uniform(-12.0, 6.0))


def suppressing(case: Case, wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A gate with threshold, hold and range; or a suppressor that learns a steady tone as noise."""
    step = case.rate_hz // 1000
    count = -(-len(wave) // step)
    padded = np.concatenate((wave, np.zeros((count * step - len(wave), 2))))
    peaks = np.abs(padded).reshape(count, -1).max(axis=1)
    gains, gain_db, learnt = np.empty(count), 0.0, 0.0
    depth, threshold = rng.uniform(6.0, 60.0), 10.0 ** (rng.uniform(-18.0, -12.0) / 20.0)
    gate, tau_s = rng.random() < 0.5, rng.uniform(0.5, 3.0)
    for index, peak in enumerate(peaks):
        if gate:
            wanted, quick_s = (0.0, 0.005) if peak > threshold else (-depth, 0.05)
        else:
            # The least level for a while counts as noise (minimum statistics in the plain).
            learnt = min(peak, learnt + (peak - learnt) * 0.001 / tau_s) if peak > 0.01 else learnt
            wanted = -depth * min(1.0, learnt / max(peak, 1e-6))
            quick_s = 0.05
        gain_db += (wanted - gain_db) * min(1.0, 0.001 / quick_s)
        gains[index] = gain_db
    ratio = 10.0 ** (np.interp(np.arange(len(wave)), np.arange(count) * step, gains) / 20.0)
    return wave * ratio[:, np.newaxis]


def limiting(case: Case, wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A limiter without memory of its own: whatever is above a ceiling is turned down to it."""
    ceiling = 10.0 ** (rng.uniform(-19.0, -10.3) / 20.0)
    width = max(3, round(case.rate_hz / case.frequency_hz * 2))
    count = -(-len(wave) // width)
    padded = np.concatenate((wave, np.zeros((count * width - len(wave), 2))))
    peaks = np.abs(padded).reshape(count, -1).max(axis=1)
    gain = np.minimum(1.0, ceiling / np.maximum(peaks, 1e-9))
    return wave * np.interp(np.arange(len(wave)), (np.arange(count) + 0.5) * width, gain)[:, None]


def mono(case: Case, wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    joined = wave.mean(axis=1) if rng.random() < 0.5 else wave.sum(axis=1)
    return np.column_stack((joined, joined))


def lost(case: Case, wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    at, frames = place(wave[:, 0], rng), block_of(case, rng)
    return np.concatenate((wave[:at], wave[at + frames :], wave[:frames] * 0.0))


PROGRAMME_FAULTS = {
    "automatic_gain": riding,
    "noise_gate": suppressing,
    "limiter": limiting,
    "mono_sum": mono,
}


def draw_path(rng: np.random.Generator) -> Case:
    """A random input for the self-test, its tone 40 to 90 dB above the noise at -20 dBFS."""
    case = draw(rng)
    noise = max(0.1 * 10.0 ** (-rng.uniform(40.0, 90.0) / 20.0), 0.4 * 2.0 ** (1 - case.bits))
    return replace(case, frequency_hz=TONE_HZ, amplitude_fs=0.1, noise_fs=noise)
