"""Parts of the live port that need no sound server: choice of devices, gate, output, ring."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import pytest

from levelset.errors import DeviceError
from levelset.ports.audio_process import AudioProcess
from levelset.ports.base import LEASE_S, Block, Flag
from levelset.ports.devices import (
    choose,
    clean_name,
    judge,
    judged,
    missing_library,
    server_rate_problem,
    ways,
)
from levelset.ports.gate import BlockFacts, Gate, frame_rate_hz
from levelset.ports.live import open_live
from levelset.ports.output import Output
from levelset.ports.ring import Ring, RingSpec
from levelset.ports.streams import Request
from levelset.signals.signal import Component, Signal

RATE_HZ = 48_000
FRAMES = 1024
TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))


# --- devices -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("api", "name", "inputs", "rate_hz", "use", "reason"),
    [
        ("ALSA", "Two In: USB Audio (hw:2,0)", 2, 48_000, "direct", ""),
        ("ALSA", "pulse", 32, 44_100, "server", "sound server"),
        ("ALSA", "default", 32, 44_100, "refused", "alias"),
        ("ALSA", "sysdefault", 32, 44_100, "refused", "alias"),
        ("MME", "Line (Two In)", 2, 44_100, "refused", "without saying so"),
        ("Windows DirectSound", "Line (Two In)", 2, 44_100, "refused", "without saying so"),
        ("Windows WASAPI", "Line (Two In)", 2, 48_000, "direct", ""),
        ("Windows WASAPI", "Headset (Phones Hands-Free AG Audio)", 1, 48_000, "refused", "hands"),
        ("Core Audio", "Phones", 1, 16_000, "refused", "below 44100 Hz"),
        ("Core Audio", "Two In", 2, 48_000, "direct", ""),
        ("JACK Audio Connection Kit", "system", 2, 48_000, "server", "sound server"),
        ("Windows WDM-KS", "Line (Two In)", 2, 48_000, "refused", "no way"),
        ("ALSA", "Two In: USB Audio (hw:2,0)", 0, 48_000, "refused", "no channels"),
    ],
)
def test_what_a_device_can_be_used_for(
    api: str, name: str, inputs: int, rate_hz: int, use: str, reason: str
) -> None:
    found, reasons = judge(api, name, inputs, 0, rate_hz)
    assert found == use
    assert reason in " ".join(reasons)
    assert bool(reasons) == (use != "direct")


def test_a_key_outlives_the_address() -> None:
    assert clean_name("Two In: USB Audio (hw:2,0)") == clean_name("Two In: USB Audio (hw:1,0)")
    assert clean_name("Two In: USB Audio (hw:2,0)") == "Two In: USB Audio"
    assert clean_name("Microphone (2- Two In)") == clean_name("Microphone (3- Two In)")


def entry(name: str, api: int = 0, inputs: int = 2, outputs: int = 2) -> dict[str, object]:
    return {
        "name": name,
        "hostapi": api,
        "max_input_channels": inputs,
        "max_output_channels": outputs,
        "default_samplerate": 48_000.0,
    }


API = {"name": "ALSA", "default_input_device": 1, "default_output_device": 1}
LIST = judged(
    [
        entry("Two In: USB Audio (hw:2,0)"),
        entry("default"),
        entry("Two In: USB Audio (hw:3,0)"),
        entry("Other: Line (hw:0,0)", inputs=0),
        entry("pulse"),
    ],
    [API],
)


def test_choice_of_a_device() -> None:
    assert choose(LIST, "pulse", direction="input").index == 4
    assert choose(LIST, "Two In: USB Audio (hw:3,0)", direction="input").index == 2
    assert choose(LIST, "other", direction="output").index == 3
    with pytest.raises(DeviceError, match="fits 2 sound devices"):
        choose(LIST, LIST[0].key, direction="input")
    with pytest.raises(DeviceError, match='"default" cannot be used: an alias'):
        choose(LIST, "default", direction="input")
    with pytest.raises(DeviceError, match="no sound input is called"):
        choose(LIST, "other", direction="input")
    with pytest.raises(DeviceError, match="3 sound devices could be the input"):
        choose(LIST, None, direction="input")
    assert choose(LIST[:2], None, direction="input").index == 0
    with pytest.raises(DeviceError, match="no sound device can be the input"):
        choose((), None, direction="input")


def test_no_way_converts() -> None:
    windows = judged([entry("Line (Two In)")], [API | {"name": "Windows WASAPI"}])[0]
    names = [way.settings for way in ways(windows)]
    assert names == ["wasapi_exclusive"] * 3 + ["wasapi_raw"]
    apple = judged([entry("Two In")], [API | {"name": "Core Audio"}])[0]
    assert [way.settings for way in ways(apple)] == ["coreaudio"]
    assert [way.words for way in ways(LIST[4])] == ["through the sound server"]


def test_rate_of_a_sound_server() -> None:
    listed = "0\tline.monitor\tmodule\ts32le 2ch 44100Hz\tIDLE\n1\tother\tmodule\ts32le 2ch 48000Hz"
    assert server_rate_problem("other", 48_000, listed) is None
    problem = server_rate_problem("line.monitor", 48_000, listed)
    assert problem is not None
    assert "at 44100 Hz" in problem
    assert server_rate_problem("unknown", 48_000, listed) is None


def test_without_portaudio_there_is_one_sentence() -> None:
    error = missing_library("linux", "PortAudio library not found")
    assert "apt install libportaudio2" in error.line()
    # The binding cannot load here: nothing but the list of devices may notice.
    code = (
        "import sys\n"
        "sys.modules['sounddevice'] = None\n"
        "import levelset.ports.live, levelset.session\n"
        "from levelset.ports.streams import library\n"
        "from levelset.errors import DeviceError\n"
        "try:\n    library()\nexcept DeviceError as error:\n    print(error.line())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("levelset: error: PortAudio, which reaches the sound devices,")


def test_a_process_that_ends_at_once_says_its_last_word() -> None:
    process = AudioProcess(Request(None, None, RATE_HZ, 2, RingSpec("no-such-ring", 1, 1, 1)))
    try:
        with pytest.raises(DeviceError, match=r"ended at once \(FileNotFoundError: .*no-such-ring"):
            process.first_answer()
    finally:
        process.end(now=True)


def test_without_shared_memory_there_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**words: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Ring, "create", full)
    with pytest.raises(DeviceError, match="no shared memory .*No space left"):
        open_live("any", output=None, rate_hz=RATE_HZ, channels=2)


# --- gate --------------------------------------------------------------------------------------


def facts(
    index: int,
    samples: np.ndarray,
    *,
    arrived_s: float | None = None,
    flags: frozenset[Flag] = frozenset(),
    rate: float = RATE_HZ,
) -> BlockFacts:
    block = Block(samples, 0, index * FRAMES, RATE_HZ, index * FRAMES / RATE_HZ, flags)
    at_s = index * FRAMES / rate if arrived_s is None else arrived_s
    return BlockFacts.of(block, arrived_s=at_s, crc=hash(samples.tobytes()) & 0xFFFFFFFF)


def noise(count: int, seed: int = 1) -> list[np.ndarray]:
    random = np.random.default_rng(seed)
    codes = np.rint(0.1 * 2**23 * random.standard_normal((count, FRAMES, 2)))
    return list(np.clip(codes / 2**23, -0.9, 0.9))


def gate_with(blocks: list[BlockFacts]) -> Gate:
    gate = Gate(RATE_HZ, FRAMES)
    for block in blocks:
        gate.add(block)
    return gate


def causes(gate: Gate, first: int, blocks: int) -> list[str]:
    return [fault.cause for fault in gate.faults(0, first * FRAMES, blocks * FRAMES)]


def test_a_clean_path_has_no_fault() -> None:
    jitter = np.random.default_rng(2).uniform(0.0, 0.02, 900)
    gate = gate_with(
        [
            facts(n, block, arrived_s=n * FRAMES / RATE_HZ * (1 + 60e-6) + jitter[n])
            for n, block in enumerate(noise(900))
        ]
    )
    assert causes(gate, 100, 700) == []
    assert gate.rate_ppm == pytest.approx(-60, abs=250)


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        ("repeat", "repeated_block"),
        ("flag", "drop_out"),
        ("dry", "drop_out"),
        ("processed", "processed"),
        ("zeros", "silent_input"),
        ("frozen", "silent_input"),
        ("full", "input_overload"),
    ],
)
def test_each_fault_is_named_where_it_is_and_only_there(change: str, cause: str) -> None:
    blocks = noise(120)
    flags: dict[int, frozenset[Flag]] = {}
    match change:
        case "repeat":
            blocks[60] = blocks[59]
        case "flag":
            flags[60] = frozenset({"overflow"})
        case "dry":
            flags[60] = frozenset({"underflow"})
        case "processed":
            flags[60] = frozenset({"processed"})
        case "zeros":
            blocks[50:80] = [np.zeros((FRAMES, 2))] * 30
        case "frozen":
            blocks[50:80] = [np.full((FRAMES, 2), 0.25)] * 30
        case "full":
            blocks[60][5, 1] = -1.0
    gate = gate_with([facts(n, b, flags=flags.get(n, frozenset())) for n, b in enumerate(blocks)])
    assert causes(gate, 45, 40) == [cause]
    assert causes(gate, 0, 45) == []
    assert causes(gate, 90, 20) == []


def test_a_tone_that_fits_the_block_is_no_repeat() -> None:
    # 1500 Hz has 32 whole periods in a block: without noise, all blocks are the same.
    tone = np.rint(2**22 * np.sin(2 * np.pi * 1500 * np.arange(FRAMES) / RATE_HZ)) / 2**23
    tone[FRAMES // 2 :] = tone[: FRAMES // 2]
    gate = gate_with([facts(n, np.stack([tone, tone], axis=1)) for n in range(40)])
    assert causes(gate, 5, 20) == []


def test_missing_frames_and_a_wrong_clock() -> None:
    blocks = noise(700)
    gap = gate_with([facts(n + (n > 30), b) for n, b in enumerate(blocks[:60])])
    assert causes(gap, 20, 20) == ["drop_out"]
    # 0.1 % more frames than the clock allows, as a rate converter gives them.
    wrong = gate_with([facts(n, b, rate=RATE_HZ * 1.001) for n, b in enumerate(blocks)])
    assert wrong.rate_ppm == pytest.approx(1000, abs=1)
    assert causes(wrong, 100, 100) == ["drop_out"]


def test_an_unpaced_device_trips_the_gate() -> None:
    """A null device hands out blocks as fast as they are taken."""
    gate = gate_with([facts(n, b, arrived_s=n * 1e-5) for n, b in enumerate(noise(500))])
    assert causes(gate, 100, 100) == ["drop_out"]


def test_frames_that_the_driver_lost_without_a_word() -> None:
    jitter = np.random.default_rng(3).uniform(0.0, 0.02, 200)
    jitter[40] = 0.2  # one late block is the computer's, not a loss
    lost_s = 0.05
    gate = gate_with(
        [
            facts(n, b, arrived_s=n * FRAMES / RATE_HZ + jitter[n] + (lost_s if n >= 100 else 0.0))
            for n, b in enumerate(noise(200))
        ]
    )
    assert causes(gate, 95, 10) == ["drop_out"]
    assert causes(gate, 20, 40) == []


def test_frame_rate_is_the_textbook_slope() -> None:
    time_s = np.array([0.0, 1.0, 2.0, 4.0])
    frames = np.array([0, 99, 202, 399])
    assert frame_rate_hz(time_s, frames) == pytest.approx(np.polyfit(time_s, frames, 1)[0])


# --- ring and output ---------------------------------------------------------------------------


@pytest.fixture
def ring() -> Iterator[Ring]:
    made = Ring.create(frames=FRAMES, channels=2, rate_hz=RATE_HZ)
    yield made
    made.close(remove=True)
    made.close(remove=True)


def test_codes_pass_the_ring_unchanged(ring: Ring) -> None:
    other = Ring.attach(ring.spec)
    codes = np.random.default_rng(1).integers(-(2**23), 2**23, (FRAMES, 2))
    other.write((codes / 2**23).astype(np.float32), 1.0, 0, 1.5, 3)
    other.write((codes << 8).astype(np.int32), 2.0**-31, FRAMES, 1.6, 0)
    for sequence in (0, 1):
        raw = ring.read(sequence)
        assert raw is not None
        assert np.array_equal(raw.samples.astype(np.float64) * 2**23, codes)
        assert raw.first_frame == sequence * FRAMES
    assert ring.read(2) is None
    other.close(remove=False)


def test_an_overwritten_or_torn_block_is_not_given_out(ring: Ring) -> None:
    silence = np.zeros((FRAMES, 2), np.float32)
    for n in range(ring.spec.slots + 1):
        ring.write(silence, 1.0, n * FRAMES, 0.0, 0)
    assert ring.read(0) is None
    assert ring.read(ring.spec.slots) is not None
    ring._samples[5, 3, 1] = 0.5
    assert ring.read(5) is None


class Desk:
    """An output with a clock of its own."""

    def __init__(self, ring: Ring) -> None:
        self.ring = ring
        self.output = Output(ring, RATE_HZ)
        self.now_s = 0.0

    def run(self, seconds: float, *, renew: bool = True, scale: float = 1.0) -> np.ndarray:
        kind = {1.0: np.float32, 2.0**31: np.int32, 2.0**15: np.int16}[scale]
        parts = []
        for _ in range(round(seconds * RATE_HZ / FRAMES)):
            if renew:
                self.ring.put("renewals", self.ring.get("renewals") + 1)
            out = np.full((FRAMES, 2), 77, kind)
            self.output.fill(out, scale, self.now_s)
            self.now_s += FRAMES / RATE_HZ
            parts.append(out)
        return np.concatenate(parts)[:, 0].astype(np.float64) / scale


@pytest.fixture
def desk(ring: Ring) -> Desk:
    return Desk(ring)


def test_silence_is_zero(desk: Desk) -> None:
    assert not np.any(desk.run(0.2))


@pytest.mark.parametrize(("scale", "bits"), [(1.0, 24), (2.0**31, 24), (2.0**15, 16)])
def test_what_is_played_is_exact_to_the_code(desk: Desk, scale: float, bits: int) -> None:
    desk.output.play(1, TONE, 0.5, None)
    heard = desk.run(2.0, scale=scale)
    time_s = np.arange(len(heard)) / RATE_HZ
    late = time_s > 1.1
    codes = 2.0 ** (bits - 1)
    assert np.array_equal(heard[late], np.rint(0.5 * TONE.at(time_s) * codes)[late] / codes)
    envelope = np.abs(heard[: RATE_HZ // 2]).max()
    assert envelope == pytest.approx(0.25, rel=0.01)


def test_the_lease_runs_out_and_cannot_be_renewed(desk: Desk) -> None:
    desk.output.play(1, TONE, 0.5, None)
    desk.run(1.5)
    heard = desk.run(1.0, renew=False)
    silent_from_s = np.flatnonzero(heard)[-1] / RATE_HZ
    assert LEASE_S < silent_from_s < LEASE_S + 0.02 + 2 * FRAMES / RATE_HZ
    assert desk.ring.get("lease_lost") == 1
    assert not np.any(desk.run(0.5))
    desk.output.play(2, TONE, 0.5, None)
    assert np.any(desk.run(0.1))


def test_a_process_that_slept_stays_silent(desk: Desk) -> None:
    desk.output.play(1, TONE, 0.5, None)
    desk.run(1.5)
    desk.now_s += 5.0
    heard = desk.run(0.5, renew=False)
    assert np.flatnonzero(heard)[-1] < 0.021 * RATE_HZ


def test_an_order_below_the_floor_ends(desk: Desk) -> None:
    desk.output.play(1, TONE, 0.5, None)
    desk.run(1.5)
    desk.ring.put("silence_below", 2)
    heard = desk.run(0.3)
    assert np.flatnonzero(heard)[-1] < 0.021 * RATE_HZ
    assert desk.output.silent
    assert desk.ring.get("sounding") == 0
    # An order from before the silence that comes late must not sound either.
    desk.output.play(1, TONE, 0.5, None)
    assert np.abs(desk.run(0.3)).max() < 0.011


def test_another_signal_replaces_the_first_and_nothing_exceeds_the_limit(desk: Desk) -> None:
    other = Signal("other", "a test", (Component(500.0, 1.0, 0.0),))
    limit = 10 ** (-1 / 20)
    desk.output.play(1, TONE, limit, None)
    desk.run(1.5)
    desk.output.play(2, other, limit, None)
    heard = desk.run(1.5)
    assert np.abs(heard).max() <= limit + 2**-23
    tail = heard[-RATE_HZ // 5 :]
    spectrum = np.abs(np.fft.rfft(tail * np.hanning(len(tail))))
    hz = np.fft.rfftfreq(len(tail), 1 / RATE_HZ)
    assert hz[np.argmax(spectrum)] == pytest.approx(500.0, abs=5.0)
    assert spectrum[np.abs(hz - 997.0) < 20].max() < 1e-4 * spectrum.max()


def test_levels_change_without_a_jump(desk: Desk) -> None:
    low = Signal("low", "a test", (Component(30.0, 1.0, 0.0),))
    desk.output.play(1, low, 0.1, None)
    parts = [desk.run(1.2)]
    for number, ratio in enumerate((0.8, 0.05, 0.4), start=2):
        desk.output.play(number, low, ratio, None)
        parts.append(desk.run(1.2))
        assert np.abs(parts[-1][-4800:]).max() == pytest.approx(ratio, rel=1e-3)
    # Steepest: the fall from 0.8 to 0.05 in 20 ms, on top of the tone's own slope.
    steepest = 2 * np.pi * 30.0 * 0.8 / RATE_HZ + 0.75 / (0.02 * RATE_HZ)
    for one, two in itertools.pairwise(parts):
        assert abs(two[0] - one[-1]) < steepest
    assert np.abs(np.diff(np.concatenate(parts))).max() < steepest
