"""Sound devices: what each can be trusted for and why not, and in which way it is opened."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from levelset.errors import DeviceError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Use = Literal["direct", "server", "refused"]

LOWEST_RATE_HZ = 44_100
DTYPES = ("float32", "int32", "int16")

CONVERTS = "changes rate and format without saying so"
_REFUSED_APIS = {
    "MME": CONVERTS,
    "Windows DirectSound": CONVERTS,
    "Windows WDM-KS": "has no way here that was tried",
    "OSS": "has no way here that was tried",
}
_SERVER_APIS = {"JACK Audio Connection Kit"}
_SERVER_NAMES = {"pulse", "pipewire"}
_HANDS_FREE = re.compile(r"hands[- ]?free|\bhfp\b|\bhsp\b|\bag audio\b|headset[-_]head", re.I)
_ADDRESS = re.compile(r"\s*\((?:plug)?hw:[^)]*\)|\s*\(\d+- |\s+$")


@dataclass(frozen=True, slots=True)
class SoundDevice:
    """One entry of the system's list, judged.

    Parameters
    ----------
    key : str
        Stable name: host API, name without address, channels, default rate. A calibration
        belongs to it.
    name, host_api : str
        As the system says.
    inputs, outputs : int
        Number of channels.
    default_rate_hz : int
        Default rate, Hz.
    use : Use
        ``direct`` is the converter itself, ``server`` a sound server in between.
    reasons : tuple of str
        Why it is refused, or what to keep in mind.
    rates_hz : tuple of int or None
        Rates that the converter itself offers; None where nobody can tell.
    default_input, default_output : bool
        True for the system's default device.
    index : int
        Its place in this list, which does not outlive the process that made the list.
    """

    key: str
    name: str
    host_api: str
    inputs: int
    outputs: int
    default_rate_hz: int
    use: Use
    reasons: tuple[str, ...]
    rates_hz: tuple[int, ...] | None
    default_input: bool
    default_output: bool
    index: int

    @property
    def trusted_for(self) -> tuple[str, ...]:
        """What it may be used for, in words."""
        if self.use == "refused":
            return ()
        words = []
        if self.inputs:
            words.append("volts, distortion and clipping, once calibrated and the path is checked")
            words.append("DC by touch only")
        if self.outputs:
            words.append("playing tones")
        return tuple(words)

    def as_json(self) -> dict[str, Any]:
        """Return the entry of ``devices --json``."""
        return {
            "key": self.key,
            "name": self.name,
            "host_api": self.host_api,
            "inputs": self.inputs,
            "outputs": self.outputs,
            "default_rate_hz": self.default_rate_hz,
            "rates_hz": None if self.rates_hz is None else list(self.rates_hz),
            "use": self.use,
            "trusted_for": list(self.trusted_for),
            "reasons": list(self.reasons),
            "default_input": self.default_input,
            "default_output": self.default_output,
        }


@dataclass(frozen=True, slots=True)
class Listing:
    """All devices of one moment.

    Parameters
    ----------
    library : str
        Version of PortAudio.
    host_apis : tuple of str
        What it was built with.
    devices : tuple of SoundDevice
        In the system's order.
    """

    library: str
    host_apis: tuple[str, ...]
    devices: tuple[SoundDevice, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the object of ``devices --json``."""
        return {
            "schema": "levelset.devices.v1",
            "library": self.library,
            "host_apis": list(self.host_apis),
            "devices": [device.as_json() for device in self.devices],
        }


@dataclass(frozen=True, slots=True)
class Way:
    """One way to open a device.

    Parameters
    ----------
    settings : str
        ``plain``, or the name of the host API's own settings.
    dtype : str
        Format of the samples.
    words : str
        For the person.
    """

    settings: Literal["plain", "wasapi_exclusive", "wasapi_raw", "coreaudio"]
    dtype: str
    words: str


def clean_name(name: str) -> str:
    """Return a device's name without the address that moves from start to start."""
    return _ADDRESS.sub("", name).rstrip(": ").strip() or name.strip()


def device_key(host_api: str, name: str, inputs: int, outputs: int, rate_hz: int) -> str:
    """Return the stable name of a device."""
    return f"{host_api} / {clean_name(name)} / {inputs} in {outputs} out / {rate_hz} Hz"


def judge(
    host_api: str, name: str, inputs: int, outputs: int, rate_hz: int
) -> tuple[Use, tuple[str, ...]]:
    """Tell what a device can be used for, from what the system says about it.

    Parameters
    ----------
    host_api, name : str
        As PortAudio names them.
    inputs, outputs : int
        Channels.
    rate_hz : int
        Default rate, Hz.

    Returns
    -------
    use : Use
        How it is reached.
    reasons : tuple of str
        Why refused, or what to keep in mind.
    """
    reasons = []
    if host_api in _REFUSED_APIS:
        reasons.append(f"{host_api} {_REFUSED_APIS[host_api]}")
    if _HANDS_FREE.search(name):
        reasons.append("a hands-free profile: one channel of telephone quality, filtered")
    if rate_hz < LOWEST_RATE_HZ:
        reasons.append(f"its rate is {rate_hz} Hz, below {LOWEST_RATE_HZ} Hz")
    if not inputs and not outputs:
        reasons.append("it has no channels")
    server = host_api in _SERVER_APIS
    if host_api == "ALSA" and "(hw:" not in name:
        server = name in _SERVER_NAMES
        if not server:
            reasons.append("an alias that may convert: take the entry with (hw:...) or pulse")
    if reasons:
        return "refused", tuple(reasons)
    if server:
        return "server", ("a sound server stands between: it must run at the rate asked for",)
    return "direct", ()


