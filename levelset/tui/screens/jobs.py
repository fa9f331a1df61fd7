"""The list of jobs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from levelset.errors import LevelsetError
from levelset.record.search import Wanted, find_jobs
from levelset.record.summary import JobRow, JobSummary, summary_or_fault
from levelset.tui.renderables.charset import in_charset
from levelset.tui.renderables.pages import job_line
from levelset.tui.renderables.wording import wrapped
from levelset.tui.screens.base import LevelScreen
from levelset.tui.screens.plan import TemplatesScreen
from levelset.tui.screens.probe import ProbeScreen
from levelset.tui.screens.texts import JobScreen

NO_JOB = (
    "No job yet. Press d to go through a whole job on an invented car, n to make one of your own."
)
NOT_FOUND = "No job has all these words. Press esc to see every job."


class JobsScreen(LevelScreen):
    """Every job that is recorded, newest first as it is given; a few words find one of many."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "new", "new job", id="jobs.new"),
        Binding("p", "probe", "design a probe", id="jobs.probe"),
        Binding("d", "demo", "demonstration", id="jobs.demo"),
        Binding("slash", "find", "find", id="jobs.find"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._jobs: Sequence[JobRow] = ()
        self._shown: Sequence[JobRow] = ()
        self._read = False

    def head(self) -> tuple[str, str]:
        """Return the head."""
        if not self._read:
            return "levelset · jobs", "reading the list"
        count = len(self._jobs)
        of = "" if len(self._shown) == count else f"{len(self._shown)} of "
        return "levelset · jobs", f"{of}{count} job{'' if count == 1 else 's'}"

    def body(self) -> ComposeResult:
        """Yield the list and a line for what is wrong or missing."""
        yield Static("", classes="notice", markup=False)
        line = Input(placeholder="words of vehicle, customer, equipment, date", id="find")
        line.display = False
        yield line
        yield OptionList()

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [
            *((("enter", "open"), ("/", "find")) if self._jobs else ()),
            ("n", "new job"),
            ("p", "probe"),
            ("d", "demo"),
            ("ctrl+q", "quit"),
            ("?", "help"),
        ]

    def on_mount(self) -> None:
        """Let a job be chosen."""
        self.query_one(OptionList).focus()

    def on_screen_resume(self) -> None:
        """Read the list again: a job may have been added."""
        self.aside(self.levelset.list_jobs, self._take, "jobs")

    def on_resize(self) -> None:
        """Break the lines anew."""
        self._fill()

    def _take(self, found: Sequence[JobRow] | LevelsetError) -> None:
        """Show the jobs that were found, or why there are none."""
        self._read = True
        if isinstance(found, LevelsetError):
            self._jobs, notice = (), f"{found.what}: {found.todo}."
        else:
            self._jobs, notice = found, "" if found else NO_JOB
        self.say(notice)
        made, self.levelset.made = self.levelset.made, None
        if made is not None:
            self.query_one(Input).value = ""
        self._fill(made)

    def _fill(self, made: Path | None = None) -> None:
        """Show the jobs that fit what is typed; begin at the one that was just made."""
        words = self.query_one(Input).value.split()
        self._shown = find_jobs(self._jobs, Wanted(words=tuple(words)))
        options = self.query_one(OptionList)
        at = options.highlighted_option
        kept = str(made) if made is not None else None if at is None else at.id
        options.clear_options()
        alike = Counter(_day_and_name(job) for job in self._shown)
        rows = [
            Option(Content(self._line(job, alike[_day_and_name(job)] > 1)), id=str(job.path))
            for job in self._shown
        ]
        options.add_options(rows)
        if rows:
            there = [row.id for row in rows]
            options.highlighted = there.index(kept) if kept in there else 0
        self.redraw()

    def say(self, notice: str) -> None:
        """Show one line above the list."""
        self.query_one(".notice", Static).update(notice)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Open the page of a job."""
        # By its name: the list may have been read again since.
        row = next((one for one in self._shown if str(one.path) == event.option_id), None)
        if row is None:
            return
        job = row if isinstance(row, JobSummary) else summary_or_fault(row.path)
        self.app.push_screen(JobScreen(job))

    def action_find(self) -> None:
        """Let words be typed."""
        line = self.query_one(Input)
        line.display = True
        line.focus()

    def on_input_changed(self) -> None:
        """Show what fits so far."""
        self._fill()
        if self._jobs:
            self.say("" if self._shown else NOT_FOUND)

    def on_input_submitted(self) -> None:
        """Go back to the list."""
        self.query_one(OptionList).focus()

    def leave(self) -> None:
        """Show all jobs again."""
        line = self.query_one(Input)
        line.value = ""
        line.display = False
        self.query_one(OptionList).focus()

    def action_new(self) -> None:
        """Choose a template or a plan file."""
        self.app.push_screen(TemplatesScreen())

    def action_probe(self) -> None:
        """Design a probe."""
        self.app.push_screen(ProbeScreen())

    def action_demo(self) -> None:
        """Begin a demonstration."""
        try:
            session = self.levelset.open_demo()
        except LevelsetError as error:
            self.say(f"{error.what}: {error.todo}.")
            return
        self.levelset.open(session)

    def _line(self, job: JobRow, with_time: bool) -> str:
        # Beside the scroll bar, and a second line under the name.
        lines = wrapped(job_line(job, with_time=with_time), self.app.size.width - 3, indent=11)
        return "\n".join(in_charset(lines, self.levelset.charset))


def _day_and_name(job: JobRow) -> tuple[str, str]:
    return job.created[:10], job.title
