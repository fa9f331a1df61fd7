"""The designs as circuits in ngspice: ratio, both corners, currents and noise."""

import math
import re
import subprocess

import numpy as np
import pytest
from probe_designs import design, random_requirements

from levelset.probe.mistakes import consequences

pytestmark = pytest.mark.outside
COUNT = 24
GROUND = 1000.0


@pytest.fixture(autouse=True)
def _ngspice(outside_program):
    outside_program("ngspice")


def run(deck, folder):
    path = folder / "deck.cir"
    path.write_text(deck, encoding="ascii")
    done = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, cwd=folder, timeout=120
    )
    return done.stdout + done.stderr


def tip(k, part, need, source, *, ground):
    """One tip from a source node to the input node in<k>, every resistor on its own."""
    lines = []
    node = source
    for n in range(part.r1_count):
        following = f"j{k}" if n == part.r1_count - 1 else f"s{k}x{n}"
        lines.append(f"R1{k}x{n} {node} {following} {part.r1_each_ohm}")
        node = following
    pin = need["input_impedance_ohm"] / (2.0 if need["tips"] == "balanced" else 1.0)
    lines.append(f"R2{k} j{k} {ground} {part.r2_ohm}")
    if part.c_pf is not None:
        lines.append(f"C{k} j{k} {ground} {part.c_pf}p")
    if need["cable_pf"]:
        lines.append(f"Cc{k} j{k} {ground} {need['cable_pf']}p")
    if need["coupling_hz"]:
        # The coupling capacitor that makes this corner with the pin's impedance alone.
        lines.append(f"Ci{k} j{k} in{k} {1.0 / (2.0 * math.pi * need['coupling_hz'] * pin)}")
    else:
        lines.append(f"Vi{k} j{k} in{k} 0")
    lines.append(f"Rz{k} in{k} {ground} {pin}")
    return lines


def ac_circuit(k, part, need):
    """A whole probe on an output of 1 V; its reading is node out<k>."""
    lines = [f"Rg{k} g{k} 0 {GROUND}"]
    if need["tips"] == "one":
        lines += [f"Va{k} a{k} 0 AC 1", *tip(f"{k}a", part, need, f"a{k}", ground=f"g{k}")]
        lines.append(f"E{k} out{k} 0 in{k}a g{k} 1")
    else:
        lines += [f"Va{k} a{k} 0 AC 0.5", f"Vb{k} b{k} 0 AC -0.5"]
        lines += tip(f"{k}a", part, need, f"a{k}", ground=f"g{k}")
        lines += tip(f"{k}b", part, need, f"b{k}", ground=f"g{k}")
        lines.append(f"E{k} out{k} 0 in{k}a in{k}b 1")
    return lines


@pytest.fixture(scope="module")
def designs():
    return [(need, design(**need)) for need in random_requirements(COUNT, seed=31)]


def corner(frequency, magnitude, plateau, *, upper):
    """Where the response crosses plateau / sqrt 2, between two points in log-log."""
    ratio = np.log(magnitude / plateau * math.sqrt(2.0))
    inside = np.flatnonzero(ratio > 0.0)
    i = inside[-1] if upper else inside[0] - 1
    part = ratio[i] / (ratio[i] - ratio[i + 1])
    return math.exp(np.log(frequency[i]) * (1 - part) + np.log(frequency[i + 1]) * part)


def test_ratio_and_corners(designs, tmp_path):
    cases = [(need, part) for need, one in designs for part in (one.low, one.high)]
    deck = ["* probes"]
    for k, (need, part) in enumerate(cases):
        deck += ac_circuit(k, part, need)
    outputs = " ".join(f"v(out{k})" for k in range(len(cases)))
    deck += [
        ".control",
        "ac dec 300 0.02 2meg",
        "set wr_singlescale",
        f"wrdata response.txt {outputs}",
        ".endc",
        ".end",
    ]
    run("\n".join(deck) + "\n", tmp_path)
    table = np.loadtxt(tmp_path / "response.txt")
    frequency = table[:, 0]
    assert table.shape[1] == 1 + 2 * len(cases)
    for k, (need, part) in enumerate(cases):
        magnitude = np.hypot(table[:, 1 + 2 * k], table[:, 2 + 2 * k])
        middle = np.interp(
            math.log(math.sqrt(max(part.low_corner_hz, 0.02) * part.high_corner_hz.value)),
            np.log(frequency),
            magnitude,
        )
        assert 1.0 / middle == pytest.approx(part.ratio, rel=6e-4)
        plateau = 1.0 / part.ratio
        high = corner(frequency, magnitude, plateau, upper=True)
        # With one tip the ground lead adds its kilohm to R1: under a part in a thousand here.
        assert high == pytest.approx(part.high_corner_hz.value, rel=2e-3)
        if need["coupling_hz"]:
            low = corner(frequency, magnitude, plateau, upper=False)
            assert low == pytest.approx(part.low_corner_hz, rel=2e-3)


