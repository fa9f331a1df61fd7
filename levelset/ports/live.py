"""The sound card as a port: an audio process, its ring, and one clear sentence when it fails."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.result import Void
from levelset.errors import DeviceError, ToneEnded, UsageError
from levelset.ports.audio_process import AudioProcess
from levelset.ports.base import LEASE_S, Block, PortInfo, block_frames
from levelset.ports.codes import block_from
from levelset.ports.gate import BlockFacts, Gate
from levelset.ports.output import HIGHEST_DBFS, HIGHEST_FS
from levelset.ports.ring import RawBlock, Ring
from levelset.ports.streams import Opened, Request
from levelset.units import db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from levelset.signals.signal import Playable

FIRST_BLOCK_S = 5.0
"""Longest wait for the first block, s."""

PRIMING_BLOCKS = 8

WAIT_S = 0.004
"""Between two looks at the ring, s: a fifth of a block."""

AWAKE_S = 0.25
"""While nothing comes, a reader is let go on so often, s."""

GIVE_UP_S = 10.0
"""Longest wait for a device that is there and gives nothing, s, while nothing is played."""

NEWS_EVERY = 8
"""A look at the process itself follows so many looks in vain at the ring."""


class LivePort:
    """`levelset.ports.base.Port` on a sound card. Open it with `open_live`.

    Parameters
    ----------
    device, output : str or None
        As in `open_live`.
    rate_hz, channels : int
        As in `open_live`.
    """

    def __init__(self, device: str | None, output: str | None, rate_hz: int, channels: int) -> None:
        self._wanted = (device, output)
        self._rate_hz = rate_hz
        self._channels = channels
        self._frames = block_frames(rate_hz)
        self._lock = threading.RLock()
        self._stream = self._openings = -1
        self._is_lost = False
        self._waits_from_s: float | None = None
        self._began_s = 0.0
        self._number = 0
        self._playing = 0
        self._renewals = 0
        self._ring: Ring | None = None
        self._process: AudioProcess | None = None
        self.gate = Gate(rate_hz, self._frames)
        self._opened = self._start()

    @property
    def info(self) -> PortInfo:
        """What is known about the port.

        Its name is the device's stable key, with what stands behind a sound server.
        """
        opened = self._opened
        device, behind = opened.input, opened.input_behind
        if device is None:
            device, behind = opened.output, opened.output_behind
        name = "" if device is None else device.key + (f" / {behind}" if behind else "")
        return PortInfo(name, self._rate_hz, self._channels, self._opened.output is not None)

    @property
    def opened(self) -> Opened:
        """Devices of the open streams and what stands behind them."""
        return self._opened

    @property
    def stream(self) -> int:
        """Number of the stream; counts up with every start."""
        return self._stream

    @property
    def time_s(self) -> float:
        """Stream time after the newest frame that has arrived, s; blocks may lag behind it."""
        with self._lock:
            if self._ring is None:
                return self._began_s
            return self._began_s + self._ring.get("written") * self._frames / self._rate_hz

    @property
    def process_id(self) -> int | None:
        """Number of the audio process; None when closed."""
        return None if self._process is None else self._process.id

    @property
    def sounding(self) -> bool:
        """True while the audio process plays something."""
        with self._lock:
            return self._ring is not None and self._ring.get("sounding") > 0

    def blocks(self) -> Iterator[Block]:
        """Return an iterator over the blocks that arrive from now; ends when the port is closed.

        It raises DeviceError when the device or the audio process is lost, and goes on with a
        new stream after `reopen`; a new iterator opens a lost device again. While the device is
        there and gives nothing, blocks without frames come; what comes afterwards is a new
        stream. A reader that pauses gets what came in the meantime, up to 8 s; a new iterator
        leaves that out.

        Nothing for 0.5 s while a tone is played raises ToneEnded: the audio process is ended, so
        that the tone is, whatever holds it up.
        """
        if self._is_lost:
            self.reopen()
        with self._lock:
            return _Blocks(self, 0 if self._ring is None else self._ring.get("written"))

    def path_void(self, stream: int, first_frame: int, frames: int) -> Void | None:
        """Return the gravest fault of the path as a reason not to trust these frames."""
        return self.gate.void(stream, first_frame, frames)

    def play(
        self, signal: Playable, level_dbfs: float, *, outputs: tuple[int, ...] | None = None
    ) -> None:
        """Start to play a signal, faded in over 1 s and never above -1 dBFS.

        The signal that plays already goes on at the new level without a jump of phase.

        Parameters
        ----------
        signal : Playable
            What.
        level_dbfs : float
            Level of the signal's own full scale, dBFS.
        outputs : tuple of int or None
            Output channels from 0; None plays on the signal's own, or on all.

        Raises
        ------
        DeviceError
            If the port has no output, is closed or lost.
        UsageError
            If the level is no number from -200 dBFS, or the peak is above -1 dBFS.
        """
        if self._opened.output is None:
            raise DeviceError("no output is open", "name one with --output")
        peak_fs = signal.peak_fs
        if not -200.0 <= level_dbfs <= 200.0 or not np.isfinite(peak_fs):
            raise UsageError(f"a level of {level_dbfs} dBFS cannot be played", "give -200 to -1")
        ratio = ratio_from_db(level_dbfs)
        if peak_fs * ratio > HIGHEST_FS * (1.0 + 1e-9):
            raise UsageError(
                f"{signal.name} at {level_dbfs:g} dBFS would peak at "
                f"{db_from_ratio(peak_fs * ratio):.1f} dBFS",
                f"play it so that it peaks at {HIGHEST_DBFS:g} dBFS at most",
            )
        channels = range(self._opened.output_channels)
        if outputs is None:
            outputs = getattr(signal, "outputs", None)
        if outputs is not None and not set(outputs) <= set(channels):
            raise UsageError(
                f"there is no output channel {max(outputs) + 1}",
                f"the output has {len(channels)}",
            )
        with self._lock:
            if self._process is None:
                raise DeviceError("the port is closed", "open the device again")
            self._number += 1
            self._renew()
            try:
                self._process.order(self._number, signal, ratio, outputs)
            except OSError:
                raise self._lost("the audio process has ended") from None
            self._playing = self._number

    def renew(self) -> None:
        """Renew the lease on the output.

        Raises
        ------
        ToneEnded
            If the tone was ended because the lease ran out.
        """
        with self._lock:
            if self._ring is None:
                return
            if self._playing and self._ring.get("lease_lost") >= self._playing:
                self._playing = 0
                raise ToneEnded(
                    f"the tone was stopped because levelset was held up for over {LEASE_S:g} s",
                    "close what keeps the computer busy and repeat the step",
                )
            self._renew()

    def silence(self) -> None:
        """Fade the output out within 20 ms; harmless when nothing plays."""
        with self._lock:
            self._playing = 0
            if self._ring is not None:
                self._ring.put("silence_below", self._number + 1)

    def reopen(self) -> None:
        """Open the same devices again, after a loss or at any time, with a new stream number.

        Raises
        ------
        DeviceError
            If they do not open.
        """
        self._release(now=False)
        self._opened = self._start()

    def close(self) -> None:
        """Silence the output and release the device; harmless when closed."""
        self.silence()
        self._release(now=False)

    def _renew(self) -> None:
        self._renewals += 1
        if self._ring is not None:
            self._ring.put("renewals", self._renewals)

    def _start(self) -> Opened:
        device, output = self._wanted
        try:
            ring = Ring.create(frames=self._frames, channels=self._channels, rate_hz=self._rate_hz)
        except OSError as error:
            raise DeviceError(
                f"the system gives no shared memory ({error})", "make room in memory or /dev/shm"
            ) from None
        request = Request(device, output, self._rate_hz, self._channels, ring.spec)
        with self._lock:
            self._ring, self._number, self._playing = ring, 0, 0
            self._process = process = AudioProcess(request)
        try:
            opened = process.first_answer()
            self._await_first_block(ring, process)
        except BaseException:
            self._release(now=True)
            raise
        assert isinstance(opened, Opened)
        self._is_lost, self._waits_from_s = False, None
        self._stream += 1
        self._openings += 1
        self.gate = Gate(self._rate_hz, self._frames)
        return opened

    def _await_first_block(self, ring: Ring, process: AudioProcess) -> None:
        """Wait until the input runs: a tone that starts before it would lose its lease."""
        # An output alone takes some blocks at once to fill its buffer; that is no running yet.
        enough = 1 if self._channels else PRIMING_BLOCKS
        until_s = time.perf_counter() + FIRST_BLOCK_S
        while ring.get("written") < enough:
            news = process.news()
            if news is None and time.perf_counter() > until_s:
                news = f"nothing has come for {FIRST_BLOCK_S:g} s"
            if news is not None:
                raise DeviceError(
                    f"the sound device opens but gives no sound: {news}",
                    "check its plug, and allow the terminal to use the microphone",
                )
            time.sleep(WAIT_S)

    def _release(self, *, now: bool) -> None:
        with self._lock:
            process, self._process = self._process, None
            ring, self._ring = self._ring, None
            if process is not None:
                process.end(now=now)
            if ring is not None:
                # Stream time goes on where this stream ends.
                self._began_s += ring.get("written") * self._frames / self._rate_hz
                ring.close(remove=True)

    def _lost(self, why: str, *, tone: bool = False) -> DeviceError:
        """Release what is left and return the error; `tone` where only a tone must end by it."""
        device = self._opened.input or self._opened.output
        name = "the sound device" if device is None else f'"{device.name}"'
        # It may hang in the driver; whatever it still plays must end now.
        self._release(now=True)
        self._is_lost = True
        if tone:
            return ToneEnded(
                f"the tone was stopped: from {name} {why}",
                "close what keeps the computer busy, check the plug, and repeat the step",
            )
        return DeviceError(
            f"{name} was lost: {why}",
            "check its plug and the sound server, then open it again",
        )

    def _next(self, sequence: int) -> RawBlock | None:
        """Wait for a block; None when the port was closed, and now and then while none comes."""
        began_s = time.perf_counter()
        looks = 0
        while True:
            with self._lock:
                ring, process = self._ring, self._process
                if ring is None or process is None:
                    return None
                written = ring.get("written")
                # Not the very oldest: it may be overwritten while it is copied.
                oldest = max(sequence, written - ring.spec.slots + 2)
                raw = ring.read(oldest) if oldest < written else None
                if raw is not None:
                    self._waits_from_s = None
                    return raw
                if self._waits_from_s is None:
                    self._waits_from_s = began_s
                now_s = time.perf_counter()
                waited_s = now_s - self._waits_from_s
                why = f"nothing has come for {waited_s:.1f} s"
                news = process.news() if looks % NEWS_EVERY == NEWS_EVERY - 1 else None
                if news is not None or waited_s > GIVE_UP_S:
                    raise self._lost(news or why)
                if waited_s > self.gate.longest_wait_s:
                    if self._playing:
                        raise self._lost(why, tone=True)
                    if now_s - began_s > AWAKE_S:
                        return None
            looks += 1
            # Sleep until shortly before the next block is due, then look often.
            due_s = self.gate.last_arrived_s + 0.8 * self._frames / self._rate_hz
            time.sleep(max(WAIT_S, due_s - time.perf_counter()))

    def _nothing(self) -> Block:
        """Return a block without frames, at the end of what has come."""
        stream, frame = self._stream, self.gate.end
        time_s = self._began_s + frame / self._rate_hz
        none = np.empty((0, self._channels))
        return Block(none, stream, frame, self._rate_hz, time_s, frozenset())

    def _block(self, raw: RawBlock, *, after_gap: bool) -> Block:
        pause_s = raw.arrived_s - self.gate.last_arrived_s
        if self.gate.longest_wait_s < pause_s < float("inf") and not after_gap:
            # Nobody knows what was lost in such a pause.
            self._stream += 1
        block = block_from(
            raw,
            stream=self._stream,
            began_s=self._began_s,
            rate_hz=self._rate_hz,
            after_gap=after_gap,
        )
        self.gate.add(BlockFacts.of(block, arrived_s=raw.arrived_s, crc=raw.crc))
        return block


class _Blocks:
    """An iterator that outlives a loss: after `LivePort.reopen` it goes on."""

    def __init__(self, port: LivePort, sequence: int) -> None:
        self._port = port
        self._opening = port._openings  # noqa: SLF001 - the other half of the port
        self._sequence = sequence

    def __iter__(self) -> _Blocks:
        return self

    def __next__(self) -> Block:
        port = self._port
        if port._openings != self._opening:  # noqa: SLF001
            self._opening, self._sequence = port._openings, 0  # noqa: SLF001
        raw = port._next(self._sequence)  # noqa: SLF001
        if raw is None:
            if port.process_id is None:
                raise StopIteration
            return port._nothing()  # noqa: SLF001
        after_gap = raw.sequence != self._sequence
        self._sequence = raw.sequence + 1
        return port._block(raw, after_gap=after_gap)  # noqa: SLF001


def open_live(device: str | None, *, output: str | None, rate_hz: int, channels: int) -> LivePort:
    """Open a sound card.

    Parameters
    ----------
    device : str or None
        Key, name or part of the name of the input; None takes the only usable one.
    output : str or None
        The same of the output; None opens no output. The same device in both directions is
        opened as one.
    rate_hz : int
        Sample rate, Hz, from 44100; the device must run at exactly this rate.
    channels : int
        Input channels, tip A first; 0 opens the output alone, whose blocks are empty but paced.

    Returns
    -------
    LivePort
        Running.

    Raises
    ------
    DeviceError
        If PortAudio or the device is missing, or does not open as asked.
    UsageError
        If the rate or the channels cannot be used.
    """
    if not 44_100 <= rate_hz <= 384_000:
        raise UsageError(f"a rate of {rate_hz} Hz cannot be used", "give 44100 to 384000 Hz")
    if not 0 <= channels <= 64 or (channels == 0 and output is None):
        raise UsageError(f"{channels} input channels cannot be used", "give 1 or 2")
    return LivePort(device, output, rate_hz, channels)
