"""The screens that are a page of text: plan, result, a recorded job, help."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from levelset.errors import Interrupted, LevelsetError
from levelset.report.page import write_report
from levelset.tui.renderables.pages import (
    INVENTED,
    in_short,
    job_lines,
    plan_lines,
    step_lines,
)
from levelset.tui.renderables.wording import hanging, wrapped
from levelset.tui.screens.base import Drawn, Page, TextScreen
from levelset.tui.screens.form import MeasureScreen, TracksScreen

if TYPE_CHECKING:
    from levelset.procedures.facts import StepResult
    from levelset.record.summary import JobSummary
    from levelset.tui.session import Session

GO_ON = "To go on: enter, then GO ON."
REPORT = "Report: esc, enter on the job, then r."
GONE = (
    "The invented car of this job was left and is gone: esc, then d begins anew with another one."
)
TURN_DOWN = "The tone from the vehicle may still be on: turn it down there."


def _vehicle(session: Session) -> str:
    """Return the vehicle where the title does not name it."""
    return "" if session.plan.vehicle == session.title else session.plan.vehicle


class PlanScreen(TextScreen):
    """What is planned, before anything is connected."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "begin", "begin", id="plan.begin"),
        Binding("s", "steps", "steps", id="plan.steps"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self._session = session

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return f"{self._session.title} · plan", _vehicle(self._session)

    def lines(self, width: int) -> list[str]:
        """Return the plan."""
        notices = [line for text in self._session.notices for line in (*wrapped(text, width), "")]
        return [*notices, *plan_lines(self._session.plan, width)]

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [
            ("enter", "begin"),
            ("s", "steps"),
            ("up/down", "scroll"),
            ("esc", "back"),
            ("?", "help"),
        ]

    def action_begin(self) -> None:
        """Begin the job."""
        self.levelset.begin()

    def action_steps(self) -> None:
        """Show the steps, to do one of them."""
        self.levelset.show_steps()

    def leave(self) -> None:
        """Go back to the jobs."""
        self.levelset.close_session()


class ResultScreen(TextScreen):
    """What came of the job that has just been done.

    Parameters
    ----------
    session : Session
        The job.
    steps : sequence of StepResult
        What came of each step.
    error : LevelsetError or None
        What ended it, if it ended by an error.
    vehicle_tone : bool
        Whether the vehicle's tone was on when it ended.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "steps", "steps", id="result.steps"),
    ]

    def __init__(
        self,
        session: Session,
        steps: Sequence[StepResult],
        error: LevelsetError | None,
        *,
        vehicle_tone: bool,
    ) -> None:
        super().__init__()
        self._session, self._steps, self._error = session, steps, error
        self._vehicle_tone = vehicle_tone

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return f"{self._session.title} · result", _vehicle(self._session)

    def lines(self, width: int) -> list[str]:
        """Return steps, what went wrong, and where the record is."""
        lines = [INVENTED, ""] if self._session.invented else []
        if self._vehicle_tone:
            lines += [*wrapped(TURN_DOWN, width), ""]
        if isinstance(self._error, Interrupted):
            lines += ["STOPPED by you. What was accepted before is in the record.", ""]
        elif self._error is not None:
            lines += [*wrapped(f"ENDED: {self._error.what}.", width)]
            lines += [*wrapped(f"What to do: {self._error.todo}.", width), ""]
        left = self._error is None and any(entry.is_left for entry in self._session.agenda())
        lines += [*wrapped(GO_ON, width), ""] if left else []
        lines += in_short(self._steps, width) if len(self._steps) > 1 else []
        lines += step_lines(self._steps, width) or ["No step was finished."]
        next_words = REPORT if self._steps else ""
        # Never wrapped: a path is copied as it stands.
        return [*lines, "", *wrapped(next_words, width), "record", str(self._session.job_path)]

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [
            ("enter", "steps" if self._error is None else "jobs"),
            ("esc", "jobs"),
            ("up/down", "scroll"),
            ("ctrl+q", "quit"),
            ("?", "help"),
        ]

    def action_steps(self) -> None:
        """Go on to the steps of the job; to the list of jobs where it has ended by a fault."""
        self.levelset.show_steps()

    def leave(self) -> None:
        """Release the job and go back to the list."""
        self.levelset.close_session()


class JobScreen(TextScreen):
    """The page of a recorded job."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", "measure", "measure", id="job.measure"),
        Binding("t", "tracks", "tracks", id="job.tracks"),
        Binding("r", "report", "report", id="job.report"),
    ]

    def __init__(self, job: JobSummary) -> None:
        super().__init__()
        self._job = job
        self._reported: tuple[str, ...] = ()

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return self._job.title, self._job.state

    def lines(self, width: int) -> list[str]:
        """Return what is known about it, and where its report is."""
        # Never wrapped: a path is copied as it stands.
        reported = [*self._reported, ""] if self._reported else []
        if self._job.invented and self._job.state == "incomplete":
            reported += [*wrapped(GONE, width), ""]
        return [*reported, *job_lines(self._job, width)]

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        measure = [("m", "measure with the sound card"), ("t", "tracks for the player")]
        return [
            *(measure if self._can_be_measured else []),
            ("r", "report"),
            ("esc", "back"),
            ("up/down", "scroll"),
            ("ctrl+q", "quit"),
            ("?", "help"),
        ]

    @property
    def _can_be_measured(self) -> bool:
        # On an invented car there is nothing that a sound card could reach.
        return not (self._job.invented or self._job.fault)

    def action_measure(self) -> None:
        """Ask for the sound card."""
        if self._can_be_measured:
            self.app.push_screen(MeasureScreen(self._job))

    def action_tracks(self) -> None:
        """Ask for the folder of the tracks."""
        if self._can_be_measured:
            self.app.push_screen(TracksScreen(self._job))

    def action_report(self) -> None:
        """Make both pages of the report; they take a moment, the screen stays alive."""
        self._say("Making the report ...")
        path = self._job.path

        def work() -> list[Path]:
            return [write_report(path, None, short=short)[0] for short in (False, True)]

        self.aside(work, self._reported_at, "report")

    def _reported_at(self, found: list[Path] | LevelsetError) -> None:
        """Say where the report is."""
        if isinstance(found, LevelsetError):
            self._say(f"No report: {found.what}.", f"What to do: {found.todo}.")
        else:
            self._say("report, for a web browser", *map(str, found))

    def _say(self, *lines: str) -> None:
        self._reported = lines
        self.query_one("#text", Drawn).refresh(layout=True)
        self.query_one(Page).scroll_home(animate=False)

    def leave(self) -> None:
        """Go back to the list."""
        self.app.pop_screen()


