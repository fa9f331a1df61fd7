"""Random sources: are channel and polarity right, the response, the corner and the noise?

    python -m tests.benchmarks.random_sources [COUNT] [FIRST_SEED]

Prints one line a source that was not told as its closed form demands, and a summary.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from levelset.analysis.periodic import KnownLines
from levelset.analysis.which_wire import read_wire
from levelset.signals.which_wire import wire_codes
from tests.analysis.sources import Source, limited, random_source, waves

NAMES = {2: ("left", "right"), 4: ("fl", "fr", "rl", "rr"), 8: tuple("abcdefgh")}


@dataclass
class Told:
    """One wire: what it was and what was said."""

    seed: int
    snr_db: float
    channel: str
    polarity: str
    reading: object
    source: Source
    note: str

    @property
    def verdict(self) -> str:
        r = self.reading
        if r.void is not None or r.channel is None:
            return "no channel"
        if r.channel != self.channel:
            return "WRONG CHANNEL"
        if r.polarity == "cannot_tell":
            return "cannot tell"
        return "right" if r.polarity == self.polarity else "WRONG POLARITY"


def tell_wire(seed: int, rate_hz: float = 48_000.0) -> Told:
    """Draw a wire and read it."""
    draw = np.random.default_rng(seed)
    count = int(draw.choice([2, 2, 2, 4, 8]))
    names = NAMES[count]
    codes = dict(zip(names, wire_codes(names, -6.0), strict=True))
    known = {n: KnownLines.of(c.period_s, c.sines) for n, c in codes.items()}
    period_s = codes[names[0]].period_s
    frames = int(4.02 * period_s * rate_hz)
    ppm, start_s = float(draw.uniform(-500, 500)), float(draw.uniform(0.0, 60.0))
    channel = names[int(draw.integers(count))]
    sub = bool(draw.random() < 0.2)
    source = random_source(draw, sub)

    def through(name: str, way: Source) -> np.ndarray:
        sines = codes[name].sines
        gains = way.transfer(np.array([s[0] for s in sines]))
        return waves(sines, gains, rate_hz, frames, ppm, start_s)

    x = through(channel, source)
    note = f"{count} channels" + (", sub" if sub else "")
    if draw.random() < 0.3:
        # Another channel summed in, weaker, delayed, either way round.
        other = names[(names.index(channel) + 1) % count]
        weaker = random_source(draw, sub)
        y = through(other, weaker)
        below_db = float(draw.uniform(5.0, 20.0))
        y *= np.std(x) / np.std(y) * 10.0 ** (-below_db / 20.0)
        x = x + y
        note += f", {other} summed {below_db:.0f} dB below"
    if draw.random() < 0.3:
        over = float(draw.uniform(0.15, 1.0))
        kind = "hard" if draw.random() < 0.5 else "soft"
        x = limited(x, kind, over * np.abs(x).max())
        note += f", {kind} limiter at {over:.2f} of peak"
    snr_db = float(draw.uniform(0.0, 60.0))
    rms = float(np.std(x))
    x = x + draw.standard_normal(frames) * rms * 10.0 ** (-snr_db / 20.0)
    if draw.random() < 0.5:
        hum = float(draw.choice([50.0, 60.0])) * (1.0 + float(draw.uniform(-0.002, 0.002)))
        t = np.arange(frames) / rate_hz
        for k in range(1, 12):
            size = rms * 10.0 ** (float(draw.uniform(-40, -6)) / 20.0) / k
            x = x + size * np.sin(2 * np.pi * k * hum * t + k)
        note += ", hum"
    x = np.round(x * 2**23) / 2**23
    reading = read_wire(x, rate_hz, known)
    polarity = "normal" if source.sign > 0 else "reversed"
    return Told(seed, snr_db, channel, polarity, reading, source, note)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    all_of, above = Counter(), Counter()
    for seed in range(first, first + count):
        told = tell_wire(seed)
        all_of[told.verdict] += 1
        if told.snr_db > 30.0:
            above[told.verdict] += 1
        if told.verdict != "right":
            r = told.reading
            print(
                f"seed {seed}: {told.verdict}, {told.snr_db:.0f} dB, {told.note}, {told.source}, "
                f"lead {r.lead_db}, margin {r.polarity_margin:.2f}, "
                f"void {r.void.code if r.void else None}"
            )
    print("wires:", dict(all_of), "above 30 dB:", dict(above))


if __name__ == "__main__":
    main()
