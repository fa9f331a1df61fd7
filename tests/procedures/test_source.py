"""Which wire, two taps, input match and volume climb with made events: no car, no samples."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from levelset.analysis.clipped_sine import ClippedSine
from levelset.analysis.noise import NoiseLevel, less_floor
from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.analysis.two_taps import TwoTaps
from levelset.analysis.which_wire import Transfer, WirePart, WireReading
from levelset.plan.job import JobPlan, MeterSpec, ProbePlan, SourcePlan, plan_channel
from levelset.plan.target import Rating
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec
from levelset.probe.stretch import KindReading, TwoTapsReading
from levelset.probe.stretch_reading import StretchReading, StretchSpec
from levelset.procedures.calibrate import ENOUGH_V_RMS, _loud_enough
from levelset.procedures.clean_volume import clean_volume
from levelset.procedures.covered import COVERED_S, ELSE_S, MOST_CLICKS, CoveredWatch
from levelset.procedures.facts import Facts, StepResult
from levelset.procedures.input_match import input_match
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Answer,
    Ask,
    Finish,
    Listen,
    StepFailed,
)
from levelset.procedures.stretching import MOST_TRIES, listen_until_good, stretch_spec
from levelset.procedures.volume_climb import VolumeClimb
from levelset.procedures.which_wire import (
    MOST_RAISES,
    name_the_wire,
    two_taps_sentence,
    wire_sentence,
)
from levelset.quantity import Quantity

FRAMES = Frames(0, 0, 4800, 48000)


def plan(**changes):
    """Return the plan of an invented car with one channel."""
    channel = plan_channel(
        name="bass",
        load="4",
        ratings=[Rating(4.0, 100.0)],
        rated_supply_v=14.4,
        loudspeaker_w=None,
        band_hz=(25.0, 80.0),
        overlap_db=0.0,
        **changes,
    )
    meter = MeterSpec(0.8, 3.0, 0.01)
    probe = ProbePlan(100.0, 120.0, 1.5, (2.0,), 2, meter)
    return JobPlan(
        "an invented car", True, SourcePlan(30, 10), (channel,), probe, "vehicle", 1.0, 0.5
    )


def drive(generator, answer):
    """Run steps to their end; ``answer`` maps an instruction to its event."""
    try:
        instruction = next(generator)
        while not isinstance(instruction, Finish):
            instruction = generator.send(answer(instruction))
    except StopIteration as end:
        return end.value
    return instruction


def part(channel, polarity="normal", level_dbfs=-40.0):
    empty = np.empty(0)
    lines = Transfer(np.empty(0, dtype=np.intp), 1.0, empty.astype(complex), empty)
    return WirePart(channel, Quantity(level_dbfs, 0.1, "dB"), polarity, 0.5, lines)


def stretch(spec, found=None, void=None):
    return StretchReading(FRAMES, spec, "done", 1.0, void, found)


# Which wire


def wire_events(readings):
    """Answer everything; stretches of which wire take the next of these."""
    asked, left = [], iter(readings)

    def answer(instruction):
        match instruction:
            case Listen(spec=spec) if spec.analysis == "signal_kind":
                return stretch(spec, KindReading("steady", "", may_be_measured=True))
            case Listen(spec=spec):
                one = next(left)
                return stretch(spec, void=one) if isinstance(one, Void) else stretch(spec, one)
            case Ask():
                asked.append(instruction)
                return Answer("done")
            case Accept():
                return 17
        return None

    return answer, asked


def test_wire_is_named_at_once_and_named_in_the_record():
    found = WireReading(None, "left", "reversed", 40.0, 0.6, (part("left", "reversed"),))
    answer, asked = wire_events([found])
    named = drive(name_the_wire(plan()), answer)
    assert (named.result["channel"], named.result["polarity"]) == ("left", "reversed")
    assert named.result["wire"]["stretch_seq"] == 17
    assert "swap its two wires" in named.sentence
    # The answer stays on the screen until the person goes on.
    assert asked[-1].shows_reading


def test_too_weak_a_track_is_raised_a_few_times_and_then_cannot_be_told():
    weak = Void("no_tone", "Too weak.")
    answer, asked = wire_events([weak] * (MOST_RAISES + 1))
    named = drive(name_the_wire(plan()), answer)
    assert named.result == {"polarity": "cannot_tell", "channel": None, "wire": None}
    assert "Too weak." in named.sentence
    volumes = [ask.act.value for ask in asked if ask.act.verb == "set_volume"]
    assert volumes == sorted(volumes)
    assert max(volumes) <= 30.0


def test_doubtful_polarity_is_looked_at_again():
    doubt = WireReading(None, "left", "cannot_tell", 40.0, 0.0, (part("left", "cannot_tell"),))
    sure = WireReading(None, "left", "normal", 40.0, 0.6, (part("left"),))
    answer, _ = wire_events([doubt, sure])
    assert drive(name_the_wire(plan()), answer).result["polarity"] == "normal"


def test_words_for_wires():
    both = WireReading(None, None, "cannot_tell", 0.5, 0.0, (part("left"), part("right")))
    assert "left and right alike" in wire_sentence(both)
    weaker = part("right", level_dbfs=-52.0)
    more = WireReading(None, "left", "normal", 12.0, 0.5, (part("left"), weaker))
    assert "right can be heard on it too, 12 dB weaker" in wire_sentence(more)


def test_words_for_two_taps():
    hz = np.array([40.0, 80.0])
    two = TwoTaps(
        "reversed",
        0.5,
        Quantity(-1.0, 0.05, "dB"),
        0.1,
        Quantity(2e-3, 1e-5, "s"),
        hz,
        np.array([-20.0, -18.0]),
        np.array([5.0, 5.0]),
        -18.0,
        5.2,
    )
    sentence = two_taps_sentence(TwoTapsReading(None, part("left"), part("left"), two))
    assert "OPPOSITE polarity" in sentence
    assert "2.00 ms later" in sentence
    assert "changes by -18.0 dB: it is lost; with one reversed +5.2 dB" in sentence


def test_a_stretch_is_repeated_and_given_up_with_the_reason():
    spec = stretch_spec("noise", 4.0, "bridged")
    shown = []

    def answer(instruction):
        shown.append(instruction.guidance)
        return stretch(spec, void=Void("source_not_quiet", "Something plays."))

    with pytest.raises(StepFailed, match="Something plays"):
        drive(listen_until_good(spec, "Hold still."), answer)
    assert len(shown) == MOST_TRIES
    assert shown[-1].remarks == ("Something plays.",)


# Noise and input match


def test_own_noise_is_taken_off_as_power():
    """5 from 3 and 4 (Pythagoras); less than 6 dB above the own noise only a limit is left."""
    total = NoiseLevel(Quantity(5.0, 0.0, "FS"), False, 0.0)
    assert less_floor(total, NoiseLevel(Quantity(3.0, 0.0, "FS"), False, 0.0)).below
    level = less_floor(total, NoiseLevel(Quantity(1.4, 0.0, "FS"), False, 0.0))
    assert level.rms_fs.value == pytest.approx(4.8)  # 1.4, 4.8, 5: a Pythagorean triple
    assert not level.below


def matched(clean_v, input_range):
    result = {"volume": 20, "volts_rms": {"value": clean_v, "u": 0.01}}
    facts = Facts(None, [StepResult("clean_volume", None, "accepted", "", result, ())])
    return drive(input_match(plan(input_range_v_rms=input_range), facts), lambda _: None)


@pytest.mark.parametrize(
    ("clean_v", "input_range", "verdict", "position_db"),
    [
        # 100 W into 4 ohm is 20 V, the target too: the needed sensitivity is the clean maximum.
        (2.0, (0.2, 8.0), "suits", 12.0412),  # 20 lg 4
        (10.0, (0.2, 8.0), "too_hot", -1.9382),  # 20 lg 0.8
        (0.1, (0.2, 8.0), "too_weak", 38.0618),  # 20 lg 80
        (2.0, None, "unknown", None),
    ],
)
def test_input_match_by_hand(clean_v, input_range, verdict, position_db):
    finish = matched(clean_v, input_range)
    [row] = finish.result["channels"]
    assert row["verdict"] == verdict
    assert row["gain_position_db"] == (
        None if position_db is None else pytest.approx(position_db, abs=1e-3)
    )
    assert finish.outcome == ("accepted" if verdict in ("suits", "unknown") else "limited")


# The climb


class MadeSource:
    """A source whose level is any function of the number shown, and a person who turns it.

    Parameters
    ----------
    volts : callable
        RMS voltage at a volume and a tone's frequency.
    clip_v : float
        RMS voltage of a sine that just reaches the clip point.
    clicks : callable
        Numbers that one click moves at a volume.
    most : int
        Highest number.
    disturbance_v : float
        What counts as distortion and does not grow with the level, V.
    distortion_percent : float
        Distortion at any level, %.
    unseen_db : float
        Tops over the clip point by no more look clean.
    covered_below : callable
        Number for a tone's frequency below which its level never comes to rest.
    """

    def __init__(
        self,
        volts,
        clip_v=math.inf,
        clicks=lambda volume: 1,
        most=30,
        disturbance_v=0.0,
        distortion_percent=0.05,
        unseen_db=0.0,
        covered_below=lambda hz: 0,
    ):
        self._covered_below, self._unseen_db = covered_below, unseen_db
        self._disturbance_v, self._distortion_percent = disturbance_v, distortion_percent
        self.volume, self.most = 10, most
        self._volts, self._clip_v, self._clicks = volts, clip_v, clicks
        self._time_s, self._waited = 0.0, 0
        self.accepted = []

    def reading(self, spec):
        self._time_s += 0.25
        if self.volume < self._covered_below(spec.expected_hz):
            tone = ToneResult(void=Void("unsteady", "The level moves by 2.0 dB."))
            one = Reading("pair", self._time_s, 0.25, tone, None, None)
            return TipsReading(FRAMES, spec, (one, one), one)
        volts = self._volts(self.volume, spec.expected_hz)
        over_db = 20.0 * math.log10(volts / min(self._clip_v, 1e6))
        if over_db <= self._unseen_db:
            over_db = None
        state = "clean" if over_db is None else "hard_clipping"
        thd = math.hypot(self._distortion_percent, 100.0 * self._disturbance_v / volts)
        overdrive = None if over_db is None else Quantity(over_db, 1e-3, "dB")
        top = None if over_db is None else Quantity(self._clip_v / 100.0, 1e-6, "FS")
        low = None if top is None else top.scaled(-1.0, "FS")
        sine = ClippedSine(volts, self._clip_v, self._clip_v)
        tone = ToneResult(
            void=None,
            amplitude_fs=Quantity(volts / 100.0, 1e-7, "FS"),
            level_dbfs=Quantity(20.0 * math.log10(volts / 100.0), 1e-3, "dB"),
            thd_percent=Quantity(thd if over_db is None else 5.0, 0.01, "%"),
            harmonics_percent=tuple(sine.harmonic_percent(n) for n in range(2, 41)),
            clipping=Clipping(state, "none" if top is None else "both", overdrive, top, low),
        )
        one = Reading(
            "pair", self._time_s, 0.25, tone, Quantity(volts, 1e-3, "V"), Quantity(volts, 1e-3, "V")
        )
        return TipsReading(FRAMES, spec, (one, one), one)

    def __call__(self, instruction):
        match instruction:
            case Listen(spec=StretchSpec() as spec):
                return stretch(spec, KindReading("steady", "", may_be_measured=True))
            case Listen(spec=spec, guidance=guidance, offers=offers):
                return self._listen(spec, guidance, {offer.word for offer in offers})
            case Ask(act=act, answer=kind):
                if act.verb == "set_volume":
                    self.volume = min(int(act.value), self.most)
                return Answer(float(self.volume) if kind == "number" else "done")
            case Accept(reading=reading, details=details):
                self.accepted.append((details["volume"], reading))
                return len(self.accepted)
            case Acknowledge():
                return Answer("yes")
        return None

    def _listen(self, spec, guidance, offers):
        if guidance.act.verb == "volume_up_one" and guidance.act.value > self.volume:
            if self.volume == self.most:
                return Answer("at_end")
            self.volume = min(self.volume + self._clicks(self.volume), self.most)
            self._waited = 0
        self._waited += 1
        if self._waited > 12 and "no_change" in offers:
            self._waited = 0
            return Answer("no_change")
        return self.reading(spec)


SPEC = ToneSpec(43.0, 0.25, 1.0, "bridged", live=True)


def steps_of(db_per_step, at_10_v=0.5):
    return lambda volume, _: at_10_v * 10.0 ** (db_per_step * (volume - 10) / 20.0)


def climbed(source):
    climb = VolumeClimb(SPEC, plan())
    ended = drive(climb.run(source.volume), source)
    return climb, ended


def test_climb_to_the_first_level_over_the_limit():
    climb, ended = climbed(MadeSource(steps_of(1.5), clip_v=2.0))
    # 0.5 V rises to 2.0 V after 12.04 dB, 8.03 steps: 18 is clean, 19 is not.
    assert (ended, climb.curve[-1].volume) == ("clipping", 19)
    assert [point.volume for point in climb.curve] == list(range(10, 20))


def test_limiter_does_not_make_the_climb_endless():
    def limited(volume, hz):
        return min(steps_of(1.5)(volume, hz), 1.5)

    source = MadeSource(limited)
    climb, ended = climbed(source)
    assert ended == "range"
    assert climb.curve[-1].volume == 30
    assert climb.number_known
    # By larger steps once it is clear that the level stays.
    assert len(climb.curve) < 16


def test_fixed_output_ends_at_the_end_of_the_volume():
    climb, ended = climbed(MadeSource(lambda volume, hz: 2.0))
    assert (ended, climb.curve[-1].volume) == ("range", 30)


def test_a_click_that_moves_two_numbers_is_found():
    source = MadeSource(steps_of(1.5), clip_v=2.0, clicks=lambda volume: 2 if volume == 14 else 1)
    climb, _ = climbed(source)
    # 16 was taken for 15; where the person had nothing to turn the display was asked.
    assert [point.volume for point in climb.curve if point.volume >= 14] == [14, 16, 17, 18, 19]
    for point in climb.curve:
        assert point.volts_rms == pytest.approx(steps_of(1.5)(point.volume, 43.0))


def test_a_step_that_comes_twice_is_kept_as_such():
    def repeated(volume, hz):
        return steps_of(1.5)(volume - (volume >= 15), hz)

    climb, ended = climbed(MadeSource(repeated, clip_v=2.0))
    assert ended == "clipping"
    levels = {point.volume: point.volts_rms for point in climb.curve}
    assert levels[14] == pytest.approx(levels[15])
    assert climb.curve[-1].volume == 20


def test_whine_beside_a_low_level_is_no_distortion_of_the_source():
    """30 mV of a line near a harmonic: 6 % of 0.5 V, below 1 % from 3 V on."""
    source = MadeSource(steps_of(2.0), clip_v=6.0, disturbance_v=0.03)
    climb, ended = climbed(source)
    # 0.5 V rises to 6 V after 21.6 dB: 20 is clean, 21 is not.
    assert (ended, climb.curve[-1].volume) == ("clipping", 21)
    assert climb.noisy == 8  # up to 17: 2.51 V, 1.2 %


def test_a_first_level_that_hum_covers_is_left_upwards_click_by_click():
    source = MadeSource(steps_of(1.5), clip_v=2.0, covered_below=lambda hz: 15)
    climb, ended = climbed(source)
    assert (ended, [point.volume for point in climb.curve]) == ("clipping", [15, 16, 17, 18, 19])


def test_a_level_that_never_comes_to_rest_is_not_turned_up_for_ever():
    source = MadeSource(steps_of(1.5), covered_below=lambda hz: 31)
    with pytest.raises(StepFailed, match="moves by 2"):
        climbed(source)
    assert source.volume == 10 + MOST_CLICKS


DESIGN_V = 100.0 * math.sqrt(2.0)
"""Of `MadeSource`: a full scale is a sine of 100 V RMS."""


def test_calibration_leaves_a_level_that_hum_covers_upwards_until_it_is_loud_enough():
    source = MadeSource(steps_of(1.5, at_10_v=0.2), covered_below=lambda hz: 15)
    volume = drive(_loud_enough(SPEC, source.volume, DESIGN_V, plan()), source)
    volts = [steps_of(1.5, at_10_v=0.2)(at, 43.0) for at in (volume - 1, volume)]
    assert volts[0] < ENOUGH_V_RMS <= volts[1]
    assert volume == source.volume


class SlowHands(MadeSource):
    """Turns each click only ten seconds after it was asked for."""

    said = ()

    def _listen(self, spec, guidance, offers):
        self.said = (*self.said, guidance.sentence)
        wanted = guidance.act.value if guidance.act.verb == "volume_up_one" else None
        self._waited = self._waited + 1 if wanted is not None else 0
        if self._waited >= 40:
            self._waited, self.volume = 0, int(wanted)
        return self.reading(spec)


def test_calibration_waits_for_slow_hands_on_a_clean_tone():
    source = SlowHands(steps_of(1.5, at_10_v=0.9))
    volume = drive(_loud_enough(SPEC, source.volume, DESIGN_V, plan()), source)
    assert volume == source.volume
    assert not [sentence for sentence in source.said if "does not come to rest" in sentence]


def test_calibration_turns_a_weak_source_down_that_clips_first():
    clip_v = 0.2 * ENOUGH_V_RMS
    source = MadeSource(steps_of(1.5, at_10_v=0.1 * ENOUGH_V_RMS), clip_v=clip_v)
    clips_at = 10 + math.ceil((20.0 * math.log10(2.0) + 1.0) / 1.5)
    volume = drive(_loud_enough(SPEC, source.volume, DESIGN_V, plan()), source)
    # The first level that is flat by more than 1 dB, and two numbers down from there.
    assert volume == clips_at - 2


def test_how_long_a_first_level_may_be_restless():
    def clicks_after_s(code, heard=""):
        watch = CoveredWatch()
        tone = ToneResult(void=Void(code, "No."))
        for n in range(400):
            if watch.look(Reading("pair", 0.25 * n, 0.25, tone, None, None), heard):
                return 0.25 * n
        return None

    assert clicks_after_s("overload") is None
    assert clicks_after_s("no_tone") == pytest.approx(COVERED_S, abs=0.3)
    # Hum within a hertz of the tone passes for a chime, but a chime ends.
    assert clicks_after_s("unsteady", "A chime.") == pytest.approx(ELSE_S, abs=0.3)


def test_distortion_that_stays_is_no_noise():
    source = MadeSource(steps_of(2.0), distortion_percent=3.0)
    climb, ended = climbed(source)
    assert ended == "clipping"
    assert climb.curve[-1].volume <= 14


def cleaned(source):
    steps = [StepResult("output_kind", None, "accepted", "", {"kind": "bridged"}, ())]
    facts = Facts(object(), steps, engine_runs=True)
    return drive(clean_volume(plan(), facts, 43.0), source)


def test_the_lower_of_two_tones_wins():
    def withdrawn(volume, hz):
        # The bass falls behind by 0.5 dB a step above 14.
        less_db = 0.5 * max(0, volume - 14) if hz < 500.0 else 0.0
        return steps_of(1.5)(volume, hz) * 10.0 ** (-less_db / 20.0)

    finish = cleaned(MadeSource(withdrawn, clip_v=2.0))
    assert finish.result["volume"] == 18
    assert finish.result["limited_by"] == "clipping"
    assert finish.result["limited_tone_hz"] == 997.0
    assert finish.result["volts_rms"]["value"] == pytest.approx(withdrawn(18, 43.0))
    # 0.5 dB is not more than half a decibel, 1.0 dB at 16 is; found by halving.
    assert finish.result["bass_withdrawn_from"] == 16
    assert finish.result["bass_kept_to"] == 14
    # The same where noise distorts the low levels of both tones.
    finish = cleaned(MadeSource(withdrawn, clip_v=2.0, disturbance_v=0.008))
    assert finish.result["bass_withdrawn_from"] == 16
    assert finish.result["bass_kept_to"] == 14


def test_who_says_done_without_turning_is_asked_again():
    class Hasty(MadeSource):
        """Does not turn the volume when first told to, after the climb."""

        def __init__(self):
            super().__init__(steps_of(1.5), clip_v=1.3)
            self.told = []

        def __call__(self, instruction):
            if isinstance(instruction, Ask) and instruction.act.verb == "set_volume":
                self.told.append(instruction.sentence)
                if len(self.told) == 2:
                    return Answer("done")
            return super().__call__(instruction)

    source = Hasty()
    # 0.5 V at 10 rise to 1.3 V after 8.3 dB, 5.5 steps: 15 is clean, 16 is not.
    assert cleaned(source).result["volume"] == 15
    assert source.told[1:3] == [
        "Turn the volume to 15.",
        "The level did not change. Turn the volume to 15.",
    ]


def test_flat_tops_that_noise_hides_are_told_by_the_next_number():
    # 18 is 12.0 dB above 0.5 V: 0.05 dB over the clip point, which the tops at 19 show.
    clip_v = 0.5 * 10.0 ** (11.95 / 20.0)
    source = MadeSource(steps_of(1.5), clip_v=clip_v, unseen_db=0.07)
    finish = cleaned(source)
    assert (finish.result["volume"], finish.result["limited_by"]) == (17, "clipping")
    assert "limited_tone_hz" not in finish.result

    def louder(volume, hz):
        return steps_of(1.5)(volume, hz) * (2.0 if hz > 500.0 else 1.0)

    # The upper tone is 6.02 dB higher: 14 is 12.02 dB above 0.5 V.
    finish = cleaned(MadeSource(louder, clip_v=clip_v, unseen_db=0.1))
    assert (finish.result["volume"], finish.result["limited_tone_hz"]) == (13, 997.0)
    just_clean_v = 0.5 * 10.0 ** (12.01 / 20.0)
    assert cleaned(MadeSource(steps_of(1.5), clip_v=just_clean_v)).result["volume"] == 18


class Doubtful(MadeSource):
    """Hum leaves the distortion of the bass tone open, the more so the lower its level."""

    def __init__(self, doubt_v, **changes):
        super().__init__(steps_of(1.5), **changes)
        self._doubt_v = doubt_v

    def reading(self, spec):
        tips = super().reading(spec)
        tone = tips.output.tone
        if spec.expected_hz > 500.0 or tone.clipping.state != "clean":
            return tips
        u = 100.0 * self._doubt_v / tips.output.volts_rms.value
        one = replace(tips.output, tone=replace(tone, thd_percent=Quantity(0.0, u, "%")))
        return TipsReading(FRAMES, spec, (one, one), one)


def test_doubt_by_noise_does_not_lower_the_clean_volume_again_and_again():
    # 2.0 V are reached after 12.04 dB: 18 is clean. There 0.03 V are 1.5 %, and more further down.
    assert cleaned(Doubtful(0.03, clip_v=2.0)).result["volume"] == 17
    assert cleaned(Doubtful(0.01, clip_v=2.0)).result["volume"] == 18

    class Treble(Doubtful):
        """The upper tone clips from 15 on; the bass is clean up to the end."""

        def reading(self, spec):
            self._clip_v = 1.1 if spec.expected_hz > 500.0 else math.inf
            return super().reading(spec)

    finish = cleaned(Treble(0.03))
    # 1.1 V are reached after 6.8 dB: 14 is clean, where 0.03 V are 3 % of the bass tone.
    assert (finish.result["volume"], finish.result["limited_tone_hz"]) == (14, 997.0)


def test_a_second_tone_that_noise_covers_at_the_start_is_found_higher_up():
    def louder(volume, hz):
        return steps_of(1.5)(volume, hz) * (1.5 if hz > 500.0 else 1.0)

    def upper(most):
        return lambda hz: most if hz > 500.0 else 0

    finish = cleaned(MadeSource(louder, clip_v=2.0, covered_below=upper(13)))
    # 0.75 V rises to 2.0 V after 8.52 dB, 5.7 steps: 15 is clean, 16 is not.
    assert (finish.result["volume"], finish.result["limited_tone_hz"]) == (15, 997.0)
    finish = cleaned(MadeSource(louder, clip_v=2.0, covered_below=upper(99)))
    assert finish.result["volume"] == 18
    assert "997 Hz is not heard on this tap and was not checked" in finish.sentence


def test_a_doubtful_flat_top_at_a_low_level_may_be_noise():
    """Whine that beats with the tops looks flat, overdriven by no more than the uncertainty."""

    class Beating(MadeSource):
        def reading(self, spec):
            tips = super().reading(spec)
            if self.volume > 13:
                return tips
            overdrive = Quantity(0.9, 1.2, "dB")
            tone = replace(
                tips.output.tone, clipping=Clipping("hard_clipping", "both", overdrive, None, None)
            )
            one = replace(tips.output, tone=tone)
            return TipsReading(FRAMES, spec, (one, one), one)

    climb, ended = climbed(Beating(steps_of(1.5), clip_v=2.0, disturbance_v=0.03))
    assert (ended, climb.curve[-1].volume) == ("clipping", 19)


@pytest.mark.parametrize(
    ("volts", "limited_by", "said"),
    [
        (lambda v, hz: min(steps_of(1.5)(v, hz), 1.5), "limiter", "a limiter holds it"),
        (lambda v, hz: 2.0, "fixed", "this output is fixed"),
        (lambda v, hz: steps_of(0.4)(v, hz), "range", "Highest clean volume 30"),
    ],
)
def test_what_ends_a_clean_volume(volts, limited_by, said):
    finish = cleaned(MadeSource(volts))
    assert (finish.result["volume"], finish.result["limited_by"]) == (30, limited_by)
    assert said in finish.sentence
