"""What stands behind a reading: its capture, analysed again for the pictures of a page."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import LevelsetError
from levelset.probe.reading import reading_as_json
from levelset.record.audio_files import CODE_HIGH, read_capture
from levelset.record.comparison import OTHER_ANALYSIS, SAME_ANALYSIS, difference
from levelset.record.folder import CAPTURES
from levelset.record.journal import digest
from levelset.record.schema import ANALYSIS_VERSION, ReadingData
from levelset.units import peak_from_rms

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.probe.calibration import Calibration

PLACES = 280
"""Places of a spectrum: about one for each pixel of its plot."""


@dataclass(frozen=True, slots=True)
class Curves:
    """One reading as curves, in volts at the tip.

    Parameters
    ----------
    period_measured_v, period_sine_v : ndarray, shape (P,)
        One period, and the fitted sine.
    transfer_in_v, transfer_out_v : ndarray, shape (M,)
        Fitted sine against signal.
    spectrum_hz, spectrum_db : ndarray, shape (S,)
        Largest level near each frequency, dB relative to the fundamental.
    """

    period_measured_v: NDArray[np.float64]
    period_sine_v: NDArray[np.float64]
    transfer_in_v: NDArray[np.float64]
    transfer_out_v: NDArray[np.float64]
    spectrum_hz: NDArray[np.float64]
    spectrum_db: NDArray[np.float64]


def capture_fault(job: Path, sha256: str) -> str:
    """Return why a capture cannot be used, else nothing."""
    try:
        data = (job / CAPTURES / f"{sha256}.flac").read_bytes()
    except OSError as error:
        return f"the capture cannot be read ({error.strerror or error})"
    return "" if digest(data) == sha256 else "the capture is altered"


def curves_of(
    job: Path, reading: ReadingData, calibration: Calibration | None, analysis: int
) -> Curves | str:
    """Read a capture again and return its curves, or why there are none.

    Parameters
    ----------
    job : Path
        Folder of the job.
    reading : ReadingData
        An accepted reading.
    calibration : Calibration or None
        The one it was made with.
    analysis : int
        Version of the analysis that made it.
    """
    from levelset.analysis.line_spectrum import line_spectrum
    from levelset.probe.volts import read_tips

    fault = capture_fault(job, reading.capture)
    if fault:
        return fault
    if calibration is None:
        return "it was made before a calibration"
    try:
        codes, rate_hz = read_capture(job / CAPTURES / f"{reading.capture}.flac")
        samples = codes / (CODE_HIGH + 1.0)
        tips = read_tips(samples, reading.frames, reading.spec, calibration, with_picture=True)
    except (LevelsetError, ValueError) as error:
        return f"the capture does not fit its reading ({error})"
    output = tips.output
    picture, level = output.tone.picture, output.tone.level_dbfs
    if picture is None or level is None or output.volts_rms is None:
        return "the reading is void"
    stored = next((r for r in reading.readings if r.get("channel") == output.channel), None)
    tolerance = SAME_ANALYSIS if analysis == ANALYSIS_VERSION else OTHER_ANALYSIS
    differs = difference(stored, reading_as_json(output), tolerance, "it")
    if differs:
        return f"computed again, {differs}"
    scales = [scale.value for scale in calibration.volts_per_full_scale]
    x = samples[:, 0]
    if output.channel == "pair":
        x = x - scales[1] / scales[0] * samples[:, 1]
    scale_v = peak_from_rms(output.volts_rms.value) / 10.0 ** (level.value / 20.0)
    low_hz, high_hz = output.tone.band_hz
    spectrum_hz, spectrum_db = line_spectrum(
        x,
        rate_hz,
        places=PLACES,
        low_hz=max(low_hz, 10.0),
        high_hz=high_hz,
        response=calibration.response,
    )
    return Curves(
        picture.period_measured * scale_v,
        picture.period_sine * scale_v,
        picture.transfer_in * scale_v,
        picture.transfer_out * scale_v,
        spectrum_hz,
        spectrum_db - level.value,
    )
