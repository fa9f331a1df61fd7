"""Opens the streams of the audio process, and the callbacks that run in them."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from levelset.errors import DeviceError
from levelset.ports.devices import (
    SoundDevice,
    Way,
    choose,
    judged,
    missing_library,
    server_rate_problem,
    ways,
)
from levelset.ports.ring import Status

if TYPE_CHECKING:
    from levelset.ports.output import Output
    from levelset.ports.ring import Ring, RingSpec

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)

RANGE = {"float32": 1.0, "int32": 2.0**31, "int16": 2.0**15}
"""What each sample format calls full scale."""


@dataclass(frozen=True, slots=True)
class Request:
    """What to open.

    Parameters
    ----------
    device : str or None
        Input; None chooses.
    output : str or None
        Output; None opens none. The input's own name makes one duplex stream.
    rate_hz, channels : int
        Rate, Hz, and input channels; 0 opens no input.
    ring : RingSpec
        The shared memory.
    """

    device: str | None
    output: str | None
    rate_hz: int
    channels: int
    ring: RingSpec


@dataclass(frozen=True, slots=True)
class Opened:
    """What was opened.

    Parameters
    ----------
    input, output : SoundDevice or None
        The devices.
    input_behind, output_behind : str
        Source and sink of a sound server in between; empty without, or where unknown.
    output_channels : int
        Channels of the output.
    """

    input: SoundDevice | None
    output: SoundDevice | None
    input_behind: str
    output_behind: str
    output_channels: int


def library() -> Any:
    """Return the binding to PortAudio, or raise DeviceError with the remedy."""
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise missing_library(sys.platform, str(error)) from None
    return sounddevice


def rates_of(sound: Any, device: SoundDevice) -> tuple[int, ...]:
    """Return the rates that a device opens at without a converter."""
    found = []
    check = sound.check_input_settings if device.inputs else sound.check_output_settings
    channels = min(2, device.inputs or device.outputs)
    way = ways(device)[0]
    for rate_hz in RATES_HZ:
        with contextlib.suppress(Exception):
            check(
                device=device.index,
                channels=channels,
                dtype=way.dtype,
                samplerate=rate_hz,
                extra_settings=_extra(sound, way),
            )
            found.append(rate_hz)
    return tuple(found)


def open_streams(
    sound: Any, request: Request, ring: Ring, output: Output
) -> tuple[list[Any], Opened]:
    """Open what is asked for, not started.

    Parameters
    ----------
    sound : module
        The binding to PortAudio.
    request : Request
        What to open.
    ring : Ring
        Where the input goes.
    output : Output
        What fills the output.

    Returns
    -------
    streams : list
        One duplex stream where both directions are one converter, else one each.
    opened : Opened
        What they belong to.

    Raises
    ------
    DeviceError
        If a device is missing or does not open in any way that can be trusted.
    """
    devices = judged(sound.query_devices(), sound.query_hostapis())
    source = sink = None
    if request.channels:
        source = choose(devices, request.device, direction="input")
        if source.inputs < request.channels:
            raise DeviceError(
                f'"{source.name}" has {source.inputs} input channels, not {request.channels}',
                f"ask for {source.inputs} with --channels",
            )
    if request.output is not None:
        sink = choose(devices, request.output, direction="output")
    behind = ["", ""]
    for n, (device, direction) in enumerate(((source, "input"), (sink, "output"))):
        if device is not None:
            behind[n] = _behind_server(device, direction, request.rate_hz)
    outputs = 0 if sink is None else min(2, sink.outputs)
    maker = _Maker(sound, request, outputs, _Feed(ring, output))
    # A sound server has one clock for all of its streams and handles two better than a pair.
    if source is not None and source == sink and source.use == "direct":
        stream = _first_that_opens(source, request.rate_hz, maker.both)
        return [stream], Opened(source, sink, "", "", outputs)
    streams = [
        _first_that_opens(device, request.rate_hz, make)
        for device, make in ((source, maker.input), (sink, maker.output))
        if device is not None
    ]
    return streams, Opened(source, sink, behind[0], behind[1], outputs)


class _Maker:
    """Makes a stream in a given way."""

    def __init__(self, sound: Any, request: Request, outputs: int, feed: _Feed) -> None:
        self._sound = sound
        self._request = request
        self._outputs = outputs
        self._feed = feed
        self._common = {
            "samplerate": request.rate_hz,
            "blocksize": request.ring.frames,
            "latency": "high",
        }

    def both(self, device: SoundDevice, way: Way) -> Any:
        extra = _extra(self._sound, way)
        return self._sound.Stream(
            device=device.index,
            channels=(self._request.channels, self._outputs),
            dtype=way.dtype,
            callback=self._feed.duplex(way.dtype),
            extra_settings=(extra, extra),
            **self._common,
        )

    def input(self, device: SoundDevice, way: Way) -> Any:
        return self._sound.InputStream(
            device=device.index,
            channels=self._request.channels,
            dtype=way.dtype,
            callback=self._feed.input(way.dtype),
            extra_settings=_extra(self._sound, way),
            **self._common,
        )

    def output(self, device: SoundDevice, way: Way) -> Any:
        return self._sound.OutputStream(
            device=device.index,
            channels=self._outputs,
            dtype=way.dtype,
            callback=self._feed.output(way.dtype, counts=self._request.channels == 0),
            extra_settings=_extra(self._sound, way),
            **self._common,
        )


def _extra(sound: Any, way: Way) -> Any:
    match way.settings:
        case "wasapi_exclusive":
            return sound.WasapiSettings(exclusive=True, explicit_sample_format=True)
        case "wasapi_raw":
            settings = sound.WasapiSettings()
            # The library has no argument for the raw stream, only the field.
            settings._streaminfo.streamOption = sound._lib.eStreamOptionRaw  # noqa: SLF001
            return settings
        case "coreaudio":
            return sound.CoreAudioSettings(
                change_device_parameters=True, fail_if_conversion_required=True
            )
    return None


def _first_that_opens(device: SoundDevice, rate_hz: int, make: Any) -> Any:
    """Go down the ladder; a stream at another rate than asked for is no stream."""
    refusals = []
    for way in ways(device):
        try:
            stream = make(device, way)
        except Exception as error:  # noqa: BLE001 - PortAudio and its bindings raise anything
            refusals.append(f"{way.words}: {error}")
            continue
        if abs(stream.samplerate - rate_hz) < 0.5:
            return stream
        refusals.append(f"{way.words}: it runs at {stream.samplerate:g} Hz")
        stream.close()
    raise DeviceError(
        f'"{device.name}" does not open at {rate_hz} Hz ({"; ".join(dict.fromkeys(refusals))})',
        "choose another rate with --rate, close other programs that use it, and allow the "
        "terminal to use the microphone",
    )


def _behind_server(device: SoundDevice, direction: str, rate_hz: int) -> str:
    """Ask a sound server what stands behind it, where its own tool is there.

    Returns
    -------
    str
        Name of the source or sink; empty where nobody can tell or nothing stands between: the
        path check decides then.

    Raises
    ------
    DeviceError
        If the server would convert the rate.
    """
    if device.use != "server" or device.host_api != "ALSA":
        return ""
    tool = shutil.which("pactl")
    if tool is None:
        return ""

    def ask(*words: str) -> str:
        done = subprocess.run(
            [tool, *words], capture_output=True, text=True, timeout=3.0, check=False
        )
        return done.stdout.strip()

    kind = "source" if direction == "input" else "sink"
    try:
        chosen = os.environ.get(f"PULSE_{kind.upper()}")
        name = chosen or ask(f"get-default-{kind}")
        listed = ask("list", "short", f"{kind}s")
    except (OSError, subprocess.SubprocessError):
        return ""
    problem = server_rate_problem(name, rate_hz, listed)
    if problem is not None:
        raise DeviceError(problem, "ask for the server's rate with --rate, or set its rate")
    return name


class _Feed:
    """Makes the callbacks: they copy, fill and count."""

    def __init__(self, ring: Ring, output: Output) -> None:
        self._ring = ring
        self._output = output
        self._frame = 0
        self._underflow = 0

    def duplex(self, dtype: str) -> Any:
        """Return the callback of a stream in both directions."""
        take, give = self.input(dtype), self.output(dtype, counts=False)

        def callback(indata: Any, outdata: Any, frames: int, _times: Any, status: Any) -> None:
            give(outdata, frames, _times, status)
            take(indata, frames, _times, status)

        return callback

    def input(self, dtype: str) -> Any:
        """Return the callback of an input."""
        ring, scale = self._ring, 1.0 / RANGE[dtype]

        def callback(indata: Any, frames: int, _times: Any, status: Any) -> None:
            bits, self._underflow = self._underflow, 0
            if status:
                bits |= Status.INPUT_OVERFLOW if status.input_overflow else 0
                bits |= Status.INPUT_UNDERFLOW if status.input_underflow else 0
            ring.write(indata, scale, self._frame, time.perf_counter(), bits)
            self._frame += frames

        return callback

    def output(self, dtype: str, *, counts: bool) -> Any:
        """Return the callback of an output; without an input it also counts the blocks."""
        ring, output, scale = self._ring, self._output, RANGE[dtype]
        nothing = np.empty((ring.spec.frames, 0), np.float32)

        def callback(outdata: Any, frames: int, _times: Any, status: Any) -> None:
            now_s = time.perf_counter()
            if status and status.output_underflow and not output.silent:
                self._underflow = Status.OUTPUT_UNDERFLOW
            output.fill(outdata, scale, now_s)
            if counts:
                bits, self._underflow = self._underflow, 0
                ring.write(nothing, 1.0, self._frame, now_s, bits)
                self._frame += frames

        return callback
