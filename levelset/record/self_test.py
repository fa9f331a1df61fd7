"""The self-test of a path as it is kept with a calibration: what it says, and what it is from."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from levelset.errors import DamageError
from levelset.probe.reading import Frames
from levelset.record.audio_files import CODE_HIGH, read_capture

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.path_result import PathTrust

Part = Literal["low_before", "high", "low_after", "left_only"]
PARTS: tuple[Part, ...] = get_args(Part)
"""Stretches of the test: -20, -10 and again -20 dBFS, the last the long one; then left alone."""


@dataclass(frozen=True, slots=True)
class StoredStretch:
    """One stretch of the tone that came back.

    Parameters
    ----------
    part : Part
        Which one.
    capture : str
        SHA-256 of its FLAC file, which has all input channels.
    frames : Frames
        Where it came from.
    """

    part: Part
    capture: str
    frames: Frames


@dataclass(frozen=True, slots=True)
class StoredSelfTest:
    """What the path of a calibration's device and rate was found to be good for.

    Parameters
    ----------
    made : str
        When, RFC 3339 in UTC.
    trusted : bool
        False where an input cannot be trusted for volts.
    lines : tuple of str
        One for each fact.
    stretches : tuple of StoredStretch
        Its evidence; empty where the samples were spoilt, so that nothing is trusted.
    """

    made: str
    trusted: bool
    lines: tuple[str, ...]
    stretches: tuple[StoredStretch, ...] = ()


def complete(stretches: Sequence[StoredStretch]) -> bool:
    """Return whether a path can be judged from these: all parts but ``left_only`` are needed."""
    return {"low_before", "high", "low_after"} <= {stretch.part for stretch in stretches}


def judge_again(
    stretches: Sequence[StoredStretch],
    captures: Mapping[str, bytes],
    volts_per_full_scale: tuple[float, ...],
) -> PathTrust:
    """Judge a path from its captures.

    Parameters
    ----------
    stretches : sequence of StoredStretch
        A complete set.
    captures : mapping
        FLAC files by their SHA-256.
    volts_per_full_scale : tuple of float
        Peak volts at the tip for full scale of each channel.

    Raises
    ------
    DamageError
        If the set is not complete, or a capture has other frames than it says.
    """
    from levelset.analysis.path_verdict import TONE_HZ, Stretches, judge_path

    found: dict[str, NDArray[np.float64]] = {}
    rate_hz = 0
    for stretch in stretches:
        codes, rate_hz = read_capture(io.BytesIO(captures[stretch.capture]), stretch.capture)
        if (rate_hz, len(codes)) != (stretch.frames.rate_hz, stretch.frames.count):
            raise DamageError(
                f"capture {stretch.capture} has {len(codes)} frames at {rate_hz} Hz",
                "run the path check again",
            )
        found[stretch.part] = codes / (CODE_HIGH + 1.0)
    if not complete(stretches):
        raise DamageError("the self-test is not complete", "run the path check again")
    return judge_path(
        Stretches(found["low_before"], found["high"], found["low_after"], found.get("left_only")),
        rate_hz,
        TONE_HZ,
        same_clock=True,
        volts_per_full_scale=volts_per_full_scale,
    )


def lines_of(trust: PathTrust) -> tuple[str, ...]:
    """Return one line for each fact: every input, then what is to be kept in mind."""
    lesser = (finding.sentence for finding in trust.findings if not finding.grave)
    return (*(channel.line for channel in trust.channels), *lesser)


def differs(
    stored: StoredSelfTest, captures: Mapping[str, bytes], volts_per_full_scale: tuple[float, ...]
) -> str:
    """Judge again and return what the captures say otherwise; nothing where it holds."""
    if not stored.stretches:
        return "self-test: nothing is trusted without evidence" if stored.trusted else ""
    trust = judge_again(stored.stretches, captures, volts_per_full_scale)
    if trust.trusted != stored.trusted or lines_of(trust) != stored.lines:
        return f"self-test: {lines_of(trust)[0]}"
    return ""
