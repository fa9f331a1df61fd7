"""The terminal program: jobs, plan, procedure, result."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.message import Message

from levelset.errors import LevelsetError
from levelset.procedures.agenda import Entry
from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import View
from levelset.record.summary import JobRow
from levelset.tui.hands_on import HandsOn
from levelset.tui.person import ScreenPerson, Seen
from levelset.tui.renderables.charset import Charset, suited_charset
from levelset.tui.screens.base import LevelScreen
from levelset.tui.screens.form import NoteScreen, Opened
from levelset.tui.screens.jobs import JobsScreen
from levelset.tui.screens.procedure import ProcedureScreen
from levelset.tui.screens.steps import StepsScreen
from levelset.tui.screens.texts import HelpScreen, PlanScreen, ResultScreen
from levelset.tui.session import Session
from levelset.tui.theme import STEADY, THEMES


class Ended(Message):
    """The job has ended."""

    def __init__(self, steps: Sequence[StepResult], error: LevelsetError | None) -> None:
        super().__init__()
        self.steps = steps
        self.error = error


class LevelsetApp(App[None]):
    """Renders instructions and readings; computes nothing.

    The engine runs in one thread and is told everything through ``ScreenPerson``; what it shows
    arrives here as messages.

    Parameters
    ----------
    open_demo : callable
        Opens a demonstration on an invented car.
    list_jobs : callable
        Returns the recorded jobs.
    new_job_of_text : callable
        Makes a job of the text of a plan file and returns its folder.
    new_job : callable
        Makes a job of a plan file and returns its folder.
    open_live : callable
        Opens a job for measuring with a sound card: folder, and the names of input, output and
        stored calibration, each None where none was given.
    list_devices : callable
        Returns a line for each sound device; may take seconds.
    write_tracks : callable
        Writes the tracks of a job into a folder and returns the files, the sheet last; may take
        a minute.
    start : Session or None
        A session to open at once; None shows the jobs.
    charset : {"braille", "ascii"} or None
        Character set; None takes what the terminal is expected to show.
    """

    CSS_PATH = "levelset.tcss"
    TITLE = "levelset"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "silence", "silence", id="app.silence", priority=True),
        Binding("ctrl+q", "leave", "quit", id="app.quit", priority=True),
        Binding("question_mark,f1", "help", "help", id="app.help"),
        Binding("f2", "colours", "other colours", id="app.colours"),
    ]

    def __init__(
        self,
        *,
        open_demo: Callable[[], Session],
        list_jobs: Callable[[], Sequence[JobRow]],
        new_job: Callable[[Path], Path],
        new_job_of_text: Callable[[str], Path],
        open_live: Callable[[Path, str | None, str | None, str | None], Session],
        list_devices: Callable[[], Sequence[str]] = tuple,
        write_tracks: Callable[[Path, Path], Sequence[Path]] = lambda *_: (),
        start: Session | None = None,
        charset: Charset | None = None,
    ) -> None:
        super().__init__()
        self.open_demo = open_demo
        self.list_jobs = list_jobs
        self.new_job = new_job
        self.new_job_of_text = new_job_of_text
        self.open_live = open_live
        self.list_devices = list_devices
        self.write_tracks = write_tracks
        self.made: Path | None = None
        self.charset: Charset = charset or suited_charset(sys.stdout.encoding, os.environ)
        self.person: ScreenPerson | None = None
        self._start = start
        self._session: Session | None = None
        self._hands_on: HandsOn | None = None
        self._engaged = False
        self._leaving = False
        self._released = threading.Event()
        self._released.set()
        self._view: View | None = None
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = STEADY.name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return the colours of the bands for a theme that does not name them."""
        return dict(STEADY.variables)

    def on_mount(self) -> None:
        """Show the jobs, or the session that was given."""
        self.push_screen(JobsScreen())
        if self._start is not None:
            self.open(self._start)

    # One session.

    def open(self, session: Session) -> None:
        """Show the plan of a session, or the steps of one that was begun before."""
        self._session = session
        # Another car's hands wait until they are asked.
        self.person = None
        levers = session.levers
        self._hands_on = None if levers is None else HandsOn(levers, session.plan)
        begun = any(entry.step is not None for entry in session.agenda())
        self.push_screen(StepsScreen(session) if begun else PlanScreen(session))

    def show_steps(self) -> None:
        """Show the steps of the session that is open; the list of jobs where there is none."""
        if self._session is None:
            self.action_jobs()
        else:
            self.switch_screen(StepsScreen(self._session))

    def on_opened(self, message: Opened) -> None:
        """Show the plan of a job whose sound card is open, unless the person has left."""
        found = message.found
        there = message.screen in self.screen_stack and not self._leaving
        if isinstance(found, LevelsetError):
            if there:
                message.screen.refuse(found)
            return
        if not there:
            found.close()
            return
        self.action_jobs()
        self.open(found)

    def begin(self, entry: Entry | None = None) -> None:
        """Run one step of the session that is open, or all that are left."""
        if self._session is None or self._engaged:
            return
        session = self._session
        watching = self.person is not None and self.person.watching
        person = ScreenPerson(self.post_message, session.hands)
        person.watch_hands(watching)
        self.person, self._view, self._engaged = person, None, True
        self.switch_screen(ProcedureScreen(session, person, self._hands_on))
        self.run_worker(
            lambda: self._work(session, person, entry), thread=True, exclusive=True, group="engine"
        )

    def _work(self, session: Session, person: ScreenPerson, entry: Entry | None) -> None:
        """Run the session in this thread; by a fault, or when everybody has left, it is closed."""
        steps: list[StepResult] = []
        error: LevelsetError | None = None
        sound = False
        try:
            if entry is None:
                session.run(person, steps.append)
            else:
                steps.append(session.run_one(person, *entry.name))
            sound = True
        except LevelsetError as fault:
            error = fault
        finally:
            if self._leaving or not sound:
                session.close()
        self.post_message(Ended(steps, error))

    def on_seen(self, message: Seen) -> None:
        """Show what the engine shows."""
        self._view = message.view
        if self._leaving:
            return
        for screen in self.screen_stack:
            if isinstance(screen, ProcedureScreen):
                screen.show(message.view)

    def on_ended(self, message: Ended) -> None:
        """Show what came of the job."""
        session, self._engaged = self._session, False
        if session is None or self._leaving:
            return
        while isinstance(self.screen, HelpScreen | NoteScreen):
            self.pop_screen()
        vehicle_tone = self._view is not None and self._view.tone_from == "vehicle"
        self.switch_screen(
            ResultScreen(session, message.steps, message.error, vehicle_tone=vehicle_tone)
        )
        if message.error is not None:
            self._session = None

    def close_session(self) -> None:
        """Leave a session while nothing is measured, and go back to the jobs."""
        if self._engaged:
            return
        session, self._session = self._session, None
        if session is not None:
            # A sound card takes its time, and the next one to be opened waits for that.
            self._released.clear()

            def close() -> None:
                try:
                    session.close()
                finally:
                    self._released.set()

            self.run_worker(close, thread=True, group="close")
        self.action_jobs()

    def wait_until_closed(self) -> None:
        """Wait, in a thread that opens a sound card, until the last one is released."""
        self._released.wait()

    # Keys that work everywhere.

    def action_silence(self) -> None:
        """Silence levelset first, then do what Esc does on this screen."""
        if self.person is not None:
            self.person.stop()
        if isinstance(self.screen, LevelScreen):
            self.screen.leave()

    def action_leave(self) -> None:
        """Silence levelset and quit."""
        if self.person is not None:
            self.person.stop()
        # What the engine still says while the screens are taken down is not shown.
        self._leaving = True
        self.exit()

    def action_jobs(self) -> None:
        """Go back to the jobs."""
        while not isinstance(self.screen, JobsScreen):
            self.pop_screen()

    def action_help(self) -> None:
        """Show the help."""
        self.push_screen(HelpScreen())

    def action_colours(self) -> None:
        """Take the next theme."""
        names = [theme.name for theme in THEMES]
        self.theme = names[(names.index(self.theme) + 1) % len(names)]

    def on_unmount(self) -> None:
        """Leave nothing running: stop the engine, release a port that was never used."""
        if self.person is not None:
            self.person.stop()
        if self._session is not None and not self._engaged:
            self._session.close()
