"""Live readings of made samples: they pass the port's conversion, its gate, and an engine.

Faults are made between the converter's codes and the reader, each in its own plain way; what a
vehicle and a hand do is made before the converter.
"""

from __future__ import annotations

import contextlib
import math
import zlib

import numpy as np

from levelset.errors import DeviceError
from levelset.ports.base import PortInfo
from levelset.ports.codes import block_from
from levelset.ports.gate import BlockFacts, Gate
from levelset.ports.ring import RawBlock
from levelset.probe.reading import ToneSpec
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import Act, Finish, Guidance, Listen
from levelset.recordings.live import follow
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan
from tests.analysis import path_faults as faults

FRAMES = 1024
PLAN = job_plan(load_demo_car())
PATH_CODES = ("drop_out", "repeated_block", "processed")


class SamplesPort:
    """Hands samples on as the live port does, block by block; shape (n, 2), as float32."""

    def __init__(self, samples, rate_hz):
        self.info = PortInfo("made samples", rate_hz, samples.shape[1], can_play=False)
        self._samples = samples.astype(np.float32)
        self._gate = Gate(rate_hz, FRAMES)

    def blocks(self):
        rate_hz = self.info.rate_hz
        for number, first in enumerate(range(0, len(self._samples) - FRAMES + 1, FRAMES)):
            part = np.ascontiguousarray(self._samples[first : first + FRAMES])
            crc = zlib.crc32(part.tobytes())
            raw = RawBlock(number, first, (first + FRAMES) / rate_hz, 0, crc, part)
            block = block_from(raw, stream=0, began_s=0.0, rate_hz=rate_hz, after_gap=False)
            self._gate.add(BlockFacts.of(block, arrived_s=raw.arrived_s, crc=crc))
            yield block

    def path_void(self, stream, first_frame, frames):
        return self._gate.void(stream, first_frame, frames)

    def renew(self):
        pass

    silence = close = renew


class Onlooker:
    def see(self, view):
        pass

    def answer(self, view):
        return None

    def wants_to_stop(self):
        return False


class Forgetful:
    def append(self, kind, data):
        return 1


def live_readings(samples, rate_hz, frequency_hz, output, person=None):
    """Return the readings of all windows, as a procedure gets them."""
    window_s = max(0.25, 10.0 / frequency_hz)
    spec = ToneSpec(frequency_hz, window_s, 1.0, output, live=True)
    found = []

    def listening():
        while True:
            found.append((yield Listen(spec, Guidance("", Act("wait")))))
            if len(found) > 10_000:
                yield Finish("accepted", "", {})

    port = SamplesPort(samples, rate_hz)
    with contextlib.suppress(DeviceError):
        engine = Engine(port, Forgetful(), person or Onlooker(), PLAN)
        engine.run("listening", None, listening())
    return found


class Watcher(Onlooker):
    """Looks at every glimpse as well."""

    def __init__(self):
        self.glimpses = []

    def glimpse(self, view):
        self.glimpses.append(view.reading)


def live_glimpses(samples, rate_hz, frequency_hz, output):
    """Return the readings of all windows and the glimpses between them."""
    person = Watcher()
    return live_readings(samples, rate_hz, frequency_hz, output, person) + person.glimpses


def live_updates(samples, rate_hz, frequency_hz, output):
    """Return overlapping readings, 20 a second, of the louder channel; the tone is not known."""
    del frequency_hz, output
    louder = 1 + int(np.argmax(np.ptp(samples, axis=0)))
    found = follow(SamplesPort(samples, rate_hz), None, 1.0, 20.0)
    return [one for one in found if one.channel == louder]


SEEN_IN = {"readings": live_readings, "glimpses": live_glimpses, "updates": live_updates}


def voids(readings):
    return [getattr(r, "output", r).tone.void for r in readings]


# What comes out of the converter.


