"""Random sources: are channel and polarity right, the response, the corner and the noise?

    python -m tests.benchmarks.random_sources [COUNT] [FIRST_SEED]

Prints one line a source that was not told as its closed form demands, a summary of every demand,
and ends with 1 where one is not met.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from levelset.analysis.noise import read_noise
from levelset.analysis.periodic import KnownLines
from levelset.analysis.response import read_response
from levelset.analysis.response_fit import FittedResponse, fit_response
from levelset.analysis.response_words import NOT_TOLD
from levelset.analysis.which_wire import read_wire
from levelset.signals.multitone import response_tones
from levelset.signals.which_wire import wire_codes
from tests.analysis.sources import (
    Source,
    butterworth,
    limited,
    linkwitz_riley,
    random_source,
    waves,
)

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


@dataclass
class Measured:
    """One response against the closed form of its source.

    `all_db` is its largest error, `worst_db` the largest beyond twice what its place states
    (95 %; one in 20 is outside of that by its meaning); `inside` of `places` are within it.
    """

    seed: int
    snr_db: float
    worst_db: float
    all_db: float
    places: int
    inside: int
    fitted: FittedResponse | None
    source: Source

    def corner_error(self, side: str) -> float | None:
        """Relative error of a corner; None where the source has none within 16 Hz to 17 kHz."""
        truth = self.source.highpass if side == "high" else self.source.lowpass
        if truth is None:
            return None
        corner = three_db_hz(truth, side)
        if not 16.0 < corner < 17_000.0:
            return None
        edge = self.fitted.high_pass if side == "high" else self.fitted.low_pass
        return float("inf") if edge is None else edge.corner_hz.value / corner - 1.0

    def corner_verdict(self, side: str) -> str | None:
        """Return within, said to be uncertain or open, not told or WRONG; None without a corner.

        Open: of a first-order edge and a shelf the poles may change places, the curve stays.
        """
        error = self.corner_error(side)
        if error is None:
            return None
        edge = self.fitted.high_pass if side == "high" else self.fitted.low_pass
        if edge is None:
            return "not told"
        if abs(error) <= 0.03:
            return "within"
        u = edge.corner_hz.u / edge.corner_hz.value
        if u > NOT_TOLD:
            return "said to be open"
        said = u > 0.03 and abs(error) <= u * (1.0 + error)
        return "said to be uncertain" if said else "WRONG"


def three_db_hz(truth, side: str) -> float:
    """Frequency at which the filter is 3.01 dB down, by bisection of its closed form."""
    hz, order, shape = truth
    make = butterworth if shape == "butterworth" else linkwitz_riley
    low, high = hz / 8.0, hz * 8.0
    for _ in range(60):
        middle = np.sqrt(low * high)
        above = abs(make(np.array([middle]), hz, order, side)[0]) > np.sqrt(0.5)
        if above == (side == "high"):
            high = middle
        else:
            low = middle
    return float(middle)


def measure_response(seed: int, rate_hz: float = 48_000.0, fit: bool = True) -> Measured:
    """Draw a source, play the response tones through it and read them."""
    draw = np.random.default_rng([seed, 1])
    tones = response_tones("response", "", -6.0)
    known = KnownLines.of(tones.period_s, tones.sines)
    source = random_source(draw, bool(draw.random() < 0.15))
    coupling, source.coupling_hz = source.coupling_hz, ()
    hz = known.frequency_hz
    gains = source.transfer(hz) * np.prod([1j * hz / (1j * hz + p) for p in coupling], axis=0)
    frames = int(4.02 * rate_hz)
    ppm, start_s = float(draw.uniform(-500, 500)), float(draw.uniform(0.0, 60.0))
    x = waves(tones.sines, gains, rate_hz, frames, ppm, start_s)
    snr_db = float(draw.uniform(30.0, 70.0))
    x = x + draw.standard_normal(frames) * np.std(x) * 10.0 ** (-snr_db / 20.0)
    reading = read_response(
        x,
        rate_hz,
        known,
        response=lambda f: np.prod([1j * f / (1j * f + p) for p in coupling], axis=0),
    )
    assert reading.void is None, reading.void
    bands = reading.bands
    truth = 20.0 * np.log10(np.abs(source.transfer(bands.frequency_hz)))
    # Where it is more than 40 dB below its highest place the source passes nothing.
    counted = ~bands.below & (bands.frequency_hz < 16_500) & (truth > truth.max() - 40.0)
    error = np.abs(bands.level_db - truth)[counted]
    stated = bands.u_db[counted]
    # Weak places in much noise are allowed what they state themselves.
    worst_db = float(error[error > 2.0 * stated].max(initial=0.0))
    return Measured(
        seed,
        snr_db,
        worst_db,
        float(error.max()),
        error.size,
        int((error <= stated).sum()),
        fit_response(reading.tones) if fit else None,
        source,
    )


def noise_error_db(seed: int, rate_hz: float = 48_000.0) -> tuple[float, bool]:
    """Return the error of a noise reading and whether it says ``below``."""
    draw = np.random.default_rng([seed, 2])
    frames = int(4.0 * rate_hz)
    own = 1e-5
    floor = read_noise(own * draw.standard_normal(int(5.0 * rate_hz)), rate_hz, floor=None)
    size = own * 10.0 ** (float(draw.uniform(-6.0, 40.0)) / 20.0)
    x = np.hypot(own, size) * draw.standard_normal(frames)
    power = size**2 * (20_000.0 - 20.0) / (rate_hz / 2.0)
    t = np.arange(frames) / rate_hz
    if draw.random() < 0.5:
        for k in range(1, 9):
            line = size * float(draw.uniform(0.0, 2.0)) / k
            x = x + line * np.sin(2.0 * np.pi * 49.98 * k * t + k)
            power += line**2 / 2.0
    level = read_noise(x, rate_hz, floor=floor.spectrum).unweighted
    return 20.0 * np.log10(level.rms_fs.value / np.sqrt(power)), level.below


def main() -> int:
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
    wrong = all_of["WRONG CHANNEL"] + all_of["WRONG POLARITY"]
    clear = sum(above.values())
    met = [wrong == 0 and clear - above["right"] <= 0.05 * clear]
    print("wires:", dict(all_of), "above 30 dB:", dict(above), flush=True)

    worst, every, corners, places, inside = [], [], Counter(), 0, 0
    for seed in range(first, first + count):
        got = measure_response(seed)
        worst.append(got.worst_db)
        every.append(got.all_db)
        places, inside = places + got.places, inside + got.inside
        for side in ("high", "low"):
            verdict = got.corner_verdict(side)
            if verdict is None:
                continue
            corners[verdict] += 1
            if verdict != "within":
                error = got.corner_error(side)
                print(
                    f"seed {seed}: {side} corner {error:+.1%} {verdict}, {got.snr_db:.0f} dB, "
                    f"{got.source}, {got.fitted}",
                    flush=True,
                )
        if got.worst_db > 0.3:
            print(f"seed {seed}: response {got.worst_db:.2f} dB, {got.snr_db:.0f} dB, {got.source}")
    met += [max(worst) <= 0.3, corners["WRONG"] + corners["not told"] == 0]
    print(
        f"responses: {count}, {np.sum(np.array(every) <= 0.3)} within 0.3 dB everywhere, worst "
        f"{max(every):.3f} dB, beyond twice the stated uncertainty {max(worst):.3f} dB, median of "
        f"the worst {np.median(every):.3f} dB; {inside / places:.1%} of places within what they "
        f"state; "
        f"corners: {sum(corners.values())}, {dict(corners)}",
        flush=True,
    )
    noise = [noise_error_db(seed) for seed in range(first, first + count)]
    numbers = [error for error, below in noise if not below]
    low = sum(error < 0 for error, below in noise if below)
    met.append(max(np.abs(numbers)) <= 0.5 and low == 0)
    print(
        f"noise: {len(numbers)} numbers, worst {max(np.abs(numbers)):.3f} dB; "
        f"{count - len(numbers)} limits, {low} of them too low"
    )
    names = ("wires", "responses", "corners", "noise")
    print("not met:", [name for name, good in zip(names, met, strict=True) if not good])
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
