"""Screens on which a name or a path is typed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.message import Message
from textual.widgets import Input

from levelset.errors import LevelsetError
from levelset.tui.renderables.wording import wrapped
from levelset.tui.screens.base import Drawn, LevelScreen

if TYPE_CHECKING:
    from levelset.record.summary import JobSummary
    from levelset.tui.session import Session


class FormScreen(LevelScreen):
    """Some lines to type, each ended by enter; the last one takes them all."""

    LABELS: Sequence[str] = ()

    def __init__(self) -> None:
        super().__init__()
        self._notice = ""

    def body(self) -> ComposeResult:
        """Yield each label with its line, and a line for what is wrong."""
        for label in self.LABELS:
            yield Drawn(_wraps(label), classes="field")
            yield Input(placeholder="type here, then enter")
        yield Drawn(lambda width, _: ["", *wrapped(self._notice, width)], classes="notice")

    def on_mount(self) -> None:
        """Let the first line be typed at once."""
        self.query(Input).first().focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go to the next line; behind the last take them all."""
        lines = list(self.query(Input))
        if event.input is not lines[-1]:
            lines[lines.index(event.input) + 1].focus()
            return
        self.take([line.value.strip() for line in lines])

    def take(self, values: list[str]) -> None:
        """Do what the screen is for."""
        raise NotImplementedError

    def say(self, notice: str) -> None:
        """Show what is going on or wrong."""
        self._notice = notice
        self.query_one(".notice", Drawn).refresh(layout=True)

    def refuse(self, error: LevelsetError) -> None:
        """Show why it did not work."""
        self.say(f"{error.what}: {error.todo}.")

    def leave(self) -> None:
        """Go back."""
        self.app.pop_screen()


def _wraps(text: str) -> Callable[[int, int], list[str]]:
    return lambda width, _: wrapped(text, width)


class NoteScreen(FormScreen):
    """Asks for a remark and adds it to the record of an open session."""

    LABELS = ("A remark for the record, where it stays for ever: no personal data. Empty: none.",)

    def __init__(self, session: Session) -> None:
        super().__init__()
        self._session = session

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return f"{self._session.title} · remark", ""

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("enter", "add it and go back"), ("esc", "silence and back"), ("f1", "help")]

    def take(self, values: list[str]) -> None:
        """Add the remark and go back to what was going on; a slow disk must not hold that up."""
        if values[0]:
            self.aside(lambda: self._session.note(values[0]), self._added, "note")
        else:
            self._added(None)

    def _added(self, found: LevelsetError | None) -> None:
        if found is None:
            self.app.pop_screen()
        else:
            self.refuse(found)


class NewJobScreen(FormScreen):
    """Asks for a plan file and makes a job of it."""

    LABELS = ("Path of the plan file: what is in the vehicle, the probe and the multimeter.",)

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return "levelset · new job", ""

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("enter", "make the job"), ("esc", "back"), ("ctrl+q", "quit"), ("f1", "help")]

    def take(self, values: list[str]) -> None:
        """Make the job and go back to the list, which shows it."""
        if not values[0]:
            self.say("Type the path of a plan file, then press enter.")
            return
        try:
            path = Path(values[0]).expanduser()
            self.levelset.made = self.levelset.new_job(path)
        except LevelsetError as error:
            self.refuse(error)
        except RuntimeError as error:  # no such user's home
            self.say(f"{values[0]}: {error}. Type the whole path.")
        else:
            self.app.pop_screen()


class TracksScreen(FormScreen):
    """Asks for a folder and writes the tracks that a job asks for into it."""

    LABELS = ("Folder for the tracks, such as that of a USB stick for the vehicle's player.",)

    def __init__(self, job: JobSummary) -> None:
        super().__init__()
        self._job = job

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return f"{self._job.title} · tracks", ""

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [("enter", "write them"), ("esc", "back"), ("ctrl+q", "quit"), ("f1", "help")]

    def take(self, values: list[str]) -> None:
        """Write the tracks away from the screen: that may take a minute."""
        if not values[0]:
            self.say("Type the path of a folder, then press enter.")
            return
        try:
            folder = Path(values[0]).expanduser()
        except RuntimeError as error:  # no such user's home
            self.say(f"{values[0]}: {error}. Type the whole path.")
            return
        self.say("Writing the tracks: this may take a minute.")
        job = self._job.path
        self.aside(lambda: self.levelset.write_tracks(job, folder), self._written, "tracks")

    def _written(self, found: Sequence[Path] | LevelsetError) -> None:
        if isinstance(found, LevelsetError):
            self.refuse(found)
        else:
            self.say(f"Tracks written: {len(found) - 1}, and a sheet to print: {found[-1]}")


class Opened(Message):
    """An attempt to open a sound card has ended.

    Parameters
    ----------
    screen : MeasureScreen
        Who asked for it.
    found : Session or LevelsetError
        What came of it.
    """

    def __init__(self, screen: MeasureScreen, found: Session | LevelsetError) -> None:
        super().__init__()
        self.screen, self.found = screen, found


class MeasureScreen(FormScreen):
    """Asks for the sound card with which a recorded job is measured."""

    LABELS = (
        "Input device: a part of its name. Empty: the only one that can be used.",
        "Output device for levelset's own tones. Empty: none.",
        "Calibration from the store, by its name. Empty: calibrate in this job.",
    )

    def __init__(self, job: JobSummary) -> None:
        super().__init__()
        self._job = job
        self._opening = False
        self._devices: Sequence[str] = ("Looking for sound devices ...",)

    def body(self) -> ComposeResult:
        """Yield the lines to type, then the devices there are."""
        yield from super().body()
        yield Drawn(self._device_lines, classes="devices")

    def on_mount(self) -> None:
        """Look for the devices beside the screen."""
        super().on_mount()
        self.aside(self.levelset.list_devices, self._listed, "devices")

    def _listed(self, found: Sequence[str] | LevelsetError) -> None:
        if isinstance(found, LevelsetError):
            self._devices = (f"{found.what}: {found.todo}.",)
        else:
            self._devices = found or ("No sound device: plug in a sound interface.",)
        self.query_one(".devices", Drawn).refresh(layout=True)

    def _device_lines(self, width: int, _: int) -> list[str]:
        return ["", "Sound devices", *(f"  {one}"[:width] for one in self._devices)]

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return f"{self._job.title} · measure", self._job.state

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        return [
            ("enter", "next line, then open"),
            ("esc", "back"),
            ("ctrl+q", "quit"),
            ("f1", "help"),
        ]

    def take(self, values: list[str]) -> None:
        """Open the device away from the screen: that may take seconds."""
        if self._opening:
            return
        self._opening = True
        self.say("Opening the input.")
        app, path = self.levelset, self._job.path
        device, output, calibration = (value or None for value in values)

        def work() -> None:
            found: Session | LevelsetError
            app.wait_until_closed()
            try:
                found = app.open_live(path, device, output, calibration)
            except LevelsetError as error:
                found = error
            if not app.post_message(Opened(self, found)) and not isinstance(found, LevelsetError):
                found.close()

        self.app.run_worker(work, thread=True, group="open")

    def refuse(self, error: LevelsetError) -> None:
        """Show why it did not open; it can be tried again."""
        self._opening = False
        super().refuse(error)
