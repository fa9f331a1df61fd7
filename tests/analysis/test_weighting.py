"""A-weighting and octave bands against IEC tables and a general-purpose acoustics library."""

import numpy as np
import pyfar
import pytest

from levelset.analysis.noise import read_noise
from levelset.analysis.octaves import band_edges, exact_frequencies
from levelset.analysis.weighting import a_weighting

# IEC 61672-1:2013, Table 3, column A, by nominal frequency (read in a public copy).
TABLE_3 = {
    20: -50.5, 31.5: -39.4, 50: -30.2, 63: -26.2, 100: -19.1, 125: -16.1, 200: -10.9, 250: -8.6,
    400: -4.8, 500: -3.2, 800: -0.8, 1000: 0.0, 1250: 0.6, 1600: 1.0, 2000: 1.2, 2500: 1.3,
    3150: 1.2, 4000: 1.0, 5000: 0.5, 6300: -0.1, 8000: -1.1, 10000: -2.5, 12500: -4.3,
    16000: -6.6, 20000: -9.3,
}  # fmt: skip


def test_a_weighting_is_table_3():
    exact = exact_frequencies(3, 10.0, 20_000.0)
    for nominal, db in TABLE_3.items():
        f = exact[np.argmin(np.abs(np.log(exact / nominal)))]
        # The table is rounded to a tenth and holds at the exact frequencies.
        assert round(20.0 * np.log10(a_weighting(np.array([f]))[0]), 1) + 0.0 == db, nominal


def test_exact_frequencies_are_those_of_iec_61260():
    # IEC 61260-1:2014, Table E.1 (base ten): 31.623, 125.89, 251.19, 1258.9, 3981.1, 12589 Hz.
    thirds = exact_frequencies(3, 20.0, 20_000.0)
    assert thirds.size == 31
    assert thirds[0] == pytest.approx(19.953, abs=5e-4)
    assert thirds[-1] == pytest.approx(19952.62, abs=5e-3)
    for value in (31.623, 125.893, 251.189, 1258.925, 3981.072, 12589.254):
        assert np.min(np.abs(thirds / value - 1.0)) < 2e-5
    low, high = band_edges(np.array([1000.0]), 3)
    assert low[0] == pytest.approx(891.251, abs=5e-4)
    assert high[0] == pytest.approx(1122.018, abs=5e-4)
    # Sixths have no band at 1 kHz: their edges meet there, and they halve the thirds.
    sixths = exact_frequencies(6, 20.0, 20_000.0)
    edges = band_edges(sixths, 6)
    assert np.min(np.abs(edges[1] / 1000.0 - 1.0)) < 1e-12
    assert edges[1][:-1] == pytest.approx(edges[0][1:], rel=1e-12)


@pytest.mark.parametrize("call", [(5, 20.0, 100.0), (3, 100.0, 20.0), (3, 0.0, 20.0)])
def test_impossible_bands_are_refused(call):
    with pytest.raises(ValueError):
        exact_frequencies(*call)


@pytest.mark.outside
def test_against_a_general_purpose_acoustics_library():
    """IEC weights and bands as pyfar has them (pyfar.constants)."""
    f = exact_frequencies(3, 20.0, 20_000.0)
    theirs = pyfar.constants.frequency_weighting_curve("A", f)
    assert 20.0 * np.log10(a_weighting(f)) == pytest.approx(np.asarray(theirs), abs=2e-3)
    for fraction in (3, 6):
        bands = pyfar.constants.fractional_octave_frequencies_exact(fraction, (20, 20_000))[0]
        # It goes one band further where the limit lies inside a band.
        ours = exact_frequencies(fraction, 20.0, 20_000.0)
        assert ours == pytest.approx(np.asarray(bands)[: ours.size], rel=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize("tilt_db_per_octave", [0.0, -3.0])
def test_the_same_noise_by_a_general_purpose_acoustics_library(tilt_db_per_octave):
    """A-weighted by the digital filter of pyfar.dsp, whose limits are those of class 1."""
    rate_hz, frames = 48_000, 1 << 18
    spectrum = np.fft.rfft(np.random.default_rng(3).standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    octaves = np.log2(np.maximum(hz, 1.0) / 1000.0)
    spectrum *= 10.0 ** (tilt_db_per_octave * octaves / 20.0) * ((hz > 20.0) & (hz < 20_000.0))
    x = 1e-3 * np.fft.irfft(spectrum)
    weighted = pyfar.dsp.filter.frequency_weighting_filter(pyfar.Signal(x, rate_hz), "A")
    reading = read_noise(x, rate_hz, floor=None)
    for level, theirs in ((reading.a_weighted, weighted.time), (reading.unweighted, x)):
        ratio = level.rms_fs.value / float(np.sqrt(np.square(theirs).mean()))
        assert 20.0 * np.log10(ratio) == pytest.approx(0.0, abs=0.15)
