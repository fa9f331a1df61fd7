"""Every void of a recording from several different inputs, and none from good ones."""

import math

import numpy as np
import pytest

from levelset.record.audio_files import open_recording
from levelset.recordings.measure import Wanted, measure
from levelset.recordings.scale import Scale
from tests.recordings import good_recordings
from tests.recordings.recorded import RATE_HZ, tone, write


def read(path, samples, rate_hz=RATE_HZ, subtype="FLOAT", scale=None, window_s=None):
    wanted = Wanted(scale, None, window_s, 1.0)
    write(path, samples, rate_hz, subtype)
    return [f.reading for f in measure(open_recording(path), wanted, lambda part: None)]


def silent():
    yield "zeros", np.zeros(RATE_HZ), {}
    yield "constant", np.full(RATE_HZ * 12, 0.25), {}
    yield "one code of 24 bit", np.where(np.arange(RATE_HZ) % 2, 2.0**-23, 0.0), {}
    yield "stops", np.concatenate((np.zeros(100), np.full(RATE_HZ, -0.5))), {}


def no_tone():
    rng = np.random.default_rng(2)
    yield "white noise", 0.1 * rng.normal(size=2 * RATE_HZ), {}
    yield "tone below the noise", tone(level=0.01, noise=0.05), {}
    yield "two tones", tone(97.0, level=0.3) + tone(431.0, level=0.29), {}
    yield "long noise", 0.05 * rng.normal(size=21 * RATE_HZ), {}
    walk = np.cumsum(rng.normal(size=RATE_HZ * 3))
    yield "slow wander", 0.3 * walk / np.abs(walk).max(), {}


def unsteady():
    x = tone(97.0, seconds=4.0)
    t = np.arange(x.size) / RATE_HZ
    yield "knob", x * np.where(t < 2.0, 1.0, 0.8), {}
    yield "swell", x * (1.0 + 0.3 * np.sin(2.0 * np.pi * 0.7 * t)), {}
    yield "sweep", 0.5 * np.sin(2.0 * np.pi * (90.0 * t + 4.0 * t**2)), {}
    yield "short swell", (x * (1.0 + 0.4 * t / 0.3))[: int(0.3 * RATE_HZ)], {}
    y = tone(997.0, seconds=25.0)
    yield "long, turned down in steps", y * (1.0 - 0.02 * np.arange(25 * RATE_HZ) / RATE_HZ), {}


def too_short():
    yield "10 ms", tone(997.0)[:480], {}
    yield "two periods", tone(20.0)[: int(2.0 * RATE_HZ / 20.0)], {}
    yield "2.9 periods", tone(43.0)[: int(2.9 * RATE_HZ / 43.0)], {}
    yield "one frame", tone()[:1] + 0.5, {}


def input_overload():
    yield "clipped at full scale, 16 bit", np.clip(2.0 * tone(), -1.0, 1.0), {"subtype": "PCM_16"}
    yield "clipped at full scale, 24 bit", np.clip(3.0 * tone(997.0), -1, 1), {"subtype": "PCM_24"}
    yield "lower half only", np.clip(tone(level=1.5), -1.0, 2.0) * 1.0, {"subtype": "PCM_24"}
    yield "long", np.clip(tone(997.0, seconds=12.0, level=1.1), -1.0, 1.0), {"subtype": "PCM_16"}


def not_finite():
    x = tone(997.0)
    for name, value in (("nan", np.nan), ("inf", np.inf), ("minus inf", -np.inf)):
        y = x.copy()
        y[12345] = value
        yield name, y, {}


def gap(x, at, frames, value=0.0):
    y = x.copy()
    y[at : at + frames] = y[at] if value is None else value
    return y


def drop_out():
    x, low = tone(997.0, seconds=4.0), tone(43.0, seconds=5.0)
    yield "zeros", gap(x, 90000, 500), {}
    yield "zeros, a tenth of a second", gap(low, 100000, 4800), {}
    yield "held", gap(low, 90007, 1500, None), {}
    yield "left out", np.concatenate((x[:100000], x[100777:])), {}
    yield "left out of a low tone", np.concatenate((low[:80000], low[80512:])), {}
    long = tone(331.0, seconds=13.0)
    yield "left out of a long one", np.concatenate((long[:300000], long[300100:])), {}
    short = tone(997.0, seconds=0.4)
    yield "left out of a short one", np.concatenate((short[:9000], short[9256:])), {}


