import math

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.signals.multitone import PERIOD_S, response_tones
from levelset.signals.which_wire import wire_codes

NAMES = tuple("abcdefgh")


def test_response_tones_keep_clear_of_mains_and_of_each_others_distortion():
    tones = response_tones("response", "", 0.0)
    hz = [part.frequency_hz for part in tones.components]
    assert all(f % 2 == 1 for f in hz)
    for mains in (50, 60):
        assert min(abs(f - mains * max(1, round(f / mains))) for f in hz) >= 3
    assert hz == sorted(set(hz))
    assert hz[0] < 20.0
    assert hz[-1] > 19_000.0
    # From 20 Hz no gap is wider than a sixth of an octave, but for the one about 50 Hz.
    gaps = [math.log2(b / a) for a, b in zip(hz, hz[1:], strict=False) if a > 18]
    assert max(gaps) < 0.18


@pytest.mark.parametrize("rate", [44_100, 192_000])
def test_the_peak_is_a_bound_and_near(rate):
    for signal in (response_tones("response", "", -3.0), wire_codes(("left", "right"), -3.0)[1]):
        x = signal.at(np.arange(rate) / rate)
        assert np.abs(x).max() <= signal.peak_fs
        if rate == 192_000:
            assert np.abs(x).max() > 0.97 * signal.peak_fs
        assert signal.peak_fs == pytest.approx(10 ** (-3 / 20))
        # A period of 1 s holds whole periods of every sine: the level is exact over it.
        level = 10 * math.log10(2 * np.mean(x * x))
        assert level == pytest.approx(signal.level_dbfs, abs=1e-6)


def test_response_tones_have_a_low_crest_factor():
    tones = response_tones("response", "", 0.0)
    # Noise of that length has 12 dB and more; the table of phases was searched for 8.
    assert -tones.level_dbfs < 5.1
    assert tones.period_s == PERIOD_S


@pytest.mark.parametrize("count", range(1, 9))
def test_channels_share_no_line(count):
    codes = wire_codes(NAMES[:count], -6.0)
    lines = [part.frequency_hz for code in codes for part in code.components]
    assert len(lines) == len(set(lines))
    for code in codes:
        hz = np.array([part.frequency_hz for part in code.components])
        assert np.allclose(hz * code.period_s, np.rint(hz * code.period_s))
        # Enough of each in the band of a bass loudspeaker.
        assert np.sum((hz > 25) & (hz < 100)) >= 8
        # About the same power in every octave from 40 Hz.
        power = np.array([part.amplitude_fs for part in code.components]) ** 2
        octaves = [power[(hz >= f) & (hz < 2 * f)].sum() for f in 40.0 * 2.0 ** np.arange(8)]
        assert 10 * math.log10(max(octaves) / min(octaves)) < 3.0


@pytest.mark.parametrize("count", [2, 8])
def test_no_delay_turns_a_channel_into_its_reverse(count):
    """Over the whole band the best delay in reversed polarity agrees far less than none."""
    for code in wire_codes(NAMES[:count], -6.0)[:2]:
        t = np.arange(round(48_000 * code.period_s)) / 48_000
        spectrum = np.fft.rfft(code.at(t))
        correlation = np.fft.irfft(np.abs(spectrum) ** 2)
        assert -correlation.min() < 0.75 * correlation.max()


def test_the_same_names_give_the_same_signals_for_ever():
    """What a stick was written with is found by a later version: frozen values."""
    left, right = wire_codes(("left", "right"), 0.0)
    assert [part.frequency_hz for part in left.components[:8]] == [21, 23, 26, 27, 29, 31, 34, 36]
    assert [part.frequency_hz for part in right.components[:4]] == [22, 24, 25, 28]
    assert left.components[0].phase_rad == pytest.approx(0.8068976302736833, abs=1e-9)


@pytest.mark.parametrize("names", [(), ("a", "a"), tuple("abcdefghi")])
def test_channels_that_cannot_be_coded_are_refused(names):
    with pytest.raises(UsageError):
        wire_codes(names, -6.0)


@pytest.mark.parametrize("peak", [0.1, -81.0, float("nan")])
def test_levels_out_of_range_are_refused(peak):
    with pytest.raises(UsageError):
        response_tones("response", "", peak)
    with pytest.raises(UsageError):
        wire_codes(("left",), peak)