def tips(case, wave, bridged):
    """Codes of two tips on an output: each with noise of its own, hum on both."""
    rng = np.random.default_rng(case.seed + 5)
    t = np.arange(wave.size) / case.rate_hz
    hum = 3.0 * case.noise_fs * np.sin(2 * np.pi * 50.0 * t + rng.uniform(0, 6.28))
    a, b = (0.5 * wave, -0.5 * wave) if bridged else (wave, 0.0 * wave)
    noise = case.noise_fs * rng.normal(size=(wave.size, 2))
    return case.codes(np.column_stack((a + hum, b + hum)) + noise)


# What a program between converter and reader does to the codes.


def at_random(case, codes, rng):
    return faults.block_of(case, rng), faults.place(codes[:, 0], rng)


def dropped(case, codes, rng):
    frames, at = at_random(case, codes, rng)
    return np.concatenate((codes[:at], codes[at + frames :]))


def doubled(case, codes, rng):
    frames, at = at_random(case, codes, rng)
    after = at if rng.random() < 0.5 else at + frames
    return np.concatenate((codes[:at], codes[at - frames : at], codes[after:]))


def zeroed(case, codes, rng):
    frames, at = at_random(case, codes, rng)
    frames = max(frames, int(0.3 * case.rate_hz / case.frequency_hz))
    out = codes.copy()
    out[at : at + frames] = 0.0
    return out


def ridden(case, codes, rng):
    room_db = -2.0 - 20 * math.log10(np.abs(codes).max())
    start_db = rng.uniform(0.5, max(0.6, min(12.0, room_db)))
    return faults.automatic_gain(codes, case.rate_hz, rng, start_db)


def gated(case, codes, rng):
    gain_db = np.zeros(len(codes))
    depth = rng.uniform(6.0, 80.0)
    for _ in range(int(rng.integers(1, 4))):
        at, length = faults.place(gain_db, rng), int(rng.uniform(0.2, 0.5) * case.rate_hz)
        gain_db[at : at + length] = -depth
    ramp = max(2, int(rng.uniform(0.002, 0.04) * case.rate_hz))
    padded = np.concatenate((np.zeros(ramp), gain_db, np.full(ramp, gain_db[-1])))
    gain_db = np.convolve(padded, np.full(ramp, 1.0 / ramp), mode="same")[ramp:-ramp]
    return codes * 10.0 ** (gain_db / 20.0)[:, None]


def resampled(case, codes, rng):
    ratio = 1.0 + (0.001 if rng.random() < 0.5 else -0.001)
    moments = np.arange(int((len(codes) - 1) / ratio)) * ratio
    place = np.arange(len(codes))
    return np.column_stack([np.interp(moments, place, channel) for channel in codes.T])


def mono(case, codes, rng):
    joined = codes.mean(axis=1) if rng.random() < 0.5 else codes.sum(axis=1)
    return np.column_stack((joined, joined))


TAMPERED = {
    "dropped": (dropped, "drop_out"),
    "doubled": (doubled, "repeated_block"),
    "zeroed": (zeroed, "drop_out"),
    "gain ridden": (ridden, "processed"),
    "gated": (gated, "processed"),
    "resampled by 0.1 %": (resampled, "processed"),
    "mono sum": (mono, "processed"),
}


def tampered_voids(name, rng, integers=False, seen_in="readings"):
    """Return the voids of one trial; `integers` hands the codes on in the converter's own bits."""
    case = faults.draw(rng)
    bridged = bool(rng.random() < 0.5)
    codes = tips(case, case.tone(case.times()), bridged)
    samples = TAMPERED[name][0](case, codes, rng)
    if integers:
        samples = case.codes(samples)
    output = "bridged" if bridged else "grounded"
    return voids(SEEN_IN[seen_in](samples, case.rate_hz, case.frequency_hz, output))


# What a vehicle and a hand do.


