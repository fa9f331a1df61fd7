"""Plays a quiet tone through the live port until it is killed; a line of JSON for each event."""

from __future__ import annotations

import json
import sys
import time
from typing import Any

from levelset.errors import DeviceError
from levelset.ports.live import LivePort, open_live
from levelset.signals.signal import Component, Signal

TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))


def say(**words: Any) -> None:
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()


def attend(port: LivePort) -> None:
    """Play and listen until something happens."""
    port.play(TONE, -20.0)
    said = False
    for block in port.blocks():
        port.renew()
        if not said and block.samples.max() > 0.02:
            say(sounds=block.time_s)
            said = True


def main() -> None:
    port = open_live("pulse", output="pulse", rate_hz=48_000, channels=2)
    while True:
        say(audio=port.process_id, stream=port.stream)
        try:
            attend(port)
        except DeviceError as error:
            say(error=error.line())
        sys.stdin.readline()  # silent until told to go on
        while True:
            try:
                port.reopen()
                break
            except DeviceError:
                time.sleep(0.2)


if __name__ == "__main__":
    main()
