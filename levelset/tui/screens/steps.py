"""The steps of an open job: what is done, what is left, and any one of them again."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from levelset.tui.renderables.charset import in_charset
from levelset.tui.renderables.pages import INVENTED, agenda_line, entry_words
from levelset.tui.renderables.wording import wrapped
from levelset.tui.screens.base import Drawn, LevelScreen
from levelset.tui.screens.form import NoteScreen
from levelset.tui.screens.texts import REPORT

if TYPE_CHECKING:
    from levelset.procedures.agenda import Entry
    from levelset.tui.session import Session


AGAIN = "A step that is done again counts from then on."
CHOOSE = f"Choose a step and press enter. {AGAIN}"


class StepsScreen(LevelScreen):
    """The way to go on, then every step of the job with what became of it.

    Parameters
    ----------
    session : Session
        The job.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "note", "remark", id="steps.note"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self._session = session
        entries = session.agenda()
        self._next = next((entry for entry in entries if entry.is_left), None)
        # Going on is a row of its own, above the steps.
        self._rows = (None, *entries) if self._next is not None else tuple(entries)
        self._left = sum(entry.is_left for entry in entries)

    def action_note(self) -> None:
        """Let a remark be typed."""
        self.app.push_screen(NoteScreen(self._session))

    def head(self) -> tuple[str, str]:
        """Return the head."""
        left = f"{self._left} left" if self._left else "all done"
        return f"{self._session.title} · steps", left

    def body(self) -> ComposeResult:
        """Yield what comes next, the steps, and what became of the highlighted one."""
        yield Drawn(self._advice, classes="notice")
        yield OptionList(classes="steps")
        yield Drawn(self._sentence, classes="about")

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [
            ("enter", "begin"),
            ("up/down", "choose"),
            ("n", "remark"),
            ("esc", "jobs"),
            ("ctrl+q", "quit"),
            ("?", "help"),
        ]

    def on_mount(self) -> None:
        """Fill the list."""
        options = self.query_one(OptionList)
        width = self.app.size.width - 2
        lines = in_charset([self._line(row, width) for row in self._rows], self.levelset.charset)
        options.add_options([Option(Content(line)) for line in lines])
        options.highlighted = 0
        options.focus()

    def on_option_list_option_highlighted(self) -> None:
        """Say what became of the step."""
        self.query_one(".about", Drawn).refresh(layout=True)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Do this one step, or everything that is left."""
        self.levelset.begin(self._rows[event.option_index])

    def leave(self) -> None:
        """Release the job and go back to the list."""
        self.levelset.close_session()

    def _advice(self, width: int, _: int) -> list[str]:
        lines = [INVENTED] if self._session.invented else []
        advice = CHOOSE if self._left else f"Everything is done. {REPORT} {AGAIN}"
        return [*lines, *wrapped(advice, width)]

    def _sentence(self, width: int, _: int) -> list[str]:
        at = self.query_one(OptionList).highlighted
        entry = None if at is None else self._rows[at] or self._next
        if entry is None or entry.step is None:
            return []
        return wrapped(entry.step.sentence, width)

    def _line(self, row: Entry | None, width: int) -> str:
        if row is not None:
            return agenda_line(row, width)
        assert self._next is not None
        return f"{'GO ON':<14}from: {entry_words(self._next)}"[:width]