def hard(case, wave, rng):
    rail = case.amplitude_fs * 10.0 ** (-rng.uniform(0.1, 16.0) / 20.0)
    return np.clip(wave, -rail, rail * rng.uniform(0.8, 1.0))


def soft(case, wave, rng):
    drive = rng.uniform(0.3, 4.0) / case.amplitude_fs
    return np.tanh(drive * wave) / drive


def hum(case, wave, rng):
    t = case.times()
    lines = sum(np.sin(2 * np.pi * 50.0 * k * t + rng.uniform(0, 6.28)) / k for k in range(1, 8))
    return wave + case.amplitude_fs * 10.0 ** (-rng.uniform(12.0, 40.0) / 20.0) * lines


def turned(case, wave, rng):
    """A hand at a gain knob: it turns, rests, turns on, mostly up; also in quick jerks."""
    time_s = case.times()
    moments, levels_db = [0.0], [-rng.uniform(0.0, 25.0)]
    while moments[-1] < time_s[-1]:
        quick_s = rng.uniform(0.02, 0.1) if rng.random() < 0.3 else rng.uniform(0.1, 1.0)
        by_db = rng.uniform(-3.0, 10.0) * min(1.0, quick_s / 0.2)
        moments += [moments[-1] + rng.uniform(0.0, 0.8), moments[-1] + 0.8 + quick_s]
        levels_db += [levels_db[-1], levels_db[-1] + by_db]
    level_db = np.minimum(np.interp(time_s, moments, levels_db), 0.0)
    return wave * 10.0 ** (level_db / 20.0)


def begins(case, wave, rng):
    """The tone begins, at once or with a fade, or ends."""
    time_s = case.times()
    edge_s, fade_s = rng.uniform(0.2, 2.0), rng.choice([1e-4, 0.02, 0.5])
    gain = np.clip((time_s - edge_s) / fade_s, 0.0, 1.0)
    return wave * (gain if rng.random() < 0.7 else 1.0 - gain)


def lifted(case, wave, rng):
    """A tip loses its contact and finds it again, with bounce."""
    gain = np.ones(wave.size)
    at, length = faults.place(wave, rng), int(rng.uniform(0.01, 0.4) * case.rate_hz)
    gain[at : at + length] = 0.0
    for _ in range(int(rng.integers(0, 6))):
        bounce = at + length + int(rng.uniform(0.0, 0.03) * case.rate_hz)
        gain[bounce : bounce + int(rng.uniform(0.0005, 0.005) * case.rate_hz)] = 0.0
    return wave * gain


def clicked(case, wave, rng):
    """A volume control clicks up, and its loudness filter turns the phase of a low tone."""
    turn_rad = rng.uniform(-0.3, 0.3) if case.frequency_hz < 200.0 else 0.0
    later = case.times() > rng.uniform(0.3, 2.5)
    other = case.tone(case.times() + turn_rad / (2 * np.pi * case.frequency_hz))
    return 10.0 ** (-0.1) * np.where(later, 10.0 ** (rng.uniform(0.5, 3.0) / 20.0) * other, wave)


def steady(case, wave, rng):
    return wave


CLEAN = {
    "steady": steady,
    "hard clipped": hard,
    "soft clipped": soft,
    "hum": hum,
    "knob turned": turned,
    "tone begins or ends": begins,
    "contact lost": lifted,
    "volume clicks": clicked,
}


def clean_voids(name, rng, seen_in="readings"):
    case = faults.draw(rng)
    bridged = bool(rng.random() < 0.5)
    if rng.random() < 0.25 and name != "contact lost":
        # A converter of 16 bits whose noise is below its last code: open tips give exact zeros.
        case = faults.replace(case, bits=16, noise_fs=0.05 * 2.0**-15)
    wave = CLEAN[name](case, case.tone(case.times()), rng)
    codes = tips(case, wave, bridged)
    output = "bridged" if bridged else "grounded"
    return voids(SEEN_IN[seen_in](codes, case.rate_hz, case.frequency_hz, output))