def repeated_block():
    for name, hz, frames in (("512", 997.0, 512), ("1024", 331.3, 1024), ("2048", 43.0, 2048)):
        x = tone(hz, seconds=5.0)
        yield f"{name} frames", np.concatenate((x[:100000], x[100000 - frames :])), {}
    x = tone(128.0, seconds=14.0)
    yield "in a long one", np.concatenate((x[:200000], x[200000 - 960 :])), {}


def probe_limit():
    yield "low tone", tone(43.0, level=0.9), {"limited": 100.0}
    yield "peak alone", tone() + np.where(np.arange(2 * RATE_HZ) == 9, 0.7, 0.0), {"limited": 90.0}
    yield "long", tone(997.0, level=0.7, seconds=12.0), {"limited": 60.0}


def setup_changed():
    for rate_hz in (44100, 96000, 8000):
        x = tone(97.0, rate_hz=rate_hz)
        yield f"{rate_hz}", x, {"rate_hz": rate_hz, "limited": 500.0}


CASES = [
    pytest.param(code, samples, more, id=f"{code}: {name}")
    for code, cases in (
        ("silent_input", silent),
        ("no_tone", no_tone),
        ("unsteady", unsteady),
        ("too_short", too_short),
        ("input_overload", input_overload),
        ("not_finite", not_finite),
        ("drop_out", drop_out),
        ("repeated_block", repeated_block),
        ("probe_limit", probe_limit),
        ("setup_changed", setup_changed),
    )
    for name, samples, more in cases()
]


def calibration(max_volts):
    from levelset.probe.calibration import Calibration
    from levelset.quantity import Quantity

    return Calibration(
        name="bench",
        port_name="invented",
        rate_hz=RATE_HZ,
        frequency_hz=94.0,
        volts_per_full_scale=(Quantity(100.0, 0.5, "V"),),
        match=None,
        coupling_hz=(),
        max_volts=max_volts,
        meter_volts_rms=10.0,
        evidence=(),
    )


@pytest.mark.parametrize(("code", "samples", "more"), CASES)
def test_void(tmp_path, code, samples, more):
    more = dict(more)
    if "limited" in more:
        limit = more.pop("limited")
        # 100 V per full scale: 0.9, 0.98 and 0.7 of full scale are 90, 98 and 70 V.
        more["scale"] = Scale.of(calibration(limit * 0.85 if limit <= 100.0 else limit), (1,), 1)
    readings = read(tmp_path / "r.wav", samples, **more)
    voids = [r for r in readings if r.tone.void is not None]
    assert [r.tone.void.code for r in voids][:1] == [code]
    for reading in voids:
        tone_result = reading.tone
        assert tone_result.void.reason.strip().endswith(".")
        assert tone_result.level_dbfs is None
        assert tone_result.thd_percent is None
        assert tone_result.clipping is None
        assert reading.volts_rms is None


def test_a_gap_voids_only_its_own_window(tmp_path):
    x = gap(tone(997.0, seconds=31.0), 15 * RATE_HZ, 300)
    readings = read(tmp_path / "r.wav", x)
    assert [r.tone.void and r.tone.void.code for r in readings] == [None, "drop_out", None, None]
    assert "15.000 s" in readings[1].tone.void.reason


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("frequency_hz", [20.0, 97.0, 997.0, 5000.0])
def test_a_sine_that_just_fills_the_converter_is_no_overload(tmp_path, subtype, frequency_hz):
    x = tone(frequency_hz, level=1.0, noise=0.0, seconds=3.0)
    [reading] = read(tmp_path / "r.wav", x, subtype=subtype)
    assert reading.tone.void is None
    assert reading.tone.level_dbfs.value == pytest.approx(0.0, abs=1e-3)


def test_no_void_and_true_levels_on_good_recordings():
    """200 here; ``python -m tests.recordings.good_recordings --count 1000`` for more."""
    voids, level, frequency, worst_db = good_recordings.run(200, seed=11)
    assert voids == []
    assert level > 0.93
    assert frequency > 0.93
    assert worst_db < 0.05
    assert math.isfinite(worst_db)
