"""A coded signal for every channel: any wire tells which channel it carries, and which way round.

Every channel plays sines of its own at multiples of one frequency, dealt to the channels by chance
and with phases by chance. Two channels share no line, so that no equaliser, delay or level makes
one look like the other; and no delay turns a signal into its own reverse, so that polarity shows.
"""

from __future__ import annotations

import math
from functools import lru_cache

from levelset.errors import UsageError
from levelset.limits import require_between
from levelset.signals.channels import LAYOUTS, ChannelSignals
from levelset.signals.multitone import PeriodicTones, clear_of_mains
from levelset.signals.signal import Component
from levelset.signals.tones import signal_name
from levelset.units import SQRT2

MOST_CHANNELS = 8
LOWEST_HZ, HIGHEST_HZ = 21, 12_000
PER_OCTAVE = 36
"""Lines of one channel in an octave, where there are as many."""
CLEARANCE_HZ = 2
SEED = 6
TRACKS = {2: "which-wire", 4: "which-wire-four", 6: "which-wire-six"}
"""Name of the track for players with so many channels."""
TRACK_PEAK_DBFS = -6.0


def wire_codes(channels: tuple[str, ...], peak_dbfs: float) -> tuple[PeriodicTones, ...]:
    """Return the coded signal of every channel.

    Parameters
    ----------
    channels : tuple of str
        Names of the player's channels, 1 to 8, all different, in the player's order. The same
        names in the same order give the same signals.
    peak_dbfs : float
        Peak of each over full scale, -80 to 0 dB.

    Returns
    -------
    tuple of PeriodicTones
        One for each channel, with the same power in every octave; a period of 1 s for one or
        two channels, of 2 s for more, so that each has enough lines in the bass.

    Raises
    ------
    UsageError
        If the names are not usable or the level is out of range.
    """
    if not 1 <= len(channels) <= MOST_CHANNELS or len(set(channels)) != len(channels):
        raise UsageError(
            f"{len(channels)} channels cannot be coded",
            f"give 1 to {MOST_CHANNELS} different names",
        )
    require_between(peak_dbfs, "peak", -80.0, 0.0, "dBFS")
    return tuple(
        PeriodicTones(
            signal_name("which-wire", name),
            f"tells that a wire carries {name}, and its polarity",
            code_period_s(len(channels)),
            parts,
        ).with_peak(peak_dbfs)
        for name, parts in zip(channels, _dealt(len(channels)), strict=True)
    )


def which_wire_track(channels: int) -> ChannelSignals:
    """Return the coded signals of a player's channels as one signal.

    Parameters
    ----------
    channels : int
        One of `LAYOUTS`: 2, 4 or 6.
    """
    names = LAYOUTS[channels]
    return ChannelSignals(
        TRACKS[channels],
        f"tells which of {channels} channels a wire carries, and its polarity",
        names,
        wire_codes(names, TRACK_PEAK_DBFS),
    )


def code_period_s(channels: int) -> float:
    """Return the period of the codes for so many channels, s."""
    return 1.0 if channels <= 2 else 2.0


@lru_cache(maxsize=MOST_CHANNELS)
def _dealt(channels: int) -> tuple[tuple[Component, ...], ...]:
    """Return the sines of every channel before they are scaled."""
    from levelset.signals.random_codes import triangular

    period_s = code_period_s(channels)
    numbers = _multiples(channels, period_s)
    rounds = math.ceil(len(numbers) / channels)
    # The difference of two uniform numbers is triangular, and uniform again within a turn.
    chance = triangular(SEED, 0, rounds * channels * 2) % 1.0
    parts: list[list[Component]] = [[] for _ in range(channels)]
    for turn in range(rounds):
        keys = chance[turn * channels : (turn + 1) * channels]
        order = sorted(range(channels), key=keys.__getitem__)
        for place, channel in enumerate(order):
            index = turn * channels + place
            if index >= len(numbers):
                break
            frequency_hz = numbers[index] / period_s
            # Power by the room that the line has to itself: the same in every octave.
            room_hz = max(channels / period_s, frequency_hz * math.log(2.0) / PER_OCTAVE)
            phase = 2.0 * math.pi * float(chance[rounds * channels + index])
            amplitude = SQRT2 * math.sqrt(room_hz / frequency_hz) / (2.0 * PER_OCTAVE)
            parts[channel].append(Component(frequency_hz, amplitude, phase))
    return tuple(tuple(p) for p in parts)


def _multiples(channels: int, period_s: float) -> list[int]:
    """Return the multiples of the base frequency that are used, ascending."""
    chosen: list[int] = []
    place = LOWEST_HZ * period_s
    while place <= HIGHEST_HZ * period_s:
        number = max(math.ceil(place), chosen[-1] + 1 if chosen else 0)
        while not _clear(number, period_s):
            number += 1
        chosen.append(number)
        place = max(place, number) * 2.0 ** (1.0 / (PER_OCTAVE * channels))
    return chosen


def _clear(number: int, period_s: float) -> bool:
    """Tell whether a multiple keeps clear of mains; half hertz are judged by both neighbours."""
    low_hz = math.floor(number / period_s)
    high_hz = math.ceil(number / period_s)
    return clear_of_mains(low_hz, CLEARANCE_HZ) and clear_of_mains(high_hz, CLEARANCE_HZ)