def judged(
    entries: Iterable[dict[str, Any]], host_apis: Sequence[dict[str, Any]]
) -> tuple[SoundDevice, ...]:
    """Return PortAudio's list as judged devices; ``rates_hz`` stays unknown."""
    devices = []
    for index, entry in enumerate(entries):
        api = host_apis[entry["hostapi"]]
        name, rate_hz = str(entry["name"]), round(entry["default_samplerate"])
        inputs, outputs = int(entry["max_input_channels"]), int(entry["max_output_channels"])
        use, reasons = judge(api["name"], name, inputs, outputs, rate_hz)
        devices.append(
            SoundDevice(
                device_key(api["name"], name, inputs, outputs, rate_hz),
                name,
                api["name"],
                inputs,
                outputs,
                rate_hz,
                use,
                reasons,
                None,
                api["default_input_device"] == index,
                api["default_output_device"] == index,
                index,
            )
        )
    return tuple(devices)


def choose(
    devices: Sequence[SoundDevice], wanted: str | None, *, direction: Literal["input", "output"]
) -> SoundDevice:
    """Return the device that a person means.

    Parameters
    ----------
    devices : sequence of SoundDevice
        A fresh list.
    wanted : str or None
        Key, name or a part of them; None takes the only usable device, or the default one.
    direction : str
        What it is for.

    Returns
    -------
    SoundDevice
        Never a refused one.

    Raises
    ------
    DeviceError
        If none or more than one fits.
    """
    able = [d for d in devices if (d.inputs if direction == "input" else d.outputs)]
    usable = [d for d in able if d.use != "refused"]
    names = ", ".join(f'"{d.key}"' for d in usable) or "none"
    if wanted is None:
        default = [d for d in usable if d.default_input or d.default_output]
        found = usable if len(usable) == 1 else default
        if not usable:
            raise DeviceError(
                f"no sound device can be the {direction}",
                "plug in a sound interface; levelset devices lists what there is and why not",
            )
        if len(found) != 1:
            raise DeviceError(
                f"{len(usable)} sound devices could be the {direction}",
                f"name one with its key: {names}",
            )
        return found[0]
    exact = [d for d in able if wanted in (d.key, d.name)]
    part = [d for d in able if wanted.casefold() in d.key.casefold()]
    found = exact or [d for d in part if d.use != "refused"] or part
    if not found:
        raise DeviceError(
            f'no sound {direction} is called "{wanted}"',
            f"plug it in, or name one of these: {names}",
        )
    if len(found) > 1:
        listed = ", ".join(f'"{d.key}"' for d in found)
        raise DeviceError(
            f'"{wanted}" fits {len(found)} sound devices', f"name one of them: {listed}"
        )
    device = found[0]
    if device.use == "refused":
        raise DeviceError(
            f'"{device.name}" cannot be used: {"; ".join(device.reasons)}',
            f"use one of these: {names}" if usable else "plug in a sound interface",
        )
    return device


def ways(device: SoundDevice) -> tuple[Way, ...]:
    """Return the ways to open a device, the most trusted first; none converts silently."""
    if device.host_api == "Windows WASAPI":
        return (
            *(Way("wasapi_exclusive", dtype, "exclusive") for dtype in DTYPES),
            Way("wasapi_raw", "float32", "shared with the raw stream, not the converter alone"),
        )
    if device.host_api == "Core Audio":
        return (Way("coreaudio", "float32", "at the device's own rate"),)
    words = "through the sound server" if device.use == "server" else "direct"
    return (Way("plain", "float32", words),)


def server_rate_problem(source: str, asked_hz: int, listed: str) -> str | None:
    """Tell what is wrong with a sound server's rate for a source or sink.

    Parameters
    ----------
    source : str
        Name of the source or sink.
    asked_hz : int
        The wanted rate, Hz.
    listed : str
        The server's list: a line each, the name in the second column, the rate as ``48000Hz``.

    Returns
    -------
    str or None
        The sentence, or None where the rate is right or the list does not say.
    """
    for line in listed.splitlines():
        columns = line.split("\t")
        rate = re.search(r"(\d+)Hz", line)
        if len(columns) > 1 and columns[1] == source and rate and int(rate[1]) != asked_hz:
            return (
                f'the sound server runs "{source}" at {rate[1]} Hz and would convert {asked_hz} Hz'
            )
    return None


def missing_library(platform: str, text: str) -> DeviceError:
    """Return the error for a machine without PortAudio, with the remedy for its platform."""
    remedy = {
        "linux": "install it (Debian, Ubuntu: apt install libportaudio2; Fedora: dnf install "
        "portaudio; Arch: pacman -S portaudio)",
        "darwin": "install levelset again with pip, which brings it, or: brew install portaudio",
        "win32": "install levelset again with pip, which brings it",
    }.get(platform, "install it with the system's package manager")
    return DeviceError(f"PortAudio, which reaches the sound devices, is missing ({text})", remedy)
