"""The audio process: owns PortAudio, so that a hung driver can be ended from outside.

Its callbacks copy the input into the shared ring and fill the output; nothing else happens in
them. Whatever PortAudio and the drivers print goes to a log file, never to the terminal.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import tempfile
import threading
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from levelset.errors import DeviceError
from levelset.ports.devices import Listing, judged
from levelset.ports.output import Output
from levelset.ports.ring import Ring
from levelset.ports.server_watch import ServerWatch
from levelset.ports.streams import Opened, Request, library, open_streams, rates_of

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

ANSWER_S = 15.0
"""Longest wait for a driver to open, s."""

POLL_S = 0.05
CLOSE_S = 0.5
"""Longest wait for a driver to let go, s."""

END_S = 1.2
"""Longest wait for the process to end by itself, s."""

_SPAWN = multiprocessing.get_context("spawn")


class AudioProcess:
    """The reader's side: starts the process, gives orders, ends it in any case.

    Parameters
    ----------
    request : Request or None
        What to open; None only lists the devices.
    """

    def __init__(self, request: Request | None) -> None:
        handle, self._log_path = tempfile.mkstemp(prefix="levelset-audio-", suffix=".log")
        os.close(handle)
        near, far = _SPAWN.Pipe()
        body, words = (list_devices, ()) if request is None else (serve, (request,))
        self._control: Connection = near
        self._process: SpawnProcess = _SPAWN.Process(
            target=body, args=(*words, far, self._log_path), name="levelset audio", daemon=True
        )
        self._process.start()
        # The far end of the pipe must stay with the process alone: its closing is the news.
        far.close()

    @property
    def id(self) -> int | None:
        """Number of the process."""
        return self._process.pid

    def news(self) -> str | None:
        """Return why it has ended or is about to; None while all is well."""
        try:
            if self._control.poll():
                return str(self._control.recv())
        except (EOFError, OSError):
            return "the audio process has ended"
        return None if self._process.is_alive() else "the audio process has ended"

    def first_answer(self) -> Listing | Opened:
        """Return what it found or opened.

        Raises
        ------
        DeviceError
            What went wrong there, or that nothing came.
        """
        try:
            if not self._control.poll(ANSWER_S):
                raise DeviceError(
                    f"the sound system has not answered for {ANSWER_S:g} s",
                    "unplug other sound devices, start again, and see levelset doctor",
                )
            answer: Listing | Opened | tuple[str, str] = self._control.recv()
        except (EOFError, OSError):
            raise DeviceError(
                f"the audio process ended at once ({self._last_word()})",
                "start again, and see levelset doctor",
            ) from None
        if isinstance(answer, tuple):
            raise DeviceError(*answer)
        return answer

    def _last_word(self) -> str:
        """Return the last line that a library or driver wrote."""
        with open(self._log_path, encoding="utf-8", errors="replace") as log:
            lines = log.read().split("\n")
        return next((line.strip() for line in reversed(lines) if line.strip()), "without a word")

    def order(self, *words: Any) -> None:
        """Send an order to play; raises OSError when nobody is there."""
        self._control.send(words)

    def end(self, *, now: bool) -> None:
        """End it: by its own ramp and within a bound, or at once."""
        if not now:
            with contextlib.suppress(OSError):
                self._control.send(None)
            self._process.join(END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._process.close()
        self._control.close()
        with contextlib.suppress(OSError):
            os.unlink(self._log_path)


def devices() -> Listing:
    """Return a fresh list of the sound devices, made in a process of its own.

    Raises
    ------
    DeviceError
        If PortAudio is missing or hangs.
    """
    process = AudioProcess(None)
    try:
        listing = process.first_answer()
        assert isinstance(listing, Listing)
        return listing
    finally:
        process.end(now=True)


def list_devices(control: Connection, log_path: str) -> None:
    """Send a `Listing` or a DeviceError; the body of a short-lived process."""
    _leave_terminal(log_path)
    try:
        sound = library()
        devices = judged(sound.query_devices(), sound.query_hostapis())
        apis = tuple(api["name"] for api in sound.query_hostapis() if api["devices"])
        with_rates = tuple(
            replace(d, rates_hz=rates_of(sound, d)) if d.use == "direct" else d for d in devices
        )
        control.send(Listing(sound.get_portaudio_version()[1], apis, with_rates))
    except DeviceError as error:
        control.send((error.what, error.todo))
    control.close()
    os._exit(0)


def serve(request: Request, control: Connection, log_path: str) -> None:
    """Run the streams until the control pipe closes; the body of the process."""
    _leave_terminal(log_path)
    ring = Ring.attach(request.ring)
    output = Output(ring, request.rate_hz)
    try:
        sound = library()
        streams, opened = open_streams(sound, request, ring, output)
        for stream in streams:
            stream.start()
    except DeviceError as error:
        control.send((error.what, error.todo))
        os._exit(1)
    except Exception as error:  # noqa: BLE001 - whatever the driver did, the reader is told
        control.send((f"the sound device cannot be started ({error})", "see levelset doctor"))
        os._exit(1)
    control.send(opened)
    watch = ServerWatch(opened.input_behind, opened.output_behind)
    with contextlib.suppress(EOFError, OSError):
        _attend(control, output, streams, watch)
    watch.close()
    _end(ring, output, streams, log_path)


def _attend(control: Connection, output: Output, streams: list[Any], watch: ServerWatch) -> None:
    """Take orders until told to close, or until the reader or a device is gone."""
    parent = multiprocessing.parent_process()
    while True:
        if control.poll(POLL_S):
            order = control.recv()
            if order is None:
                return
            output.play(*order)
        elif parent is not None and not parent.is_alive():
            return
        elif not all(stream.active for stream in streams):
            control.send("its stream has ended")
            return
        elif watch.news is not None:
            control.send(watch.news)
            return


def _end(ring: Ring, output: Output, streams: list[Any], log_path: str) -> None:
    """Ramp to silence, let the driver go within a bound, and leave."""
    output.end()
    until_s = time.monotonic() + 0.2
    while ring.get("sounding") and time.monotonic() < until_s:
        time.sleep(0.005)

    def let_go() -> None:
        for stream in streams:
            with contextlib.suppress(Exception):
                stream.abort()
                stream.close()

    closing = threading.Thread(target=let_go, daemon=True)
    closing.start()
    closing.join(CLOSE_S)
    # The reader does it too, unless it is gone.
    with contextlib.suppress(OSError):
        os.unlink(log_path)
    # Not sys.exit: a driver that hangs would keep the process for ever.
    os._exit(0)


def _leave_terminal(log_path: str) -> None:
    """Send what libraries print to a file, and leave the terminal's signals to the reader.

    When Ctrl-C or the closing of the terminal ends the reader, its pipe closes and the tone ramps
    down here; the signal itself would cut it off.
    """
    log = os.open(log_path, os.O_WRONLY | os.O_APPEND)
    for standard in (1, 2):
        os.dup2(log, standard)
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
