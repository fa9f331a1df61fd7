"""What a photograph says besides its picture is left out: place, time, camera, owner.

A JPEG file is a row of marked segments (ITU-T T.81, B.1.1), a PNG file a row of chunks
(ISO/IEC 15948, 5.3). Segments and chunks that hold no picture are dropped; nothing is decoded or
coded again.
"""

from __future__ import annotations

import struct
import zlib
from typing import Literal

from levelset.errors import InputError

MediaType = Literal["image/jpeg", "image/png"]
ENDINGS: dict[MediaType, str] = {"image/jpeg": ".jpg", "image/png": ".png"}
LARGEST_BYTES = 20_000_000
"""Larger than photographs are; a job stays small enough to be sent."""

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_WORDS = frozenset({b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME"})
_SOI, _EOI, _SOS, _COM, _APP0, _APP1, _APP14 = 0xD8, 0xD9, 0xDA, 0xFE, 0xE0, 0xE1, 0xEE
_ALONE = frozenset({0x01, *range(0xD0, 0xD8)})
"""Markers without a length: TEM and the restart markers (T.81, table B.1)."""
_ORIENTATION = 0x0112
"""Tag of TIFF 6.0 that says how a picture is turned; Exif keeps it in its first directory."""


def without_particulars(data: bytes) -> tuple[MediaType, bytes]:
    """Return the kind of a photograph, by its content, and its bytes without particulars.

    Parameters
    ----------
    data : bytes
        A whole JPEG or PNG file.

    Returns
    -------
    media_type : {"image/jpeg", "image/png"}
        What it is.
    bytes
        The same picture; of the particulars only which side is up stays.

    Raises
    ------
    InputError
        If it is neither, is too large or is cut off.
    """
    if len(data) > LARGEST_BYTES:
        size = f"{len(data) / 1e6:.0f} MB"
        raise InputError(
            f"a file of {size} is too large", f"make it smaller than {LARGEST_BYTES // 1000000} MB"
        )
    try:
        if data.startswith(_PNG):
            return "image/png", _png(data)
        if data.startswith(b"\xff\xd8\xff"):
            return "image/jpeg", _jpeg(data)
    except (IndexError, struct.error) as error:
        raise InputError("the picture is cut off", "copy the file again") from error
    raise InputError("neither a JPEG nor a PNG picture", "save it as JPEG or PNG")


def _png(data: bytes) -> bytes:
    kept = [_PNG]
    at = len(_PNG)
    name = b""
    while name != b"IEND":
        length, name = struct.unpack_from(">I4s", data, at)
        chunk = data[at : at + 12 + length]
        (check,) = struct.unpack_from(">I", chunk, 8 + length)
        if zlib.crc32(chunk[4 : 8 + length]) != check:
            raise InputError("the picture is damaged", "copy the file again")
        if name not in _PNG_WORDS:
            kept.append(chunk)
        at += 12 + length
    return b"".join(kept)


def _jpeg(data: bytes) -> bytes:
    kept = [data[:2]]
    at = 2
    turned = 1
    while True:
        if data[at] != 0xFF:
            raise InputError("the picture is damaged", "copy the file again")
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker == _EOI:
            break
        if marker in _ALONE:
            kept.append(data[at : at + 2])
            at += 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise IndexError
        if marker == _APP1:
            turned = _orientation(data[at + 4 : end]) or turned
        elif marker == _SOS:
            end = _end_of_scan(data, end)
            kept.append(data[at:end])
        elif marker in (_APP0, _APP14) or not (_APP0 <= marker <= 0xEF or marker == _COM):
            # APP0 and APP14 say how the colours are coded; a picture needs them.
            kept.append(data[at:end])
        at = end
    if turned != 1:
        kept.insert(1, _exif_of(turned))
    return b"".join([*kept, b"\xff\xd9"])


def _end_of_scan(data: bytes, at: int) -> int:
    """Return where coded data end: at a marker that is neither stuffing nor a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise IndexError
        if data[at + 1] == 0 or 0xD0 <= data[at + 1] <= 0xD7:
            at += 2
        elif data[at + 1] == 0xFF:
            at += 1
        else:
            return at


def _orientation(body: bytes) -> int:
    """Return the orientation, 1 to 8, that an Exif segment states; 0 where there is none."""
    if not body.startswith(b"Exif\0\0"):
        return 0
    tiff = body[6:]
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None:
        return 0
    try:
        (first,) = struct.unpack_from(order + "I", tiff, 4)
        (count,) = struct.unpack_from(order + "H", tiff, first)
        for entry in range(min(count, 64)):
            tag, _, _, value = struct.unpack_from(order + "HHIH", tiff, first + 2 + 12 * entry)
            if tag == _ORIENTATION:
                return value if 1 <= value <= 8 else 0
    except struct.error:
        return 0
    return 0


def _exif_of(turned: int) -> bytes:
    """Return an Exif segment that says nothing but which side is up."""
    tiff = b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, _ORIENTATION, 3, 1, turned, 0, 0)
    body = b"Exif\0\0" + tiff
    return struct.pack(">BBH", 0xFF, _APP1, len(body) + 2) + body
