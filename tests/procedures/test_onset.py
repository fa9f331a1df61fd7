"""The onset of clipping from the readings of a moving knob."""

from __future__ import annotations

import math

import pytest

from levelset.analysis.result import Clipping, ToneResult
from levelset.probe.reading import Reading
from levelset.procedures.onset import OnsetSearch
from levelset.quantity import Quantity


def reading(volts, *, thd=0.05, flat_v=None, halves="both", mean_v=0.0):
    """One full scale is 100 V peak."""
    state = "hard_clipping" if flat_v else ("soft_clipping" if thd > 1.0 else "clean")
    level = None if flat_v is None else Quantity((flat_v + mean_v) / 100.0, 1e-4, "FS")
    lower = None if flat_v is None else Quantity((-flat_v + mean_v) / 100.0, 1e-4, "FS")
    tone = ToneResult(
        void=None,
        amplitude_fs=Quantity(volts * math.sqrt(2.0) / 100.0, 1e-5, "FS"),
        offset_fs=Quantity(mean_v / 100.0, 1e-5, "FS"),
        level_dbfs=Quantity(-10.0, 0.001, "dB"),
        thd_percent=Quantity(thd, 0.01, "%"),
        clipping=Clipping(
            state,
            halves if flat_v else "none",
            None,
            level if halves in ("both", "upper") else None,
            lower if halves in ("both", "lower") else None,
        ),
    )
    volts_q = Quantity(volts, 0.01 * volts, "V")
    return Reading("pair", 0.0, 0.25, tone, volts_q, volts_q)


def test_a_flat_top_tells_its_own_voltage():
    search = OnsetSearch(1.0)
    for volts in (20.5, 20.6):
        search.add(reading(volts, flat_v=28.0))
        assert search.undecided
        assert search.onset is None
    search.add(reading(20.6, flat_v=28.0))
    assert search.onset is not None
    assert search.onset.volts_rms.value == pytest.approx(28.0 / math.sqrt(2.0))
    assert not search.undecided


def test_the_mean_is_no_part_of_the_onset():
    search = OnsetSearch(1.0)
    for _ in range(3):
        search.add(reading(20.5, flat_v=28.0, mean_v=1.5, halves="upper"))
    assert search.onset is not None
    assert search.onset.volts_rms.value == pytest.approx(28.0 / math.sqrt(2.0))


def test_a_knock_decides_nothing():
    search = OnsetSearch(1.0)
    search.add(reading(20.5, flat_v=28.0))
    search.add(reading(20.5, flat_v=28.0))
    search.add(reading(20.5))
    assert search.onset is None
    assert not search.undecided


def test_a_soft_limit_is_narrowed_down():
    """THD of this made-up amplifier crosses 1 % at 20 V."""
    search = OnsetSearch(1.0)
    volts = 18.0
    search.add(reading(volts, thd=0.2))
    volts = 22.0
    for _ in range(60):
        if search.onset is not None:
            break
        search.add(reading(volts, thd=(volts / 20.0) ** 12))
        volts = search.wanted_v_rms or volts
    assert search.onset is not None
    assert search.onset.kind == "limit"
    assert search.onset.volts_rms.value == pytest.approx(20.0, rel=0.01)


def test_a_flat_top_far_above_the_limit_is_corrected():
    """Driven hard a soft knee looks flat, yet THD crosses the limit well below."""
    search = OnsetSearch(1.0)
    search.add(reading(17.0, thd=0.3))
    for _ in range(3):
        search.add(reading(23.0, thd=8.0, flat_v=28.28))
    assert search.onset is not None
    assert search.onset.kind == "flat"
    for _ in range(3):
        search.add(reading(19.0, thd=1.4))
    assert search.onset is None
    assert search.undecided
    assert search.wanted_v_rms == pytest.approx(math.sqrt(17.0 * 19.0))
