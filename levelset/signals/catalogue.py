"""The tracks that levelset offers, by purpose."""

from __future__ import annotations

from dataclasses import dataclass

from levelset.errors import UsageError
from levelset.signals.multitone import response_tones
from levelset.signals.noise import pink_noise
from levelset.signals.steps import SteppedTone
from levelset.signals.tones import set_tone, silence
from levelset.signals.track import Track
from levelset.signals.which_wire import TRACKS, which_wire_track

OVERLAP_DB = (0.0, 15.0)
CHECK_DBFS = -20.0
RESPONSE_PEAK_DBFS = -6.0
RESPONSE = "response of a source in a few seconds"
HOLD_S, LOW_S, LOW_DB, RAMP_S = 6.0, 2.0, -20.0, 0.05
BURNS = (
    "A steady tone at full power burns voice coils in seconds: loudspeakers off or disconnected, "
    "start with the volume at zero, protect your hearing."
)
SEARCH = (
    "Lowest safe volume first; with loudspeakers connected keep it short and tweeters off; "
    "protect your hearing."
)
GENTLE = "Start with the volume at zero."


@dataclass(frozen=True, slots=True)
class Tones:
    """Frequencies of the set tones, Hz, clear of mains multiples.

    Parameters
    ----------
    bass, midbass, mid, upper : float
        Tone of each kind of channel.
    calibrate : float
        Tone that a multimeter reads well.
    """

    bass: float
    midbass: float
    mid: float
    upper: float
    calibrate: float


def catalogue(tones: Tones, overlap_db: float = 0.0) -> tuple[Track, ...]:
    """Return every track.

    Parameters
    ----------
    tones : Tones
        Frequencies.
    overlap_db : float
        Gain overlap, 0 to 15 dB: set tones are recorded that far below full scale.

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    if not OVERLAP_DB[0] <= overlap_db <= OVERLAP_DB[1]:
        raise UsageError(
            f"gain overlap of {overlap_db:g} dB is out of range",
            f"give {OVERLAP_DB[0]:g} to {OVERLAP_DB[1]:g} dB",
        )
    tracks = [
        Track(silence(), "Raise the volume with care: the next track may be loud.", None),
        _tone("calibrate", "probe against multimeter", tones.calibrate, 0.0, BURNS),
        _tone("check-level", "wiring and level at a gentle level", tones.upper, CHECK_DBFS, GENTLE),
    ]
    for name, subject, frequency_hz in (
        ("set-bass", "gain of a bass channel", tones.bass),
        ("set-midbass", "gain of a mid-bass channel", tones.midbass),
        ("set-mid", "gain of a mid channel", tones.mid),
        ("set-upper", "gain of an upper or full-range channel", tones.upper),
    ):
        tracks.append(_tone(name, subject, frequency_hz, -overlap_db, BURNS))
    for name, where, frequency_hz in (
        ("clean-steps-bass", "in the bass", tones.bass),
        ("clean-steps-upper", "in the upper band", tones.upper),
    ):
        purpose = f"search of the highest clean volume {where}: one step up while it is low"
        tone = set_tone(name, purpose, frequency_hz, 0.0)
        stepped = SteppedTone(tone, HOLD_S, LOW_S, LOW_DB, RAMP_S)
        tracks.append(Track(stepped, SEARCH, frequency_hz))
    for channels in TRACKS:
        tracks.append(Track(which_wire_track(channels), GENTLE, None))
    tones_at_once = response_tones("response", RESPONSE, RESPONSE_PEAK_DBFS)
    tracks.append(Track(tones_at_once, GENTLE, None))
    noise = pink_noise("pink-noise", "response and balance, all octaves alike", CHECK_DBFS)
    tracks.append(Track(noise, GENTLE, None))
    return tuple(tracks)


def _tone(name: str, purpose: str, frequency_hz: float, level_dbfs: float, caution: str) -> Track:
    return Track(set_tone(name, purpose, frequency_hz, level_dbfs), caution, frequency_hz)
