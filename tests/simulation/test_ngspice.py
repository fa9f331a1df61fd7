"""A bridge amplifier that clips, against ngspice's own Fourier analysis."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from levelset.simulation.car import CarTruth

FREQUENCY_HZ = 97.0
HARMONICS = 15
LEG_RAIL_V = 14.0
GAIN = 20.0

NETLIST = """\
bridge amplifier that clips at its rails
Vin in 0 SIN(0 {peak} {frequency})
Rin in 0 10k
Bp p 0 V = max(0, min({rail}, {middle} + {half} * V(in)))
Bn n 0 V = max(0, min({rail}, {middle} - {half} * V(in)))
Bd d 0 V = V(p) - V(n)
Rd d 0 1k
.tran 1u {stop} {start} 1u
.control
set nfreqs={count}
set fourgridsize=8192
set polydegree=1
run
fourier {frequency} v(d)
fourier {frequency} v(p)
quit
.endc
.end
"""


def fourier_by_ngspice(program: str, folder: Path, peak_v: float) -> list[np.ndarray]:
    """Return the harmonics' peaks of the pair and of the positive leg, V."""
    netlist = folder / "bridge.cir"
    netlist.write_text(
        NETLIST.format(
            peak=peak_v,
            frequency=FREQUENCY_HZ,
            rail=LEG_RAIL_V,
            middle=LEG_RAIL_V / 2.0,
            half=GAIN / 2.0,
            start=2.0 / FREQUENCY_HZ,
            stop=4.0 / FREQUENCY_HZ,
            count=HARMONICS + 1,
        )
    )
    done = subprocess.run(
        [program, "-b", str(netlist)], capture_output=True, text=True, timeout=60, check=True
    )
    tables = done.stdout.split("Fourier analysis for ")[1:]
    assert len(tables) == 2, done.stdout + done.stderr
    row = re.compile(r"^\s*(\d+)\s+(\S+)\s+(\S+)\s+\S+\s+\S+\s+\S+\s*$", re.MULTILINE)
    return [np.array([float(m[3]) for m in row.finditer(table)])[1:] for table in tables]


@pytest.mark.outside
@pytest.mark.parametrize("overdrive_db", [-1.0, 0.5, 3.0])
def test_a_clipping_bridge(
    outside_program: Callable[[str], str],
    tmp_path: Path,
    ideal: Callable[..., CarTruth],
    listen: Callable[..., np.ndarray],
    harmonics: Callable[..., np.ndarray],
    overdrive_db: float,
) -> None:
    """Across the pair the rail is that of one leg from end to end."""
    peak_v = LEG_RAIL_V / GAIN * 10.0 ** (overdrive_db / 20.0)
    pair, leg = fourier_by_ngspice(outside_program("ngspice"), tmp_path, peak_v)
    assert len(pair) == len(leg) == HARMONICS
    truth = ideal(
        amplifier__output="bridged",
        amplifier__rail_volts_peak=LEG_RAIL_V,
        source__volts_rms_at_max=peak_v / np.sqrt(2.0),
        interface__full_scale_volts_peak=20.0,
    )
    codes = listen(truth, FREQUENCY_HZ, at="channel", gain_db=20.0 * np.log10(GAIN)) * 20.0
    found = [
        np.abs(harmonics(values, FREQUENCY_HZ, 48_000, 60)[1 : HARMONICS + 1])
        for values in (codes[:, 0] - codes[:, 1], codes[:, 0])
    ]
    # ngspice's figure is limited by its interpolation between time points of 1 us.
    np.testing.assert_allclose(found[0], pair, atol=3e-4 * LEG_RAIL_V)
    np.testing.assert_allclose(found[1], leg, atol=3e-4 * LEG_RAIL_V)
    assert found[0][0] == pytest.approx(pair[0], rel=1e-4)
    assert found[0][0] / found[1][0] == pytest.approx(2.0, rel=1e-5)
    if overdrive_db > 0.0:
        thd, thd_by_ngspice = (np.linalg.norm(h[1:]) / h[0] for h in (found[0], pair))
        assert thd == pytest.approx(thd_by_ngspice, rel=5e-3)