HELP = """\
WHAT THE SCREEN TELLS
The large number is the voltage at the tips. The arrow says which way to turn, and the words \
beside it how far and where to. The bar shows the same; its upright stroke is the target.
The band says whether the tone is clean: word, shape and colour say the same.
  ══ CLEAN           within the limit
  ≈≈ TOPS ROUNDED    over the limit, the tops are pressed flatter
  ▚▚ TOPS FLAT       the tops are cut off: this is clipping
  ╳╳ DISTORTED       over the limit in another way
  ░░ VOID            no reading that can be trusted; the reason stands below
± is the uncertainty for 95 % coverage, mostly the multimeter's.

WHAT TO PRESS
The tool watches and catches a level by itself, with a sound: keys are for the exceptions.
  esc       silences levelset and ends the procedure, then goes back
  enter     a caution is read, a request is done, a number or a name is typed
  y n       answer a question; further answers stand on the screen with their keys
  tab       the next field or line
  w         watch the simulated hands, or take over from them
  u         where the uncertainty comes from, and the pictures again
  n         a remark for the record, while a job is open
  m t r     measure, tracks for the player, report: on the page of a job
  /         words that find a job in the list
  f2        other colours
  ctrl+q    silences levelset and leaves
A tone from the vehicle cannot be stopped from here: turn it down there.

ON THE INVENTED CAR
  up down         volume by one click (page up, page down by five)
  left right      gain by 0.05 dB; with shift by 1 dB; home to minimum
  t p m e f       tips, track, meter, engine, filters; the screen says which is asked for

CAUTION
Loudspeakers off while gains are set; tweeters off and ears protected in the search for the \
clean volume. Ground lead first on and last off. Above 30 V RMS or 60 V DC do not touch bare \
metal. The manuals of the vehicle and the equipment, local codes and licensed practice come \
before anything shown here.\
"""


class HelpScreen(TextScreen):
    """What the screen tells and what to press."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,question_mark,f1", "close", "back", id="help.close"),
    ]

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return "levelset · help", ""

    def lines(self, width: int) -> list[str]:
        """Return the help."""
        return [part for line in HELP.splitlines() for part in hanging(line, width)]

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("enter", "back"), ("up/down", "scroll"), ("esc", "silence and back")]

    def action_close(self) -> None:
        """Go back without stopping anything."""
        self.app.pop_screen()

    def leave(self) -> None:
        """Go back."""
        self.app.pop_screen()
