"""Audio files in and out: the only module that knows libsndfile."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from levelset.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

CODE_LOW, CODE_HIGH = -(2**23), 2**23 - 1
"""Smallest and largest 24-bit code."""


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