def test_short_circuit_currents(designs, tmp_path):
    deck = ["* mistakes"]
    battery = 14.4
    kept = []
    for k, (need, one) in enumerate(designs):
        dc = need | {"coupling_hz": 0.0}
        part = min((one.low, one.high), key=lambda p: p.r1_ohm + p.r2_ohm)
        volts = need["max_volts"]
        kept.append((one, volts))
        # Tip on battery and tip on a leg, clip on chassis.
        for case, v in (("t", battery), ("l", volts)):
            deck += [f"V{case}{k} {case}{k} 0 {v}", f"Rg{case}{k} g{case}{k} 0 {GROUND}"]
            deck += tip(f"{case}{k}", part, dc, f"{case}{k}", ground=f"g{case}{k}")
        # Clip on battery and on a leg, the interface tied to chassis.
        for case, v in (("c", battery), ("d", volts)):
            deck += [f"V{case}{k} {case}{k} 0 {v}", f"Rg{case}{k} {case}{k} g{case}{k} {GROUND}"]
            deck += [f"Rt{case}{k} g{case}{k} 0 1e-6"]
            deck += tip(f"{case}{k}", part, dc, "0", ground=f"g{case}{k}")
        # The same without the tie: only the tip on chassis closes the circuit.
        for case, v in (("e", battery), ("f", volts)):
            deck += [f"V{case}{k} {case}{k} 0 {v}", f"Rg{case}{k} {case}{k} g{case}{k} {GROUND}"]
            deck += tip(f"{case}{k}", part, dc, "0", ground=f"g{case}{k}")
    prints = [f"print i(v{case}{k})" for k in range(len(designs)) for case in "tlcdef"]
    deck += [".control", "set numdgt=12", "op", *prints, ".endc", ".end"]
    text = run("\n".join(deck) + "\n", tmp_path)
    current = {name: abs(float(value)) for name, value in re.findall(r"i\(v(\w+)\) = (\S+)", text)}
    assert len(current) == 6 * len(designs)
    for k, (one, _) in enumerate(kept):
        stated = {
            (m.part, m.place, m.interface_on_chassis): m.current_a
            for m in consequences(one, battery, 0.5)
        }
        for case, key in {
            "t": ("tip", "battery", False),
            "l": ("tip", "leg", False),
            "c": ("ground clip", "battery", True),
            "d": ("ground clip", "leg", True),
            "e": ("ground clip", "battery", False),
            "f": ("ground clip", "leg", False),
        }.items():
            assert current[f"{case}{k}"] == pytest.approx(stated[key], rel=2e-3), key


def test_resistor_noise(designs, tmp_path):
    # ngspice's own noise analysis at 27 degrees Celsius; the converter's noise is put out of the
    # way by a very quiet input.
    need = {
        **designs[0][0],
        "tips": "one",
        "coupling_hz": 0.0,
        "noise_dbfs": -160.0,
        "full_scale_v_peak": 0.5,
        "max_volts": 30.0,
        "cable_pf": 30.0,
    }
    part = design(**need).high
    deck = ["* noise", *ac_circuit(0, part, need)]
    deck += [".control", "noise v(out0) va0 dec 50 20 20k", "print onoise_total", ".endc", ".end"]
    text = run("\n".join(deck) + "\n", tmp_path)
    at_input = float(re.search(r"onoise_total = (\S+)", text).group(1))
    # 2 % of the noise power lies above the corner's slope; the ground lead adds a little.
    assert part.noise_v_rms == pytest.approx(at_input * part.ratio, rel=0.02)


def test_the_ground_lead_lifts_a_common_touch(designs, tmp_path):
    # Both tips on one point: the currents of both meet in the ground lead.
    for need, one in designs[:4]:
        dc = need | {"coupling_hz": 0.0, "tips": "two"}
        part = design(**dc).low
        deck = ["* common touch", "Vt t 0 1", f"Rg g 0 {GROUND}"]
        deck += tip("a", part, dc, "t", ground="g") + tip("b", part, dc, "t", ground="g")
        deck += ["E1 read 0 ina g 1", ".control", "set numdgt=12", "op", "print v(read)", ".endc"]
        text = run("\n".join([*deck, ".end"]) + "\n", tmp_path)
        read = float(re.search(r"v\(read\) = (\S+)", text).group(1))
        lift = 1.0 + 2.0 * part.ground_lead_ratio
        assert 1.0 / read == pytest.approx(part.ratio * lift, rel=1e-6)
        assert one.ground_lead_ohm == GROUND
