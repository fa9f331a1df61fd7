"""What is said about one step, in full scale."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """A step that was read with a known coupling, or identified it.

    Parameters
    ----------
    height_fs : float
        Height at the input of the coupling, full scale.
    noise_fs : float
        Its standard uncertainty by noise alone, full scale.
    coefficients : tuple of float
        c1, c2, ... of the coupling.
    change : tuple of float
        Change of the height with each coefficient.
    covariance : tuple of tuple of float
        Of height and coefficients, where the step identified them; else empty.
    misfit : float
        Slow residual after the touch over what the one before lets expect; about 1 where the
        model holds.
    moved : float
        Largest jump of the level after the touch over the usual one before it; about 3 where
        contact holds.
    noise_ratio : float
        RMS of the residual after the touch over that before.
    noise_after_fs : float
        RMS of the residual after the touch, up to half the row rate, full scale.
    """

    height_fs: float
    noise_fs: float
    coefficients: tuple[float, ...]
    change: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    misfit: float
    moved: float
    noise_ratio: float
    noise_after_fs: float
