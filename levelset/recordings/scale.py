"""Full scale to volts for the channels of a recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.analysis.result import Void
from levelset.probe.budget import voltage_budget, volts_rms
from levelset.probe.uncertainty import Component, from_quantity

if TYPE_CHECKING:
    from levelset.analysis.fitted import Response
    from levelset.analysis.result import ToneResult
    from levelset.probe.calibration import Calibration
    from levelset.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Scale:
    """What turns full scale into volts.

    Parameters
    ----------
    volts_per_full_scale : tuple of float
        Peak volts at the tip per full scale, one for each of `channels`, V.
    channels : tuple of int or None
        Channels they belong to, from 1; None: the one scale belongs to every channel.
    calibration : Calibration or None
        Where they come from; None for a number that was typed in, which is taken as exact.
    """

    volts_per_full_scale: tuple[float, ...]
    channels: tuple[int, ...] | None
    calibration: Calibration | None

    @classmethod
    def typed(cls, volts_per_full_scale: float) -> Scale:
        """Return the scale that a person gave, peak volts per full scale, V, above 0."""
        return cls((volts_per_full_scale,), None, None)

    @classmethod
    def of(cls, calibration: Calibration, inputs: tuple[int, ...], channels: int) -> Scale:
        """Return the scale of a calibration for a recording of so many channels.

        Parameters
        ----------
        calibration : Calibration
            The calibration.
        inputs : tuple of int
            Input of each tip, from 1.
        channels : int
            Channels of the recording. Where it has fewer than the inputs reach, the recorder has
            left out others, and the tips are taken in their order.
        """
        scales = tuple(s.value for s in calibration.volts_per_full_scale)
        if max(inputs) > channels:
            inputs = tuple(range(1, len(scales) + 1))
        return cls(scales, inputs, calibration)

    @property
    def response(self) -> Response | None:
        """Transfer of probe and input, where it is known."""
        return None if self.calibration is None else self.calibration.response

    def of_channel(self, channel: int) -> float | None:
        """Return peak volts per full scale of a channel (from 1); None where it has no tip."""
        if self.channels is None:
            return self.volts_per_full_scale[0]
        if channel in self.channels:
            return self.volts_per_full_scale[self.channels.index(channel)]
        return None

    def void(self, channel: int, rate_hz: int, peak_fs: float) -> Void | None:
        """Return why the scale does not hold for a window, or None."""
        calibration, scale_v = self.calibration, self.of_channel(channel)
        if calibration is None or scale_v is None:
            return None
        if calibration.rate_hz != rate_hz:
            return Void(
                "setup_changed",
                f"The recording has {rate_hz} Hz, calibration {calibration.name} was made at "
                f"{calibration.rate_hz} Hz: record at that rate or calibrate again.",
            )
        if peak_fs * scale_v > calibration.max_volts:
            return Void(
                "probe_limit",
                f"Channel {channel} carries {peak_fs * scale_v:.1f} V peak, the probe is stated "
                f"for {calibration.max_volts:g} V: use a probe for more.",
            )
        return None

    def budget(self, tone: ToneResult) -> tuple[Component, ...]:
        """Return what makes up the uncertainty of a voltage, relative to it."""
        if self.calibration is not None:
            return voltage_budget(self.calibration, tone, None)
        amplitude = tone.amplitude_fs
        if amplitude is None:
            raise ValueError("a void reading has no budget")
        return (from_quantity("noise and fit", amplitude, sensitivity=1.0 / amplitude.value),)

    def volts(self, channel: int, tone: ToneResult) -> tuple[Quantity | None, Quantity | None]:
        """Return the fundamental and the total of a reading in volts RMS."""
        scale_v, amplitude, total = self.of_channel(channel), tone.amplitude_fs, None
        if scale_v is None or amplitude is None:
            return None, None
        budget = self.budget(tone)
        if tone.total_amplitude_fs is not None:
            total = volts_rms(tone.total_amplitude_fs, scale_v, budget)
        return volts_rms(amplitude, scale_v, budget), total
