"""A new job from a template: its values, what follows from them, and what still waits."""

from __future__ import annotations

import tomllib
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Input, OptionList
from textual.widgets.option_list import Option

from levelset.errors import LevelsetError
from levelset.plan.job import JobPlan
from levelset.plan.plan_file import plan_from_document
from levelset.plan.plan_keys import value_at, value_names
from levelset.plan.plan_text import (
    confirmed,
    shown_value,
    text_from_template,
    waiting,
    with_value,
)
from levelset.plan.templates import TEMPLATES, Template
from levelset.tui.renderables.charset import in_charset
from levelset.tui.renderables.pages import plan_lines, target_line
from levelset.tui.renderables.plan_rows import how_to_type, key_words, value_words
from levelset.tui.renderables.wording import wrapped
from levelset.tui.screens.base import Drawn, LevelScreen, TextScreen
from levelset.tui.screens.form import NewJobScreen

LABEL = 36
"""Longest name of a value beside which the values stand in a column."""

OWN_FILE = "a plan file of your own"
ADVICE = (
    "A line with ? is from the template: compare it with the label or the manual. What you cannot "
    "look up now may wait."
)
LEAVE = "Press esc once more to leave without a job, m to make the job."


class TemplatesScreen(LevelScreen):
    """What a new job begins with."""

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return "levelset · new job", ""

    def body(self) -> ComposeResult:
        """Yield the templates and the way to a file."""
        advice = "Begin with the invented vehicle that is most like this one, or with a plan file."
        yield Drawn(lambda width, _: wrapped(advice, width), classes="notice")
        yield OptionList(*(one.name for one in TEMPLATES), OWN_FILE, classes="steps")

    def on_mount(self) -> None:
        """Let a template be chosen at once."""
        options = self.query_one(OptionList)
        options.highlighted = 0
        options.focus()

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("enter", "take it"), ("esc", "back"), ("ctrl+q", "quit"), ("?", "help")]

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Show the values of the template, or ask for the file."""
        if event.option_index < len(TEMPLATES):
            self.app.switch_screen(PlanEditScreen(TEMPLATES[event.option_index]))
        else:
            self.app.switch_screen(NewJobScreen())

    def leave(self) -> None:
        """Go back."""
        self.app.pop_screen()


class PlanEditScreen(LevelScreen):
    """Every value of a plan, those that differ from vehicle to vehicle first.

    Parameters
    ----------
    template : Template
        What to begin with.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c", "confirm", "confirm", id="plan.confirm"),
        Binding("v", "view", "view", id="plan.view"),
        Binding("m", "make", "make the job", id="plan.make"),
    ]

    def __init__(self, template: Template) -> None:
        super().__init__()
        self._text = text_from_template(template)
        others = (one for one in self._names() if one not in template.asked)
        self._rows = [*template.asked, *others]
        self._untouched = self._text
        self._notice = ""

    def head(self) -> tuple[str, str]:
        """Return the head."""
        left = len(waiting(self._document()))
        return "levelset · new job", f"{left} to confirm" if left else "all confirmed"

    def body(self) -> ComposeResult:
        """Yield what is wrong, the line to type in, the values, and what follows from them."""
        yield Drawn(lambda width, _: wrapped(self._notice, width), classes="notice")
        line = Input(id="value")
        line.display = False
        yield line
        yield OptionList(classes="steps")
        yield Drawn(self._follows, classes="about")

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        if self.query_one(Input).display:
            return [("enter", "take the value"), ("esc", "leave it"), ("f1", "help")]
        return [
            ("enter", "change"),
            ("c", "right as it is"),
            ("v", "view"),
            ("m", "make the job"),
            ("esc", "back"),
            ("?", "help"),
        ]

    def on_mount(self) -> None:
        """Fill the list."""
        self._fill(0)
        self.query_one(OptionList).focus()
        self._say(ADVICE)

    def on_option_list_option_selected(self) -> None:
        """Let the value be typed."""
        line = self.query_one(Input)
        line.value = self._value(self._row)
        line.display = True
        line.focus()
        self._say(how_to_type(self._row))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the value, if the plan is one with it."""
        at = self._at
        try:
            changed = with_value(self._text, self._row, event.value)
            plan_from_document(tomllib.loads(changed))
        except LevelsetError as error:
            self._say(f"{error.what}: {error.todo}.")
            return
        names = self._names()
        self._text = changed
        # A name that was changed names its other values too.
        renamed = dict(zip(names, self._names(), strict=True))
        self._rows = [renamed[one] for one in self._rows]
        self._close()
        self._fill(min(at + 1, len(self._rows) - 1))

    def action_confirm(self) -> None:
        """Confirm the value as it is and go to the next one."""
        at = self._at
        if self._row in waiting(self._document()):
            self._text = confirmed(self._text, [self._row])
        self._notice = ""
        self._fill(min(at + 1, len(self._rows) - 1))

    def action_view(self) -> None:
        """Show the whole page that follows."""
        self.app.push_screen(PlanPageScreen(self._plan()))

    def action_make(self) -> None:
        """Make the job and go back to the list, which shows it."""
        try:
            self.levelset.made = self.levelset.new_job_of_text(self._text)
        except LevelsetError as error:
            self._say(f"{error.what}: {error.todo}.")
        else:
            self.app.pop_screen()

    def leave(self) -> None:
        """Leave the value, or the plan."""
        if self.query_one(Input).display:
            self._close()
        elif self._text != self._untouched and self._notice != LEAVE:
            self._say(LEAVE)
        else:
            self.app.pop_screen()

    def _close(self) -> None:
        self.query_one(Input).display = False
        self.query_one(OptionList).focus()
        self._say("")

    def _say(self, notice: str) -> None:
        self._notice = notice
        self.query_one(".notice", Drawn).refresh(layout=True)
        self.redraw()

    def _fill(self, at: int) -> None:
        options = self.query_one(OptionList)
        waits = waiting(self._document())
        document = self._document()
        values = [(key_words(row), value_words(row, value_at(document, row))) for row in self._rows]
        room = min(max(len(what) for what, _ in values), LABEL)
        lines = [
            f"{'?' if row in waits else ' '} {what:<{room}}  {value}"
            for row, (what, value) in zip(self._rows, values, strict=True)
        ]
        options.clear_options()
        options.add_options(
            [Option(Content(line)) for line in in_charset(lines, self.levelset.charset)]
        )
        options.highlighted = at
        self.query_one(".about", Drawn).refresh(layout=True)
        self.redraw()

    def _follows(self, width: int, _: int) -> list[str]:
        return [target_line(channel, width) for channel in self._plan().channels]

    def _document(self) -> dict[str, object]:
        return tomllib.loads(self._text)

    def _plan(self) -> JobPlan:
        return plan_from_document(self._document())

    def _names(self) -> list[str]:
        return list(value_names(self._document()))

    def _value(self, row: str) -> str:
        return shown_value(value_at(self._document(), row))

    @property
    def _at(self) -> int:
        return self.query_one(OptionList).highlighted or 0

    @property
    def _row(self) -> str:
        return self._rows[self._at]


class PlanPageScreen(TextScreen):
    """What follows from a plan, as a page."""

    def __init__(self, plan: JobPlan) -> None:
        super().__init__()
        self._plan = plan

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return "levelset · plan", self._plan.vehicle

    def lines(self, width: int) -> list[str]:
        """Return the page."""
        return plan_lines(self._plan, width)

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("up/down", "scroll"), ("esc", "back"), ("?", "help")]

    def leave(self) -> None:
        """Go back."""
        self.app.pop_screen()
