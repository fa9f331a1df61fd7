"""The one screen on which everything is measured: is it clean, how far to go, what next."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical

from levelset.probe.budget import budget_table
from levelset.probe.reading import TipsReading
from levelset.probe.stretch_reading import StretchReading
from levelset.probe.touch_reading import TouchReading
from levelset.procedures.facts import DONE
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Answer,
    Ask,
    Compute,
    Finish,
    Guidance,
    Instruction,
    Listen,
)
from levelset.tui.entry import Entry
from levelset.tui.hands_on import COARSE_DB, FINE_DB
from levelset.tui.renderables.band import band_lines, band_of
from levelset.tui.renderables.bar import input_bar, level_bar
from levelset.tui.renderables.gauge import gauge_height, gauge_lines
from levelset.tui.renderables.input_mark import mark_lines, mark_scale
from levelset.tui.renderables.offers import offer_keys
from levelset.tui.renderables.pictures import picture_lines
from levelset.tui.renderables.questions import ask_lines, caution_lines, ended
from levelset.tui.renderables.steady import SteadyText, alike
from levelset.tui.renderables.stretch import stretch_bar, stretch_lines
from levelset.tui.renderables.touch import touch_bar
from levelset.tui.renderables.which import current, legs_line, shown_reading
from levelset.tui.renderables.wording import procedure_words, tone_line, wrapped
from levelset.tui.screens.base import Drawn, LevelScreen
from levelset.tui.screens.form import NoteScreen

if TYPE_CHECKING:
    from levelset.probe.budget import BudgetLine
    from levelset.probe.kinds import AnyReading
    from levelset.procedures.protocol import View
    from levelset.tui.hands_on import HandsOn
    from levelset.tui.person import ScreenPerson
    from levelset.tui.session import Session

VOLUME_KEYS = {"up": 1, "down": -1, "pageup": 5, "pagedown": -5}
GAIN_KEYS = {"left": -FINE_DB, "right": FINE_DB, "shift+left": -COARSE_DB, "shift+right": COARSE_DB}
OTHER_KEYS = {
    "home": "minimum",
    "t": "tips",
    "p": "track",
    "m": "meter",
    "e": "engine",
    "f": "filters",
}
CAR_BINDINGS = [
    *(Binding(k, f"car('volume', {by})", id=f"car.volume.{k}") for k, by in VOLUME_KEYS.items()),
    *(
        Binding(k, f"car('gain', {by})", id=f"car.gain.{k.replace('+', '.')}")
        for k, by in GAIN_KEYS.items()
    ),
    *(Binding(k, f"car('{lever}')", id=f"car.{lever}") for k, lever in OTHER_KEYS.items()),
]
WHOLE_TABLE, NUMBERS_OF_TABLE = 76, 52
"""Columns of the table of uncertainties, and of its names and numbers alone."""
ROWS_TO_EXPLAIN, ROWS_WITH_LEVERS = 24, 28
"""Height of the screen from which the explanation has room below the number."""
_NO_ACT = Act("wait")


class ProcedureScreen(LevelScreen):
    """Renders instructions and readings, passes on what the person says.

    Parameters
    ----------
    session : Session
        The job.
    person : ScreenPerson
        Where answers go.
    hands_on : HandsOn or None
        The person's own hands on an invented car, which stays as it is from step to step.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "watch", "watch the hands", id="procedure.watch"),
        Binding("u", "explain", "uncertainty", id="procedure.explain"),
        Binding("n", "note", "remark", id="procedure.note"),
        *CAR_BINDINGS,
    ]

    read_time_s = 0.4
    """A confirmation sooner than this after a new instruction was meant for the one before."""

    def __init__(
        self, session: Session, person: ScreenPerson, hands_on: HandsOn | None = None
    ) -> None:
        super().__init__()
        self._session = session
        self._person = person
        self._view: View | None = None
        self._old: AnyReading | None = None
        self._entry = Entry(None, None)
        self._shown_since_s = 0.0
        self._before = ""
        self._reason, self._steady = "", SteadyText()
        self._sentence = "Opening the input ..."
        self._stopping = False
        self._explaining = False
        self._hands_on = hands_on

    # What it looks like.

    def body(self) -> ComposeResult:
        """Yield the one action, then what is measured, asked or warned of, then the hands."""
        yield Drawn(lambda width, _: wrapped(self._sentence, width), id="say")
        with Vertical(id="measure"):
            yield Drawn(self._gauge, id="gauge")
            yield Drawn(self._bar, id="bar")
            yield Drawn(self._band, id="band")
            yield Drawn(self._why, id="why")
            yield Drawn(self._pictures, id="pictures")
        yield Drawn(self._ask, id="ask")
        yield Drawn(self._caution, id="caution")
        if self._hands_on is not None:
            yield Drawn(self._levers, id="levers")

    def on_resize(self) -> None:
        """Give the number the rows it takes at this size."""
        self.query_one("#gauge").styles.height = gauge_height(*self.size)

    def head(self) -> tuple[str, str]:
        """Return where in the job this is, and whose tone is on."""
        if self._view is None:
            return self._session.title, "no tone"
        view = self._view
        left = procedure_words(view.procedure)
        names = [channel.name for channel in self._session.plan.channels]
        if view.channel in names:
            place = f"channel {names.index(view.channel) + 1} of {len(names)}"
            left = f"{view.channel} · {place} · {left}"
        return left, tone_line(view)

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys that mean something now."""
        keys = [("esc", "stop")]
        match self._instruction:
            case Acknowledge():
                keys.append(("enter", "I have read and done this"))
            case Ask(answer="done"):
                keys.append(("enter", "done"))
            case Ask(answer="yes_no"):
                keys += [("y", "yes"), ("n", "no")]
            case Ask(answer="choice", choices=choices):
                # What each of them means stands above.
                keys.append((" ".join(one.key for one in choices), "answer"))
            case Ask(choices=choices):
                keys.append(("enter", "take it"))
                if choices:
                    keys.append((" ".join(one.key for one in choices), "answer instead"))
            case Listen(offers=offers):
                keys += [(key, offer.label) for key, offer in offer_keys(offers)]
            case _:
                pass
        if self._budget:
            keys.append(("u", "pictures" if self._explaining else "uncertainty"))
        if self._person.has_hands:
            keys.append(("w", "take over" if self._person.watching else "watch"))
        return [*keys, ("?", "help")]

    def _gauge(self, width: int, _height: int) -> list[str]:
        reading = None if self._view is None else self._view.reading
        return gauge_lines(reading, self._guidance, width, self.size.height)

    def _bar(self, width: int, _height: int) -> list[str]:
        tips = None if self._view is None else self._view.reading
        if isinstance(tips, TouchReading):
            return [touch_bar(tips, width)]
        if isinstance(tips, StretchReading):
            return [stretch_bar(tips, width)]
        shown = None if tips is None else shown_reading(tips)
        if self._guidance.mark_dbfs is not None:
            return [mark_scale(self._guidance.mark_dbfs, width)]
        target_v = self._guidance.target_volts_rms
        if target_v is not None and target_v > 0.0:
            volts = None if shown is None else shown.volts_rms
            return [level_bar(None if volts is None else volts.value, target_v, width)]
        return [input_bar(None if shown is None else shown.tone.peak_dbfs, width)]

    def _band(self, width: int, height: int) -> list[str]:
        return band_lines(
            band_of(None if self._view is None else self._view.reading), width, height
        )

    def _why(self, width: int, _height: int) -> list[str]:
        """Return the reason of a void, remarks, and what each tip reads."""
        if self._view is None or self._view.reading is None:
            return []
        said = alike(self._reason, self._guidance.sentence)
        texts = [self._reason] if self._reason and not said else []
        texts += [*self._guidance.remarks, legs_line(self._view.reading)]
        return [line for text in texts for line in wrapped(text, width)]

    def _pictures(self, width: int, height: int) -> list[str]:
        if self._explaining and self._budget:
            # A narrow screen has room for the numbers.
            cut = None if width >= WHOLE_TABLE else NUMBERS_OF_TABLE
            return [line[:cut].rstrip() for line in budget_table(self._budget)[:height]]
        tips = None if self._view is None else self._view.reading
        if self._guidance.mark_dbfs is not None and isinstance(tips, TipsReading | None):
            return mark_lines(tips, self._guidance.mark_dbfs, width, height)
        if isinstance(tips, TouchReading):
            return []
        if isinstance(tips, StretchReading):
            return stretch_lines(tips, width, height, self.levelset.charset)
        picture = None if tips is None else shown_reading(tips).tone.picture
        return picture_lines(picture, self._guidance.curve, width, height, self.levelset.charset)

    def _ask(self, width: int, _height: int) -> list[str]:
        if not isinstance(self._instruction, Ask):
            return []
        return ask_lines(self._instruction, self._entry, self._before, width)

    def _caution(self, width: int, height: int) -> list[str]:
        if not isinstance(self._instruction, Acknowledge):
            return []
        return caution_lines(self._instruction.caution, self._before, width, height)

    def _levers(self, width: int, _height: int) -> list[str]:
        if self._hands_on is None:
            return []
        return self._hands_on.lines(self._act, width, watching=self._person.watching)

    # What comes in.

    @property
    def _instruction(self) -> Instruction | None:
        return None if self._view is None else self._view.instruction

    @property
    def _budget(self) -> tuple[BudgetLine, ...]:
        listening = isinstance(self._instruction, Listen)
        return self._view.budget if self._view is not None and listening else ()

    @property
    def _guidance(self) -> Guidance:
        if isinstance(self._instruction, Listen):
            return self._instruction.guidance
        return Guidance("", _NO_ACT)

    @property
    def _act(self) -> Act | None:
        match self._instruction:
            case Ask(act=act):
                return act
            case Listen(guidance=guidance):
                return guidance.act
            case _:
                return None

    def show(self, view: View) -> None:
        """Show a view, with a sound where something was caught."""
        if self._caught(view):
            self.app.bell()
        before = self._instruction
        if isinstance(view.instruction, Ask) and not view.instruction.shows_reading:
            self._old = view.reading
        self._view = view = current(view, self._old)
        if view.instruction is not before and not isinstance(view.instruction, Listen):
            self._shown_since_s = time.monotonic()
        if self._hands_on is not None:
            self._hands_on.asked(self._act, watching=self._person.watching)
        band = band_of(view.reading)
        self._reason = self._steady.shown(band.reason, time.monotonic())
        self.query_one("#band").set_classes(band.state)
        match view.instruction:
            case Listen(guidance=guidance):
                is_reason = alike(guidance.sentence, self._reason)
                self._mode("listen", self._reason if is_reason else guidance.sentence)
            case Ask() as ask:
                if ask is not before:
                    self._entry = Entry(ask.low, ask.high, ask.unit)
                self._mode("look" if ask.shows_reading else "ask", ask.sentence)
            case Acknowledge():
                self._mode("caution", "CAUTION before going on")
            case Compute(sentence=sentence):
                self._mode("look", sentence)
            case Finish() as end:
                # Steps that end at once, one after the other, are all said.
                earlier = f"{self._before} " if isinstance(before, Finish) else ""
                self._before = earlier + ended(view.procedure, end)
            case _:
                pass
        self.refresh_all()

    def _caught(self, view: View) -> bool:
        """Whether this view says that a level was captured or a result accepted."""
        match view.instruction:
            case Finish(outcome=outcome):
                return outcome in DONE
            case Listen(guidance=guidance):
                return len(guidance.curve) > len(self._guidance.curve)
            case _:
                return False

    def _mode(self, mode: str, sentence: str) -> None:
        for name in ("listen", "ask", "caution", "look"):
            self.set_class(name == mode, name)
        if not self._stopping:
            self._sentence = sentence

    def refresh_all(self) -> None:
        """Draw what has changed."""
        # On a low screen the explanation takes the place of what it explains.
        low = self.size.height < (ROWS_WITH_LEVERS if self._hands_on else ROWS_TO_EXPLAIN)
        self.set_class(self._explaining and bool(self._budget) and low, "explain")
        for drawn in self.query(Drawn):
            drawn.redraw()

    def leave(self) -> None:
        """Say that it stops; the engine does the rest."""
        self._stopping = True
        tone = (
            ""
            if self._view is None or self._view.tone_from != "vehicle"
            else (" levelset cannot stop the vehicle's tone: turn it down there.")
        )
        self._sentence = f"Stopping.{tone}"
        self.refresh_all()

    # What the person says.

    def on_key(self, event: events.Key) -> None:
        """Take answers: they depend on what is asked."""
        instruction = self._instruction
        match instruction:
            case Acknowledge() if event.key == "enter":
                self._say(instruction, "yes", confirmed=True)
            case Ask(answer="done") if event.key == "enter":
                self._say(instruction, "done", confirmed=True)
            case Ask(answer="yes_no") if event.key in ("y", "n"):
                self._say(instruction, "yes" if event.key == "y" else "no")
            case Ask() if (word := instruction.chosen(event.character or "")) is not None:
                self._say(instruction, word)
            case Ask(answer="number"):
                if not self._type(instruction, event):
                    return
            case Ask(answer="yes_no" | "choice") if event.key == "enter":
                self._entry = self._entry.refused("Press the key of one of these answers.")
                self.refresh_all()
            case Listen(offers=offers):
                word = next((o.word for key, o in offer_keys(offers) if key == event.key), None)
                if word is None:
                    return
                self._say(instruction, word)
            case _:
                return
        event.stop()

    def _type(self, ask: Ask, event: events.Key) -> bool:
        if event.key == "enter":
            value = self._entry.value()
            if isinstance(value, str):
                self._entry = self._entry.refused(value)
            else:
                self._say(ask, value)
        elif event.key == "backspace":
            self._entry = self._entry.erased()
        elif event.character is not None and event.character in "0123456789.,-":
            self._entry = self._entry.typed(event.character)
        else:
            return False
        self.refresh_all()
        return True

    def _say(
        self, instruction: Instruction, value: str | float, *, confirmed: bool = False
    ) -> None:
        if confirmed and time.monotonic() - self._shown_since_s < self.read_time_s:
            return
        self._person.say(instruction, Answer(value))

    def action_explain(self) -> None:
        """Show where the uncertainty comes from in place of the pictures, or the pictures again."""
        self._explaining = not self._explaining
        self.refresh_all()

    def action_note(self) -> None:
        """Let a remark be typed; measuring goes on behind it."""
        self.app.push_screen(NoteScreen(self._session))

    # Hands on the invented car.

    def action_watch(self) -> None:
        """Watch the simulated hands, or take over from them."""
        self._person.watch_hands(not self._person.watching)
        if self._person.watching and self._hands_on is not None and self._act is not None:
            self._hands_on.watched(self._act)
        self.refresh_all()

    def action_car(self, lever: str, by: float = 0.0) -> None:
        """Move a lever of the invented car, unless the simulated hands are at it."""
        if (hands := self._free_hands()) is not None:
            match lever:
                case "volume":
                    hands.turn_volume(int(by))
                case "gain":
                    hands.turn_gain(self._channel, by)
                case "minimum":
                    hands.gain_to_minimum(self._channel)
                case "tips":
                    hands.place_tips(self._act)
                case "track":
                    hands.play_track(self._act)
                case "meter":
                    hands.read_meter(self._act)
                case "engine":
                    hands.use_engine(self._act)
                case "filters":
                    hands.use_filters(self._act)
        self.refresh_all()

    def _free_hands(self) -> HandsOn | None:
        return None if self._person.watching else self._hands_on

    @property
    def _channel(self) -> str | None:
        """The channel whose gain the keys turn, None for the processor's output level."""
        act = self._act
        asked = None if act is None else act.channel
        current = None if self._view is None else self._view.channel
        if self._view is not None and self._view.procedure == "processor" and not asked:
            return None
        return asked or current or self._session.plan.channels[0].name
