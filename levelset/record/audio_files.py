"""Audio files in and out: the only module that knows libsndfile."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Literal

from levelset.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

CODE_LOW, CODE_HIGH = -(2**23), 2**23 - 1
"""Smallest and largest 24-bit code."""

LOSSY = frozenset({"VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"})

SAMPLE_BYTES = {"PCM_S8": 1, "PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4}

UNKNOWN_SIZE = 0x7FFF0000
"""Sizes from here up are what programs write that stream a file without knowing its length."""

LONGEST = 2**36
"""Frames that a FLAC header can count; libsndfile reports more where it does not know."""


@dataclass(frozen=True, slots=True)
class Recording:
    """An audio file that can be read, as its header describes it.

    Parameters
    ----------
    path : Path
        The file.
    rate_hz : int
        Sample rate, Hz.
    channels : int
        Number of channels.
    frames : int
        Number of frames.
    subtype : str
        libsndfile's word for the coding, such as ``PCM_24``.
    """

    path: Path
    rate_hz: int
    channels: int
    frames: int
    subtype: str

    @property
    def lossy(self) -> bool:
        """Whether the coding is known to alter the signal."""
        return self.subtype in LOSSY

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.frames / self.rate_hz

    def blocks(self, frames: int) -> Iterator[NDArray[np.float64]]:
        """Read the file from its beginning, one block in memory at a time.

        Parameters
        ----------
        frames : int
            Frames in a block, above 0.

        Yields
        ------
        ndarray, shape (frames, channels)
            Full scale = 1.0, integer codes exact; the last block may be shorter. Floating-point
            files may hold anything, NaN included.

        Raises
        ------
        InputError
            If the file cannot be read to the end that its header names. Blocks that were already
            given are as they are in the file.
        """
        import soundfile

        count = 0
        try:
            with soundfile.SoundFile(_name(self.path)) as file:
                while True:
                    block = file.read(frames, dtype="float64", always_2d=True)
                    if len(block) == 0:
                        break
                    count += len(block)
                    yield block
        except soundfile.SoundFileError as error:
            where = f"after {count / self.rate_hz:.1f} s of {self.duration_s:.1f} s"
            raise _unusable(self.path, f"damaged {where} ({_reason(error)})") from error
        if count < self.frames:
            raise _unusable(self.path, f"truncated, {count} of {self.frames} frames are there")


def open_recording(path: Path) -> Recording:
    """Look at an audio file of any kind that libsndfile reads.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Recording
        Described by its header, which has been compared with the size of the file where the
        format allows that.

    Raises
    ------
    InputError
        If it is missing, no file, empty, no audio, holds no frames, is shorter than its header
        says, or does not say how long it is.
    """
    import soundfile

    try:
        if not path.exists():
            raise InputError(f"{path}: no such file", "check the name")
        if not path.is_file():
            raise InputError(f"{path}: not a file", "name the recordings one by one")
        size = path.stat().st_size
        with open(path, "rb"):
            pass
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}", "restore access to it") from error
    if size == 0:
        raise _unusable(path, "empty")
    try:
        with soundfile.SoundFile(_name(path)) as file:
            found = Recording(path, int(file.samplerate), file.channels, file.frames, file.subtype)
            log = str(file.extra_info)
    except soundfile.SoundFileError as error:
        what = f"not an audio file that can be read ({_reason(error)})"
        raise InputError(f"{path}: {what}", "save it as WAV or FLAC") from error
    except TypeError as error:  # soundfile asks for rate and channels of headerless samples
        raise InputError(f"{path}: has no header", "save it as WAV or FLAC") from error
    _check_length(found, size, log)
    return found


def _check_length(found: Recording, size: int, log: str) -> None:
    """Compare what the header says with the file; libsndfile corrects silently, but logs it."""
    for claimed, there in re.findall(r": (\d+) \(should be (\d+)\)", log):
        if int(there) < int(claimed) < UNKNOWN_SIZE:
            what = f"truncated, its header names {claimed} bytes where {there} are"
            raise _unusable(found.path, what)
    if "seems to be truncated" in log:
        raise _unusable(found.path, "truncated")
    if found.frames > LONGEST:
        raise _unusable(found.path, "its header does not say how long it is")
    if found.frames == 0:
        raise _unusable(found.path, "its header names no samples")
    # Behind too small a length libsndfile takes samples for chunks. A short rest is left alone: it
    # is what careless programs write behind the samples.
    audio_bytes = found.frames * found.channels * SAMPLE_BYTES.get(found.subtype, 8)
    if "Exiting parser" in log and size > 1.05 * audio_bytes + 4096:
        what = f"its header names {found.frames} frames, and what follows them is no audio file"
        raise _unusable(found.path, what)


def _unusable(path: Path, what: str) -> InputError:
    return InputError(f"{path}: {what}", "copy the file again, or save it again as WAV or FLAC")


def write_track(
    path: Path,
    blocks: Iterable[NDArray[np.int32]],
    rate_hz: int,
    channels: int,
    bits: Literal[16, 24],
) -> None:
    """Write codes as a WAV or FLAC file; the file has its name only once it is whole.

    Parameters
    ----------
    path : Path
        File to write or replace; its ending says the format.
    blocks : iterable of int32 arrays, shape (frames, channels)
        Codes of that word length.
    rate_hz : int
        Sample rate, Hz.
    channels : int
        Channels.
    bits : {16, 24}
        Word length.

    Raises
    ------
    InputError
        If it cannot be written; nothing is left of it then, as after an interruption.
    """
    import soundfile

    container = {".wav": "WAV", ".flac": "FLAC"}[path.suffix]
    if container == "WAV" and channels > 2:
        # The extensible form says which channel is where.
        container = "WAVEX"
    new = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with soundfile.SoundFile(
            new, "w", rate_hz, channels, subtype=f"PCM_{bits}", format=container
        ) as file:
            for block in blocks:
                # libsndfile takes shorter words in the upper bits of an int32.
                file.write(block << (32 - bits))
        os.replace(new, path)
    except (OSError, soundfile.SoundFileError) as error:
        why = getattr(error, "strerror", None) or _reason(error)
        raise InputError(
            f"{path}: cannot be written ({why})", "make room or choose another folder"
        ) from error
    finally:
        new.unlink(missing_ok=True)


def write_capture(path: Path, codes: NDArray[np.int32], rate_hz: int) -> None:
    """Write raw codes as a 24-bit FLAC file, exactly.

    Parameters
    ----------
    path : Path
        File to write.
    codes : ndarray of int32, shape (frames, channels)
        24-bit codes, at least one frame, 1 to 8 channels.
    rate_hz : int
        Sample rate, Hz.

    Raises
    ------
    ValueError
        If the array is not what it must be: a fault of the caller, never of the person.
    OSError
        If the file could not be written.
    """
    import numpy as np
    import soundfile

    if codes.dtype != np.int32 or codes.ndim != 2 or not (1 <= codes.shape[1] <= 8):
        raise ValueError(f"codes must be int32 (frames, 1 to 8), got {codes.dtype} {codes.shape}")
    if len(codes) == 0:
        raise ValueError("a capture needs at least one frame")
    if int(codes.min()) < CODE_LOW or int(codes.max()) > CODE_HIGH:
        raise ValueError("codes must be within 24 bit")
    try:
        # libsndfile takes 24-bit codes in the upper bits of an int32; floats would be rounded.
        soundfile.write(path, codes << 8, rate_hz, format="FLAC", subtype="PCM_24")
    except soundfile.LibsndfileError as error:
        raise OSError(f"the capture could not be written: {error.error_string}") from error


def read_capture(source: Path | BinaryIO, name: str = "") -> tuple[NDArray[np.int32], int]:
    """Read the codes of a capture.

    Parameters
    ----------
    source : Path or binary file
        The FLAC file.
    name : str
        Name for messages; the path by default.

    Returns
    -------
    codes : ndarray of int32, shape (frames, channels)
        24-bit codes.
    rate_hz : int
        Sample rate, Hz.

    Raises
    ------
    InputError
        If it is missing, or not a whole 24-bit FLAC file.
    """
    import soundfile

    shown = name or str(source)
    todo = "restore it from a copy of the job"
    if isinstance(source, Path) and not source.is_file():
        raise InputError(f"{shown}: missing", todo)
    try:
        with soundfile.SoundFile(source) as file:
            if file.format != "FLAC" or file.subtype != "PCM_24":
                raise InputError(f"{shown}: {file.format} {file.subtype}, not 24-bit FLAC", todo)
            frames, rate_hz = file.frames, int(file.samplerate)
            # A file cut off while it was written claims 2**63 - 1 frames.
            if not 0 < frames < 2**31:
                raise InputError(f"{shown}: claims {frames} frames", todo)
            codes = file.read(dtype="int32", always_2d=True)
    except soundfile.SoundFileError as error:
        raise InputError(f"{shown}: cannot be read as audio ({_reason(error)})", todo) from error
    if len(codes) != frames:
        raise InputError(f"{shown}: {len(codes)} of {frames} frames are there", todo)
    return codes >> 8, rate_hz


def _reason(error: Exception) -> str:
    return str(getattr(error, "error_string", error)).strip().rstrip(".")


def _name(path: Path) -> Path | bytes:
    """Return a name for the library, which takes text of UTF-8 or the system's own bytes."""
    return path if sys.platform == "win32" else os.fsencode(path)
