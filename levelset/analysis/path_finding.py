"""A fact about the path between converter and reader: one line for a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FindingCode = Literal[
    "samples_missing",
    "block_repeated",
    "block_zeroed",
    "stands_still",
    "all_zero",
    "no_tone",
    "automatic_gain",
    "noise_gate",
    "limiter",
    "resampled",
    "other_clock",
    "mono_sum",
    "channels_swapped",
    "channel_leak",
]
LESSER: frozenset[FindingCode] = frozenset({"other_clock", "channel_leak"})
"""Findings that volts can be read in spite of."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where something happened.

    Parameters
    ----------
    at : int
        First frame, from the start of the window.
    frames : int
        How many; 0 where it has no length.
    """

    at: int
    frames: int


@dataclass(frozen=True, slots=True)
class Finding:
    """One fact about the path.

    Parameters
    ----------
    code : FindingCode
        Fixed word.
    sentence : str
        One line for a person, with numbers.
    places : tuple of Place
        Where, if it has a place.
    """

    code: FindingCode
    sentence: str
    places: tuple[Place, ...] = ()

    @property
    def grave(self) -> bool:
        """True where volts cannot be trusted."""
        return self.code not in LESSER
