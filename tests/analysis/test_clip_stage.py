"""Which stage clips: made readings from the closed form of a clipped sine, and simulated cars.

The harmonics are the Fourier series of a sine clipped on both halves (elementary integrals, checked
in the tests of the onset against values evaluated to 20 digits beforehand).
"""

from __future__ import annotations

import math

import pytest

from levelset.analysis.clip_stage import Seen, who_clipped
from levelset.analysis.clipped_sine import ClippedSine
from levelset.quantity import Quantity
from tests.benchmarks.clip_stages import complaint, judge, random_case


def seen(sine_v, limit_v=math.inf, *, own_thd=0.05):
    """A sine of this peak behind a limit; both in volts."""
    limit = limit_v if limit_v < sine_v else None
    sine = ClippedSine(sine_v, limit, limit)
    harmonics = tuple(sine.harmonic_percent(n) for n in range(2, 41))
    thd = math.hypot(own_thd, *harmonics)
    phi = sine.angle(limit)
    fundamental = 1.0 - 2.0 * (phi - math.sin(phi) * math.cos(phi)) / math.pi
    volts = sine_v * fundamental / math.sqrt(2.0)
    return Seen(
        void=None,
        clipped=thd > 1.0 or limit is not None,
        clean=thd < 0.99 and limit is None,
        volts_rms=Quantity(volts, 0.01 * volts, "V"),
        thd_percent=Quantity(thd, 0.002, "%"),
        harmonics_percent=harmonics,
        flat_v=None if limit is None else Quantity(limit, 0.002 * limit, "V"),
        halves="none" if limit is None else "both",
    )


def void(code):
    return Seen(code, False, False, None, None, (), None, "none")


CLEAN_TAP = seen(8.0)


def stages(tap, low, high, **options):
    return who_clipped(tap, low, high, **{"filters_off": True, **options}).stages


def test_a_processor_between_tap_and_amplifier():
    """It is cut where the tap is clean; where it is clean the amplifier's own stages are told."""
    cut = (seen(10.0, 8.0), seen(15.85, 12.68))
    assert stages(CLEAN_TAP, *cut, processor=seen(4.0, 3.2)) == ("processor",)
    assert stages(seen(8.0, 6.4), *cut, processor=seen(4.0, 3.2)) == ("source",)
    assert stages(CLEAN_TAP, *cut, processor=seen(4.0)) == ("input_stage",)
    pair = (seen(25.0, 30.0), seen(25.0 * 1.585, 30.0))
    assert stages(CLEAN_TAP, *pair, processor=seen(4.0)) == ("output_stage",)
    assert stages(CLEAN_TAP, *pair, processor=void("unsteady")) == ()


@pytest.mark.parametrize("order", [1, -1])
def test_each_stage(order):
    # The output stage clips at 30 V and the knob moves by 4 dB.
    pair = (seen(25.0, 30.0), seen(25.0 * 1.585, 30.0))[::order]
    assert stages(CLEAN_TAP, *pair) == ("output_stage",)
    pair = (seen(36.0, 30.0), seen(36.0 * 1.585, 30.0))[::order]
    assert stages(CLEAN_TAP, *pair) == ("output_stage",)
    # The input stage cuts at 80 % of the sine's peak: shape kept, flat top moves with the gain.
    pair = (seen(10.0, 8.0), seen(15.85, 12.68))[::order]
    assert stages(CLEAN_TAP, *pair) == ("input_stage",)
    # Both: the flat top of the lower gain is the input stage's.
    pair = (seen(36.0, 28.8), seen(36.0 * 1.585, 30.0))[::order]
    assert stages(CLEAN_TAP, *pair) == ("input_stage", "output_stage")
    assert stages(seen(8.0, 7.0), *pair) == ("source",)


@pytest.mark.parametrize(
    ("code", "stage"), [("input_overload", "interface"), ("probe_limit", "probe")]
)
def test_what_is_ours_never_accuses_the_vehicle(code, stage):
    assert stages(CLEAN_TAP, void(code), seen(40.0, 30.0)) == (stage,)
    assert stages(void(code), seen(10.0), seen(40.0, 30.0)) == (stage,)
    other = who_clipped(CLEAN_TAP, void("unsteady"), seen(10.0), filters_off=True)
    assert other.stages == ()
    assert "void" in other.undecided


def test_nothing_clips_is_only_said_without_filters():
    low, high = seen(10.0), seen(15.0)
    assert who_clipped(CLEAN_TAP, low, high, filters_off=True).undecided is None
    hidden = who_clipped(CLEAN_TAP, low, high, filters_off=False)
    assert "Input stage hidden by a filter" in hidden.undecided
    assert "Source hidden by a filter" in who_clipped(None, low, high, filters_off=False).undecided


def test_without_the_tap_another_channel_decides():
    low, high = seen(10.0, 8.0), seen(15.85, 12.68)
    assert "read the tap" in who_clipped(None, low, high, filters_off=True).undecided
    assert stages(None, low, high, beside=seen(20.0, 16.0)) == ("source",)
    assert stages(None, low, high, beside=seen(20.0)) == ("input_stage",)


def test_a_knob_that_did_not_move_decides_nothing():
    same = seen(36.0, 30.0)
    assert "hardly moved" in who_clipped(CLEAN_TAP, same, same, filters_off=True).undecided
    # 20 dB over, the knob by 1 dB: fundamental and shape hardly change.
    deep = who_clipped(CLEAN_TAP, seen(300.0, 30.0), seen(336.6, 30.0), filters_off=True)
    assert deep.stages in ((), ("output_stage",))


def test_a_small_step_from_clipped_to_clean_is_enough():
    assert stages(CLEAN_TAP, seen(29.5), seen(31.5, 30.0)) == ("output_stage",)


def test_distortions_that_add_up_accuse_nobody():
    tap = seen(8.0, own_thd=0.7)
    found = who_clipped(tap, seen(10.0, own_thd=1.2), seen(16.0, own_thd=1.2), filters_off=True)
    assert found.stages == ()
    assert "add up" in found.undecided


def test_the_sentence_says_half_voltage_and_remedy():
    from dataclasses import replace

    high = replace(seen(40.0, 30.0), halves="upper")
    found = who_clipped(CLEAN_TAP, seen(25.0, 30.0), high, filters_off=True)
    assert found.sentence.startswith("The output stage clips, upper half only (flat at 30.00 V")
    assert "turn the gain down" in found.sentence


# A fast part of the campaign; tests.benchmarks.clip_stages runs 300 cases and more.
@pytest.mark.parametrize("seed", range(1, 9))
def test_simulated_cars(seed):
    case = random_case(seed)
    verdict = judge(case)
    assert complaint(case, verdict) is None
    assert case.filtered or verdict.undecided is None
