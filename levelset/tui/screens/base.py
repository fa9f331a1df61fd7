"""What every screen has: a head, a line of keys, and one line when it is too small."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar, cast

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static
from textual.worker import get_current_worker

from levelset.errors import LevelsetError
from levelset.tui.renderables.charset import in_charset
from levelset.tui.renderables.pages import key_lines
from levelset.tui.renderables.wording import head_lines

if TYPE_CHECKING:
    from levelset.tui.app import LevelsetApp

T = TypeVar("T")

SMALLEST = (60, 20)


class Worked(Message):
    """Work beside the screen has ended.

    Parameters
    ----------
    tell : callable
        Tells the screen what came of it.
    """

    def __init__(self, tell: Callable[[], None]) -> None:
        super().__init__()
        self.tell = tell


class Drawn(Widget):
    """Shows what a pure function draws at the size of this widget.

    Parameters
    ----------
    draw : callable
        ``draw(width, height)`` returns the lines.
    """

    def __init__(self, draw: Callable[[int, int], Iterable[str]], **options: Any) -> None:
        super().__init__(**options)
        self._draw = draw
        self._shown: list[str] | None = None

    def render(self) -> Content:
        """Return the lines in the character set of the terminal."""
        self._shown = self._lines()
        return Content("\n".join(self._shown))

    def redraw(self) -> None:
        """Draw again where the lines have changed, and lay out anew only where their number has."""
        before = self._shown
        if before is None or not self.display or not self.size.width:
            self.refresh(layout=True)
            return
        lines = self._lines()
        if lines != before:
            height = self.styles.height
            grown = height is not None and height.is_auto and len(lines) != len(before)
            self.refresh(layout=grown)

    def _lines(self) -> list[str]:
        width, height = self.size
        charset = cast("LevelsetApp", self.app).charset
        return list(in_charset(self._draw(width, height), charset))

    def get_content_height(self, container: Any, viewport: Any, width: int) -> int:  # noqa: ARG002
        """Return the number of lines at this width, for a widget of automatic height."""
        return max(len(list(self._draw(width, 0))), 1)


class Page(VerticalScroll):
    """Text that scrolls by the arrow keys."""


class LevelScreen(Screen[None]):
    """A screen of the program; Esc has already silenced levelset when ``leave`` is called."""

    HORIZONTAL_BREAKPOINTS = [
        (0, "-narrow"),
        (SMALLEST[0], "-fits"),
    ]
    VERTICAL_BREAKPOINTS = [
        (0, "-low"),
        (SMALLEST[1], "-high"),
        (32, "-tall"),
    ]

    @property
    def levelset(self) -> LevelsetApp:
        """The application with its own type."""
        return cast("LevelsetApp", self.app)

    def compose(self) -> ComposeResult:
        """Yield head, body and keys."""
        yield Static(
            f"This terminal is too small: make it {SMALLEST[0]} by {SMALLEST[1]} or larger.",
            id="enlarge",
            markup=False,
        )
        yield Drawn(lambda width, _: head_lines(*self.head(), width), classes="head")
        yield from self.body()
        yield Drawn(lambda width, _: key_lines(self.keys(), width), classes="keys")

    def head(self) -> tuple[str, str]:
        """Return what the head says at its left and right end."""
        return "levelset", ""

    def body(self) -> ComposeResult:
        """Yield what is between head and keys."""
        yield from ()

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys that matter now, the way to help last."""
        return [("ctrl+q", "quit"), ("?", "help")]

    def leave(self) -> None:
        """Do what Esc does here besides silencing levelset."""

    def aside(
        self, work: Callable[[], T], done: Callable[[T | LevelsetError], None], group: str
    ) -> None:
        """Do slow work in a thread of its own; the screen stays alive.

        Parameters
        ----------
        work : callable
            Called in the thread.
        done : callable
            Called by the screen with what came of it, unless the screen is gone or the same work
            was begun again.
        group : str
            Names the work.
        """

        def run() -> None:
            worker = get_current_worker()
            found: T | LevelsetError
            try:
                found = work()
            except LevelsetError as error:
                found = error
            if not worker.is_cancelled:
                self.post_message(Worked(lambda: done(found)))

        self.run_worker(run, thread=True, exclusive=True, group=group)

    def on_worked(self, message: Worked) -> None:
        """Take what came of work beside the screen."""
        message.tell()

    def redraw(self) -> None:
        """Draw everything that is drawn again."""
        for drawn in self.query(Drawn):
            drawn.refresh()


class TextScreen(LevelScreen):
    """A page of lines that scrolls."""

    def body(self) -> ComposeResult:
        """Yield the page."""
        with Page(classes="body"):
            yield Drawn(lambda width, _: self.lines(width), id="text")

    def lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return the page at this width."""
        return []

    def on_mount(self) -> None:
        """Let the arrow keys scroll at once."""
        self.query_one("#text").styles.height = "auto"
        self.query_one(Page).focus()
