"""An invented job, views of it, and a scripted run: what an engine would show, without one.

The curves are closed forms: a sine of amplitude 1, cut off at a level. Nothing here is measured.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from levelset.analysis.result import Clipping, Picture, ToneResult, Void
from levelset.plan.job import ChannelPlan, JobPlan, MeterSpec, ProbePlan, SourcePlan
from levelset.plan.target import Rating, Target
from levelset.ports.base import Point
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.agenda import Entry
from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Ask,
    CurvePoint,
    Finish,
    Guidance,
    Listen,
    Offer,
    View,
)
from levelset.quantity import Quantity
from levelset.record.summary import ChannelSummary, JobSummary
from levelset.signals.signal import Component, Signal

TRACK = Signal("set-bass", "gain of bass", (Component(43.0, 1.0, 0.0),))


def channel(name: str, volts: float, load: float, limited_by: str = "target") -> ChannelPlan:
    target = Target(
        net_load_ohm=load,
        power_w=volts**2 / load,
        volts_rms=volts,
        clean_volts_rms=volts / 1.0235,
        tone_dbfs=0.0,
        expected_clip_volts_rms=None,
        limited_by=limited_by,
    )
    return ChannelPlan(
        name=name,
        load="4||4" if load == 2.0 else f"{load:g}",
        net_load_ohm=load,
        ratings=(Rating(4.0, 150.0), Rating(2.0, 260.0)),
        rated_supply_v=14.4,
        loudspeaker_w=300.0,
        band_hz=(25.0, 80.0),
        set_tone_hz=43.0,
        target=target,
    )


PLAN = JobPlan(
    vehicle="Heron estate (invented)",
    invented=True,
    source=SourcePlan(max_volume=40, start_volume=10),
    channels=(
        channel("front left", 17.32, 4.0),
        channel("front right", 17.32, 4.0, "loudspeaker"),
        channel("bass", 22.80, 2.0),
    ),
    probe=ProbePlan(100.0, 120.0, 1.5, (2.1,), 2, MeterSpec(0.8, 3.0, 0.01)),
    tone_from="vehicle",
    limit_percent=1.0,
    margin_db=0.5,
)


def picture(cut: float = 9.0) -> Picture:
    angle = np.linspace(0.0, 2.0 * np.pi, 400)
    sine = np.sin(angle)
    transfer_in = np.linspace(-1.0, 1.0, 200)
    return Picture(np.clip(sine, -cut, cut), sine, transfer_in, np.clip(transfer_in, -cut, cut))


def reading(
    volts: float | None,
    state: str = "clean",
    thd: float = 0.08,
    void: Void | None = None,
    output: str = "grounded",
    calibrated: bool = True,
) -> TipsReading:
    """Both tips on a grounded output that gives ``volts``, or a void."""
    spec = ToneSpec(43.0, 0.25, 1.0, output, True)
    if void is not None:
        tone = ToneResult(void, peak_dbfs=-71.3)
        q = None
    else:
        assert volts is not None
        flat = state == "hard_clipping"
        cut = {"hard_clipping": 0.8, "soft_clipping": 0.92}.get(state, 9.0)
        tone = ToneResult(
            None,
            frequency_hz=Quantity(43.0, 0.001, "Hz"),
            amplitude_fs=Quantity(0.3, 0.001, "FS"),
            level_dbfs=Quantity(-10.46, 0.05, "dB"),
            thd_percent=Quantity(thd, 0.01, "%"),
            peak_dbfs=-10.4,
            clipping=Clipping(
                state,
                "both" if flat else "upper" if state == "soft_clipping" else "none",
                Quantity(1.9, 0.1, "dB") if flat else None,
                Quantity(0.24, 0.001, "FS") if flat else None,
                Quantity(-0.24, 0.001, "FS") if flat else None,
            ),
            picture=picture(cut),
        )
        q = Quantity(volts, volts * 0.012, "V") if calibrated else None
    quiet = ToneResult(Void("no_tone", "No tone on tip B."))
    return TipsReading(
        Frames(0, 0, 12000, 48000),
        spec,
        (
            Reading(1, 0.0, 0.25, tone, q, q),
            Reading(2, 0.0, 0.25, quiet, None, None),
        ),
        Reading("pair", 0.0, 0.25, tone, q, q),
    )


def gain_guidance(volts: float, target: float = 22.80) -> Guidance:
    to_go = 20.0 * math.log10(target / volts)
    direction = "up" if to_go > 0.05 else "down" if to_go < -0.05 else "hold"
    words = {"up": "TURN UP", "down": "TURN DOWN", "hold": "HOLD"}
    return Guidance(
        f"Turn the gain of bass {direction}, slowly."
        if direction != "hold"
        else "Take the hand off.",
        Act("turn_gain", direction=direction, channel="bass"),
        headline=words[direction],
        direction=direction,
        to_go_db=to_go,
        target_volts_rms=target,
        target_note="260 W into 2 ohm",
    )


def view(
    instruction: object,
    tips: TipsReading | None = None,
    procedure: str = "gain",
    channel: str | None = "bass",
    tone_from: str = "vehicle",
) -> View:
    return View(
        procedure=procedure,
        channel=channel,
        time_s=1.0,
        instruction=instruction,
        reading=tips,
        tone_from=tone_from,
        tone_name=None if tone_from == "nobody" else "set-bass",
        tone_level_dbfs=-20.0 if tone_from == "levelset" else None,
    )


SPEC = ToneSpec(43.0, 0.25, 1.0, "grounded", True)
OFFERS = (Offer("at_end", "it does not turn any further"), Offer("start_again", "start again"))
CURVE = tuple(
    CurvePoint(
        volume,
        6.8 * 10 ** ((volume - 30) * 1.5 / 20) if volume < 31 else 7.4,
        0.05 if volume < 31 else 3.4,
        "clean" if volume < 31 else "hard_clipping",
    )
    for volume in range(22, 32)
)
VOID = Void("no_tone", "No tone is there: play the track, and look whether both tips touch.")

CAUTION = view(Acknowledge(cautions.LOUDSPEAKER_OFF), tone_from="nobody")
PLACE = view(
    Ask(
        "Put tip A on the positive and tip B on the negative terminal of bass.",
        Act(
            "place_tips",
            tip_a=Point("channel", "positive", "bass"),
            tip_b=Point("channel", "negative", "bass"),
        ),
    ),
    tone_from="nobody",
)
METER = view(
    Ask(
        "Multimeter on AC volts, red lead on the same wire, black lead on chassis. "
        "What does it read?",
        Act("read_meter", red=Point("source", "positive")),
        "number",
        "V",
        0.001,
        120.0,
    ),
    procedure="calibrate",
    channel=None,
)
YES_NO = view(Ask("Is the bass boost off?", Act("wait"), "yes_no"), tone_from="nobody")
CLEAN = view(Listen(SPEC, gain_guidance(21.9), OFFERS), reading(21.9))
CLOSE = view(Listen(SPEC, gain_guidance(22.83), OFFERS), reading(22.83))
FLAT = view(Listen(SPEC, gain_guidance(24.1), OFFERS), reading(24.1, "hard_clipping", thd=6.41))
SOFT = view(Listen(SPEC, gain_guidance(20.0), OFFERS), reading(20.0, "soft_clipping", thd=1.4))
DISTORTED = view(Listen(SPEC, gain_guidance(20.0)), reading(20.0, "distorted", thd=2.2))
NOTHING = view(
    Listen(SPEC, Guidance(VOID.reason, Act("wait"), headline="NO READING")),
    reading(None, void=VOID),
)
WAITING = view(
    Listen(SPEC, Guidance("Wait for the first reading.", Act("wait"), headline="LISTENING"))
)
SEARCH = view(
    Listen(
        SPEC,
        Guidance(
            "Turn the volume up one click and wait for the sound.",
            Act("volume_up_one", value=31.0),
            headline="NEXT: 31",
            direction="up",
            curve=CURVE[:9],
        ),
        OFFERS[:1],
    ),
    reading(6.803),
    procedure="clean_volume",
    channel=None,
)
OWN_TONE = view(Listen(SPEC, gain_guidance(12.0), OFFERS), reading(12.0), tone_from="levelset")
DONE = view(
    Finish("accepted", "bass: 22.81 V set, 260 W computed into 2 ohm, no load connected.", {}),
    reading(22.81),
)

VIEWS = {
    "caution": CAUTION,
    "place": PLACE,
    "meter": METER,
    "yes_no": YES_NO,
    "clean": CLEAN,
    "close": CLOSE,
    "flat": FLAT,
    "soft": SOFT,
    "distorted": DISTORTED,
    "void": NOTHING,
    "waiting": WAITING,
    "search": SEARCH,
    "own_tone": OWN_TONE,
}

STEPS = [
    StepResult("clean_volume", None, "accepted", "Highest clean volume 30: 6.80 V.", {}, ()),
    StepResult("gain", "bass", "limited", "bass: 21.40 V set; clips at 22.66 V.", {}, ()),
]


ENTRIES_BEFORE = (
    Entry("calibrate", None, None, done=False),
    Entry("clean_volume", None, None, done=False),
    Entry("output_kind", "bass", None, done=False),
    Entry("gain", "bass", None, done=False),
    Entry("noise", None, None, done=False, further=True),
)
ENTRIES = (
    Entry(
        "calibrate",
        None,
        StepResult("calibrate", None, "accepted", "Calibrated at 2.31 V.", {}, ()),
        done=True,
    ),
    Entry("clean_volume", None, STEPS[0], done=True),
    Entry("gain", "bass", STEPS[1], done=False, outdated_by="clean_volume"),
    Entry("noise", None, None, done=False, further=True),
)


@dataclass
class FakeLevers:
    """Levers that only remember."""

    volume: int = 10
    gain_db: dict[str, float] = field(default_factory=dict)
    done: list[tuple] = field(default_factory=list)

    def play_track(self, signal) -> None:
        self.done.append(("track", None if signal is None else signal.name))

    def turn_volume(self, steps: int) -> int:
        self.volume = min(max(self.volume + steps, 0), 40)
        return self.volume

    def shown_volume(self) -> int:
        return self.volume

    def turn_gain(self, channel: str, by_db: float) -> bool:
        now = self.gain_db.get(channel, 0.0)
        wanted = min(max(now + by_db, -12.0), 12.0)
        self.gain_db[channel] = wanted
        return wanted != now

    def touch(self, tip, point) -> None:
        self.done.append(("touch", tip, point))

    def meter_ac_volts(self, red, black) -> float:
        self.done.append(("meter", red, black))
        return 2.314

    def engine(self, running: bool) -> None:
        self.done.append(("engine", running))


class Script:
    """Plays the engine's part with views that are given.

    A view with a question waits for its answer; any other stays ``stay_s``, or until ``go_on``.
    """

    def __init__(self, views: list[View], *, stay_s: float = 0.0, hold_last: bool = True) -> None:
        self.views = views
        self.stay_s = stay_s
        self.hold_last = hold_last
        self.answers: list[object] = []
        self.stopped = False

    def __call__(self, person) -> list[StepResult]:
        for number, view in enumerate(self.views):
            person.see(view)
            asks = isinstance(view.instruction, Ask | Acknowledge)
            last = number == len(self.views) - 1 and self.hold_last
            ends = time.monotonic() + self.stay_s
            while asks or last or time.monotonic() < ends:
                if person.wants_to_stop():
                    self.stopped = True
                    return STEPS[:1]
                answer = person.answer(view)
                if answer is not None:
                    self.answers.append(answer.value)
                    if asks:
                        break
                time.sleep(0.005)
        return STEPS


class FakeSession:
    """A session that runs a script and counts how often it was closed."""

    title = "Heron estate"
    plan = PLAN
    invented = True
    notices = ()
    job_path = Path("jobs/heron-estate")

    def __init__(self, script: Script, *, levers=None, hands=None) -> None:
        self.script, self.levers, self.hands = script, levers, hands
        self.closed = 0
        self.asked: list[tuple[str, str | None]] = []
        self.entries: tuple[Entry, ...] = ENTRIES_BEFORE
        self.remarks: list[str] = []

    def run(self, person, on_step=None):
        steps = self.script(person)
        for step in steps:
            on_step(step)
        return steps

    def run_one(self, person, procedure, channel):
        self.asked.append((procedure, channel))
        return self.script(person)[0]

    def agenda(self):
        return self.entries

    def note(self, text):
        self.remarks.append(text)

    def close(self) -> None:
        self.closed += 1


JOB = JobSummary(
    path=Path("jobs/heron-estate"),
    title="Heron estate",
    vehicle="Heron estate (invented)",
    invented=True,
    created="2031-04-02T10:11:12Z",
    changed="2031-04-02T11:00:00Z",
    channels=(
        ChannelSummary("bass", "2", 22.8, Quantity(22.81, 0.27, "V"), "target", "accepted", True),
        ChannelSummary("front left", "4", 17.32, None, None, "failed", None),
    ),
    clean_volume=30,
    readings=14,
    steps=(),
    complete=False,
    notes=(),
    fault=None,
)
