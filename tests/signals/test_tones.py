import math

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.signals.tones import set_tone, signal_name, silence


@pytest.mark.parametrize("level", [0.0, -0.001, -1.0, -6.0, -20.0, -119.0])
def test_level_by_the_aes17_definition(level):
    # AES17: the level of a full-scale sine is 0 dBFS, so the RMS of a tone at L dBFS is
    # 10**(L/20) / sqrt 2.
    tone = set_tone("set-bass", "sets the gain of a bass channel", 43.0, level)
    x = tone.at(np.arange(48000) / 48000.0)
    assert 20.0 * math.log10(math.sqrt(2.0 * np.mean(x**2))) == pytest.approx(level, abs=1e-9)


@pytest.mark.parametrize("frequency", [5.0, 43.0, 997.0, 11025.0, 12000.0, 20000.0])
def test_never_beyond_full_scale(frequency):
    tone = set_tone("set-full", "full scale", frequency, 0.0)
    for rate in (44100, 48000, 192000):
        x = tone.at(np.arange(rate // 4) / rate)
        assert np.max(np.abs(x)) <= 1.0


def test_starts_at_zero_and_rises():
    x = set_tone("set-mid", "", 997.0, -6.0).at(np.array([0.0, 1e-5]))
    assert x[0] == 0.0
    assert x[1] > 0.0


def test_silence_is_nothing():
    assert not silence().components
    assert not np.any(silence().at(np.linspace(0.0, 1.0, 100)))


@pytest.mark.parametrize(
    ("subject", "name"),
    [
        ("bass", "set-bass"),
        ("Front left", "set-front-left"),
        ("  Tür (hinten) ", "set-t-r-hinten"),
        ("///", "set"),
        ("", "set"),
    ],
)
def test_names_by_purpose(subject, name):
    assert signal_name("set", subject) == name
    set_tone(name, "", 100.0, 0.0)


@pytest.mark.parametrize(
    ("name", "frequency", "level"),
    [
        ("set-bass", 0.0, 0.0),
        ("set-bass", -43.0, 0.0),
        ("set-bass", 30000.0, 0.0),
        ("set-bass", math.nan, 0.0),
        ("set-bass", 43.0, 0.01),
        ("set-bass", 43.0, -math.inf),
        ("set-bass", 43.0, math.nan),
        ("", 43.0, 0.0),
        ("Set Bass", 43.0, 0.0),
        ("../set", 43.0, 0.0),
        ("set--bass", 43.0, 0.0),
        ("set-bass\n", 43.0, 0.0),
    ],
)
def test_bad_fields_are_refused(name, frequency, level):
    with pytest.raises(UsageError):
        set_tone(name, "purpose", frequency, level)
