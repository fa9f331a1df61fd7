"""The simulated sound card: AC coupling, noise, codes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.simulation.car import InterfaceTruth

    Values = NDArray[np.float64]


class Converter:
    """From volts at the input to codes, block by block.

    Parameters
    ----------
    truth : InterfaceTruth
        The interface.
    seed : int
        Seed of its noise.
    """

    def __init__(self, truth: InterfaceTruth, seed: int) -> None:
        self._full_scale_v = truth.full_scale_volts_peak
        self._steps = 2.0 ** (truth.bits - 1)
        # AES17: 0 dBFS is the level of a full-scale sine, whose RMS is 1 / sqrt 2.
        self._noise_fs_rms = 10.0 ** (truth.noise_dbfs / 20.0) / math.sqrt(2.0)
        self._noise = np.random.default_rng([seed, 1])
        self._poles = [_high_pass(pole_hz, truth.rate_hz) for pole_hz in truth.coupling_hz]
        self._states = [np.zeros((1, truth.channels)) for _ in self._poles]

    def codes(self, volts: Values) -> Values:
        """Convert one block.

        Parameters
        ----------
        volts : ndarray, shape (frames, channels)
            Volts at the input.

        Returns
        -------
        ndarray, shape (frames, channels)
            Full scale, whole codes; beyond the range the extreme codes.
        """
        from scipy.signal import lfilter

        values = volts / self._full_scale_v
        for n, (b, a) in enumerate(self._poles):
            values, self._states[n] = lfilter(b, a, values, axis=0, zi=self._states[n])
        values += self._noise_fs_rms * self._noise.standard_normal(values.shape)
        codes = np.clip(np.rint(values * self._steps), -self._steps, self._steps - 1.0)
        result: Values = codes / self._steps
        return result


def _high_pass(pole_hz: float, rate_hz: int) -> tuple[list[float], list[float]]:
    """Return the first-order high-pass jf / (jf + pole), by the bilinear transform.

    With k = tan(pi pole / rate): (1 - z^-1) / (1 + k) over 1 - z^-1 (1 - k) / (1 + k).
    """
    k = math.tan(math.pi * pole_hz / rate_hz)
    gain = 1.0 / (1.0 + k)
    return [gain, -gain], [1.0, -(1.0 - k) * gain]
