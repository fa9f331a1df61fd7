"""Campaign: simulated touches over the ranges that docs/dc.md promises.

``python -m tests.benchmarks.dc_touches [CALIBRATIONS]`` prints the table of docs/dc.md; 9
calibrations a row with four readings each take about ten minutes on one core.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

import numpy as np

from levelset.errors import UsageError
from levelset.probe.calibration import Calibration
from levelset.probe.dc import dc_scale, read_touch
from levelset.probe.reading import Frames
from levelset.probe.touch_reading import StepSpec
from levelset.quantity import Quantity
from tests.probe.dc_touch import RATE, SCALE_V, one_touch

BATTERY_PART = 0.005
"""Limits of error of the multimeter, as a ratio."""

READINGS = 4
"""Touches that are read with each calibration."""


@dataclass
class Row:
    """One line of the table."""

    name: str
    small_mv: list[float] = field(default_factory=list)
    large_percent: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    promised: list[bool] = field(default_factory=list)
    battery_refused: int = 0
    batteries: int = 0
    refused: int = 0
    touches: int = 0

    def text(self):
        """Return the line in Markdown."""
        small, large = np.abs(self.small_mv), np.abs(self.large_percent)
        return (
            f"| {self.name} | {self.touches} | {_of(small, 0.95):.2f} / {_of(small, 1.0):.2f} | "
            f"{_of(large, 0.95):.3f} / {_of(large, 1.0):.3f} | {100 * np.mean(self.inside):.0f} | "
            f"{100 * (1 - np.mean(self.promised)):.1f} | "
            f"{100 * self.refused / max(self.touches, 1):.1f} | "
            f"{100 * self.battery_refused / max(self.batteries, 1):.1f} |"
        )


def calibration(dc=None):
    """Return a calibration of one tip whose tone scale is right."""
    scale = (Quantity(SCALE_V, 0.01 * SCALE_V, "V"),)
    return Calibration("bench", "test", RATE, 94.0, scale, None, (), 120.0, 5.0, (), dc=dc)


def read(x, spec, cal):
    """Read one channel."""
    x = x[:, None]
    return read_touch(x, Frames(0, 0, len(x), RATE), spec, cal)


def row(name, calibrations, seed, poles, *, limit=(0.007, 0.005), noise=None, **touch):
    """Run one line: ``poles(rng)`` draws an input; every battery is read within its tolerance."""
    rng, found = np.random.default_rng(seed), Row(name)
    section = touch.pop("section", None)
    codes = {key: touch.pop(key) for key in ("bits", "slow_hz") if key in touch}
    for _ in range(calibrations):
        inputs = {
            "poles_hz": poles(rng),
            "section": section,
            "noise_dbfs": rng.uniform(-105.0, -80.0) if noise is None else noise,
            **codes,
        }
        battery = rng.uniform(12.0, 12.9)
        shown = battery * (1.0 + BATTERY_PART * rng.uniform(-1.0, 1.0))
        x = one_touch(rng, battery, bounce_s=rng.uniform(0.005, 0.05), after_s=2.3, **inputs)
        touched = read(x, StepSpec(2.0, True, (2.0,)), calibration())
        found.batteries += 1
        try:
            dc = dc_scale(touched, shown, BATTERY_PART * shown, calibration(), 1)
        except UsageError:
            found.battery_refused += 1
            continue
        for _ in range(READINGS):
            volts = rng.choice([-1, 1]) * rng.choice([rng.uniform(0.02, 1), rng.uniform(1, 14)])
            x = one_touch(rng, volts, bounce_s=rng.uniform(0.005, 0.05), **inputs, **touch)
            reading = read(x, StepSpec(1.0, False, ()), calibration(dc))
            found.touches += 1
            leg = reading.legs[0] if reading.state == "done" else None
            if leg is None or leg.volts is None:
                found.refused += 1
                continue
            off = leg.volts.value - volts
            found.inside.append(abs(off) <= leg.volts.u)
            found.promised.append(abs(off) <= limit[0] * abs(volts) + limit[1])
            # The method alone: the battery's error, which is known here, taken out.
            method = leg.volts.value * battery / shown - volts
            if abs(volts) < 1.0:
                found.small_mv.append(1e3 * method)
            else:
                found.large_percent.append(100.0 * method / volts)
    return found


def one_or_two(rng):
    """One pole to 5 Hz, or two to 3 Hz."""
    if rng.random() < 0.5:
        return (rng.uniform(0.3, 5.0),)
    return tuple(rng.uniform(0.3, 3.0, 2))


def rows(calibrations):
    """Yield every line of the table."""
    fast = (0.007, 0.006)
    yield row("1 pole to 5 Hz or 2 to 3 Hz, -105 to -80 dBFS", 4 * calibrations, 1, one_or_two)
    yield row("the same, all at -80 dBFS", 4 * calibrations, 2, one_or_two, noise=-80.0)
    for n, poles in enumerate([(0.3,), (1.0,), (5.0,), (0.3, 0.33), (1.0, 1.05), (3.0, 3.0)]):
        name = f"{' and '.join(f'{p:g}' for p in poles)} Hz, -80 dBFS"
        yield row(name, calibrations, 10 + n, lambda _, p=poles: p, noise=-80.0)
    for n, poles in enumerate([(8.0,), (8.0, 4.0)]):
        name = f"{' and '.join(f'{p:g}' for p in poles)} Hz, -80 dBFS"
        yield row(name, calibrations, 20 + n, lambda _, p=poles: p, noise=-80.0, limit=fast)
    for q in (0.5, 0.71, 1.0):
        w = 2.0 * np.pi * 2.0
        section = (w / q, w * w)
        name = f"second-order section, 2 Hz, Q {q:g}, -80 dBFS"
        yield row(name, calibrations, 30, lambda _: (), noise=-80.0, section=section)
    yield row("DC coupled, -80 dBFS", calibrations, 40, lambda _: (), noise=-80.0)
    yield row("hum 0.5 V everywhere", calibrations, 41, one_or_two, hum_v=0.5)
    yield row("hum 0.5 V on the tap only", calibrations, 42, one_or_two, tip_hum_v=0.5)
    yield row("tone 1 V, 31.7 Hz on the tap", calibrations, 43, one_or_two, tone=(1.0, 31.7))
    yield row("tone 10 V, 41 Hz on the tap", calibrations, 44, one_or_two, tone=(10.0, 41.0))
    yield row("tone 2 V, 1 kHz on the tap", calibrations, 45, one_or_two, tone=(2.0, 1000.0))
    yield row("16 bit, noise far below a code", calibrations, 46, one_or_two, noise=-115.0, bits=16)
    for n, slow_hz in enumerate((100.0, 300.0, 1000.0)):
        name = f"-85 dBFS, 1/f below {slow_hz:g} Hz"
        yield row(name, calibrations, 50 + n, one_or_two, noise=-85.0, slow_hz=slow_hz)


HEAD = """\
| input | touches | V < 1 V: 95 % / worst, mV | V > 1 V: 95 % / worst, % | inside stated u, % | \
beyond the promise, % | refused, % | batteries refused, % |
| --- | --- | --- | --- | --- | --- | --- | --- |"""


def _of(values, part):
    return float(np.quantile(values, part)) if len(values) else float("nan")


if __name__ == "__main__":
    print(HEAD, flush=True)
    touches = 0
    for line in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 9):
        touches += line.touches
        print(line.text(), flush=True)
    print(f"\n{touches} touches")
