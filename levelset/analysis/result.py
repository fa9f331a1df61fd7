"""What the tone analysis says about one window of one signal, in full scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.quantity import Quantity

VoidCode = Literal[
    "silent_input",
    "no_tone",
    "unsteady",
    "too_short",
    "input_overload",
    "probe_limit",
    "drop_out",
    "repeated_block",
    "processed",
    "not_finite",
    "device_lost",
    "output_unknown",
    "setup_changed",
    "contact_not_held",
    "source_not_quiet",
    "touch_again",
]
ClippingState = Literal["clean", "soft_clipping", "hard_clipping", "distorted"]
Halves = Literal["none", "upper", "lower", "both"]


@dataclass(frozen=True, slots=True)
class Void:
    """Why a reading cannot be trusted.

    Parameters
    ----------
    code : VoidCode
        Fixed word for programs.
    reason : str
        One sentence for a person: what is wrong and what to do.
    """

    code: VoidCode
    reason: str


@dataclass(frozen=True, slots=True)
class Clipping:
    """Shape of the tops.

    Parameters
    ----------
    state : ClippingState
        ``hard_clipping``: a flat top was found. ``soft_clipping``: THD above the limit and a
        compressive transfer curve. ``distorted``: above the limit, neither. Else ``clean``.
    halves : Halves
        Which half is flat (or, for ``soft_clipping``, compressed).
    overdrive_db : Quantity or None
        How far the sine would have gone beyond the flat top, dB; None without a flat top.
    upper_fs, lower_fs : Quantity or None
        Level of the flat top of each half, full scale (lower is negative); None where not flat.
    """

    state: ClippingState
    halves: Halves
    overdrive_db: Quantity | None
    upper_fs: Quantity | None
    lower_fs: Quantity | None


@dataclass(frozen=True, slots=True)
class Picture:
    """The two curves that explain a verdict, in full scale.

    Parameters
    ----------
    period_measured, period_sine : ndarray, shape (P,)
        One period of the signal (coupling corrected) and of the fitted sine, rising zero first.
    transfer_in, transfer_out : ndarray, shape (M,)
        Fitted sine against signal, sorted by the sine, from - amplitude to + amplitude.
    """

    period_measured: NDArray[np.float64]
    period_sine: NDArray[np.float64]
    transfer_in: NDArray[np.float64]
    transfer_out: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ToneResult:
    """One window of one signal, corrected for the response it was given.

    A void result keeps the numbers that are still meaningful (often ``peak_dbfs``); every other
    number is None, so that nothing that cannot be trusted can be read as a value.

    Parameters
    ----------
    void : Void or None
        Why it cannot be trusted.
    frequency_hz : Quantity or None
        Estimated frequency by the input's clock, Hz.
    amplitude_fs : Quantity or None
        Peak of the fundamental, full scale.
    phase_rad : float or None
        Phase of the fundamental at the first sample: ``amplitude * cos(phase + ...)``.
    level_dbfs : Quantity or None
        20 lg(amplitude), so that a full-scale sine reads 0 dBFS (AES17).
    total_amplitude_fs : Quantity or None
        sqrt 2 times the RMS of fundamental and harmonics together, full scale.
    offset_fs : Quantity or None
        Mean of the window, full scale.
    thd_percent : Quantity or None
        Harmonics up to ``thd_harmonics`` within ``band_hz``, over the fundamental.
    thd_harmonics : int
        Highest harmonic number counted.
    thd_n_percent : Quantity or None
        All but the fundamental within ``band_hz``, over the fundamental.
    band_hz : tuple of float
        Lower and upper edge of the band that THD and THD+N count, Hz.
    harmonics_percent : tuple of float
        H2, H3, ... over the fundamental.
    crest_factor : float or None
        Peak over RMS, offset removed.
    peak_dbfs : float or None
        20 lg of the largest sample magnitude.
    hum_not_separable : bool
        A mains harmonic is too near to the tone or a counted harmonic to be told apart.
    clipping : Clipping or None
        Shape of the tops.
    picture : Picture or None
        The curves, where they were asked for.
    """

    void: Void | None
    frequency_hz: Quantity | None = None
    amplitude_fs: Quantity | None = None
    phase_rad: float | None = None
    level_dbfs: Quantity | None = None
    total_amplitude_fs: Quantity | None = None
    offset_fs: Quantity | None = None
    thd_percent: Quantity | None = None
    thd_harmonics: int = 40
    thd_n_percent: Quantity | None = None
    band_hz: tuple[float, float] = (20.0, 20000.0)
    harmonics_percent: tuple[float, ...] = ()
    crest_factor: float | None = None
    peak_dbfs: float | None = None
    hum_not_separable: bool = False
    clipping: Clipping | None = None
    picture: Picture | None = None
