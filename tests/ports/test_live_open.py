"""How devices are opened, down to the library's own calls, with a library that records them."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from levelset.errors import DeviceError
from levelset.ports import doctor
from levelset.ports.devices import Listing, judged
from levelset.ports.output import Output
from levelset.ports.ring import Ring
from levelset.ports.streams import Request, open_streams, rates_of
from levelset.signals.signal import Component, Signal

TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))
FRAMES = 1024
RATE_HZ = 48_000


class Library:
    """What `levelset.ports.streams` uses of PortAudio's binding; ``accepts`` is its hardware."""

    def __init__(self, api: str, name: str, accepts: Any, inputs: int = 2) -> None:
        self.api, self.name, self.accepts, self.inputs = api, name, accepts, inputs
        self.calls: list[dict[str, Any]] = []
        self._lib = SimpleNamespace(eStreamOptionRaw=1)

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {
                "name": self.name,
                "hostapi": 0,
                "max_input_channels": self.inputs,
                "max_output_channels": 2,
                "default_samplerate": 48_000.0,
            }
        ]

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": self.api, "default_input_device": 0, "default_output_device": 0}]

    def WasapiSettings(self, **words: Any) -> Any:  # noqa: N802 - the library's name
        return SimpleNamespace(words=words, _streaminfo=SimpleNamespace(streamOption=0))

    def CoreAudioSettings(self, **words: Any) -> Any:  # noqa: N802 - the library's name
        return SimpleNamespace(words=words)

    def Stream(self, **words: Any) -> Any:  # noqa: N802 - the library's name
        self.calls.append(words)
        rate_hz = self.accepts(words)
        return SimpleNamespace(
            samplerate=rate_hz,
            callback=words["callback"],
            close=lambda: None,
        )

    def InputStream(self, **words: Any) -> Any:  # noqa: N802 - the library's name
        self.calls.append(words)
        return SimpleNamespace(samplerate=self.accepts(words), close=lambda: None)

    def check_input_settings(self, **words: Any) -> None:
        if self.accepts(words) != words["samplerate"]:
            raise ValueError("no")


@pytest.fixture
def ring() -> Iterator[Ring]:
    made = Ring.create(frames=FRAMES, channels=2, rate_hz=RATE_HZ)
    yield made
    made.close(remove=True)


def request(ring: Ring, *, output: str | None = "Two In", channels: int = 2) -> Request:
    return Request("Two In", output, RATE_HZ, channels, ring.spec)


def test_one_device_is_one_duplex_stream_that_copies_both_ways(ring: Ring) -> None:
    library = Library("ALSA", "Two In (hw:1,0)", lambda words: words["samplerate"])
    output = Output(ring, RATE_HZ)
    streams, opened = open_streams(library, request(ring), ring, output)
    assert len(streams) == 1
    assert opened.output_channels == 2
    call = library.calls[0]
    assert (call["blocksize"], call["dtype"], call["latency"]) == (FRAMES, "float32", "high")
    output.play(1, TONE, 0.5, None)
    fine = SimpleNamespace(
        input_overflow=False, input_underflow=False, output_underflow=False, __bool__=bool
    )
    incoming = np.full((FRAMES, 2), 0.25, np.float32)
    outgoing = np.zeros((FRAMES, 2), np.float32)
    streams[0].callback(incoming, outgoing, FRAMES, None, fine)
    raw = ring.read(0)
    assert raw is not None
    assert np.array_equal(raw.samples, incoming)
    assert raw.status == 0
    assert np.any(outgoing)
    fine.input_overflow = fine.output_underflow = True
    streams[0].callback(incoming, outgoing, FRAMES, None, fine)
    raw = ring.read(1)
    assert raw is not None
    assert raw.first_frame == FRAMES
    assert raw.status == 1 | 4


def test_wasapi_goes_down_the_ladder_and_never_converts(ring: Ring) -> None:
    def only_int32(words: dict[str, Any]) -> float:
        if words["dtype"] != "int32":
            raise RuntimeError("format not supported")
        return float(words["samplerate"])

    library = Library("Windows WASAPI", "Line (Two In)", only_int32)
    output = Output(ring, RATE_HZ)
    streams, _ = open_streams(library, request(ring), ring, output)
    assert [call["dtype"] for call in library.calls] == ["float32", "int32"]
    settings = library.calls[-1]["extra_settings"][0].words
    assert settings == {"exclusive": True, "explicit_sample_format": True}
    codes = np.random.default_rng(1).integers(-(2**23), 2**23, (FRAMES, 2))
    streams[0].callback(
        (codes << 8).astype(np.int32), np.zeros((FRAMES, 2), np.int32), FRAMES, None, None
    )
    raw = ring.read(0)
    assert raw is not None
    assert np.array_equal(raw.samples.astype(np.float64) * 2**23, codes)


def test_wasapi_shared_asks_for_the_raw_stream(ring: Ring) -> None:
    def only_shared(words: dict[str, Any]) -> float:
        if words["extra_settings"][0].words:
            raise RuntimeError("in use")
        return float(words["samplerate"])

    library = Library("Windows WASAPI", "Line (Two In)", only_shared)
    open_streams(library, request(ring), ring, Output(ring, RATE_HZ))
    assert library.calls[-1]["extra_settings"][0]._streaminfo.streamOption == 1


def test_core_audio_fails_rather_than_converts(ring: Ring) -> None:
    library = Library("Core Audio", "Two In", lambda words: words["samplerate"])
    open_streams(library, request(ring, output=None), ring, Output(ring, RATE_HZ))
    assert library.calls[0]["extra_settings"].words == {
        "change_device_parameters": True,
        "fail_if_conversion_required": True,
    }


def test_another_rate_than_asked_for_is_refused(ring: Ring) -> None:
    library = Library("ALSA", "Two In (hw:1,0)", lambda words: 47_990.0)
    with pytest.raises(DeviceError, match="does not open at 48000 Hz .*it runs at 47990 Hz"):
        open_streams(library, request(ring), ring, Output(ring, RATE_HZ))
    device = judged(library.query_devices(), library.query_hostapis())[0]
    assert rates_of(library, device) == ()


def test_more_channels_than_there_are(ring: Ring) -> None:
    library = Library("ALSA", "Two In (hw:1,0)", lambda words: 48_000.0, inputs=1)
    with pytest.raises(DeviceError, match="has 1 input channels, not 2"):
        open_streams(library, request(ring), ring, Output(ring, RATE_HZ))


def listing(*names: str, api: str = "ALSA") -> Listing:
    apis = [{"name": api, "default_input_device": 0, "default_output_device": 0}]
    entries = [
        entry for name in names for entry in Library(api, name, lambda words: 0).query_devices()
    ]
    return Listing("PortAudio V19", (api,), judged(entries, apis))


def test_the_doctor_names_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "devices", lambda: listing("default"))
    found = doctor.examine("linux")
    assert [f.ok for f in found][:2] == [True, False]
    assert "no sound input" in found[1].line()
    monkeypatch.setattr(doctor, "devices", lambda: listing("A (hw:1,0)", "A (hw:2,0)"))
    assert any("2 devices are called" in f.what for f in doctor.examine("linux"))
    assert any("Microphone" in f.remedy for f in doctor.examine("darwin"))

    def missing() -> Listing:
        raise DeviceError("PortAudio is missing", "install it")

    monkeypatch.setattr(doctor, "devices", missing)
    assert doctor.examine("linux")[0].as_json() == {
        "ok": False,
        "what": "PortAudio is missing",
        "remedy": "install it",
    }
