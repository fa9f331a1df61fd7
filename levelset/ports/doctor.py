"""What is missing on this machine for live work, and how to put it right."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from levelset.errors import DeviceError
from levelset.ports.audio_process import devices
from levelset.ports.devices import Listing


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Parameters
    ----------
    ok : bool or None
        False where live work cannot go on; None for a hint.
    what : str
        What was found.
    remedy : str
        What to do; empty where nothing is needed.
    """

    ok: bool | None
    what: str
    remedy: str = ""

    def line(self) -> str:
        """Return the line for the terminal."""
        mark = {True: "ok", False: "missing", None: "note"}[self.ok]
        return f"{mark:8}{self.what}" + (f" - {self.remedy}" if self.remedy else "")

    def as_json(self) -> dict[str, Any]:
        """Return the entry of ``doctor --json``."""
        return {"ok": self.ok, "what": self.what, "remedy": self.remedy}


def examine(platform: str = sys.platform) -> tuple[Finding, ...]:
    """Look at everything that live work needs; never raises.

    Parameters
    ----------
    platform : str
        As ``sys.platform`` names it.
    """
    try:
        listing = devices()
    except DeviceError as error:
        return (Finding(False, error.what, error.todo), *_permission(platform))
    return (*_library(listing), *_choice(listing), *_permission(platform))


def _library(listing: Listing) -> Iterator[Finding]:
    apis = ", ".join(listing.host_apis) or "no device"
    yield Finding(True, f"{listing.library.split(',')[0]}: {apis}")
    if "ASIO" not in listing.host_apis and os.name == "nt":
        yield Finding(
            None,
            "ASIO is off",
            "set SD_ENABLE_ASIO=1 before the start where the interface has an ASIO driver only",
        )


def _choice(listing: Listing) -> Iterator[Finding]:
    usable = [device for device in listing.devices if device.use != "refused"]
    if not any(device.inputs for device in usable):
        yield Finding(
            False,
            "no sound input can be used",
            "plug in a sound interface; levelset devices says why each other one is refused",
        )
    for device in usable:
        rates = "rates unknown until opened"
        if device.rates_hz is not None:
            rates = ", ".join(f"{rate / 1000:g}" for rate in device.rates_hz) + " kHz"
            if not device.rates_hz:
                yield Finding(
                    None,
                    f'"{device.name}" opens at no rate now',
                    "close other programs that use it",
                )
                continue
        note = f" ({device.reasons[0]})" if device.reasons else ""
        yield Finding(
            True,
            f'"{device.key}": {device.inputs} inputs, {device.outputs} outputs, {rates}{note}',
        )
    keys = [device.key for device in usable]
    for key in sorted({key for key in keys if keys.count(key) > 1}):
        yield Finding(
            None, f'{keys.count(key)} devices are called "{key}"', "unplug all but one of them"
        )


def _permission(platform: str) -> Iterator[Finding]:
    if platform == "darwin":
        yield Finding(
            None,
            "without permission the input gives exact zeros and no error",
            "System Settings, Privacy & Security, Microphone: allow the terminal program",
        )
    elif platform == "win32":
        yield Finding(
            None,
            "without permission the input does not open",
            "Settings, Privacy & security, Microphone: let desktop apps access it",
        )
    elif platform == "linux" and hasattr(os, "getuid") and os.getuid() != 0:
        yield from _audio_group()


def _audio_group() -> Iterator[Finding]:
    """Tell where this person may not open the system's sound devices."""
    folder = "/dev/snd"
    if not os.path.isdir(folder):
        yield Finding(None, "the system has no sound card of its own", "plug one in")
        return
    nodes = [os.path.join(folder, name) for name in os.listdir(folder) if name.startswith("pcm")]
    if nodes and not any(os.access(node, os.R_OK | os.W_OK) for node in nodes):
        yield Finding(
            None,
            "this account may not open the sound cards directly",
            "add it to the group audio and log in again",
        )
