"""Design of a probe: five fields above, what comes of them below."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from levelset.errors import LevelsetError
from levelset.probe.design import ProbeDesign, design_probe
from levelset.probe.design_text import design_lines
from levelset.probe.mistakes import Mistake, consequences
from levelset.probe.requirement import LIMITS, TYPICAL, Requirement, Tips
from levelset.procedures.cautions import PROBE, TOUCH
from levelset.tui.entry import Entry
from levelset.tui.renderables.wording import number, wrapped
from levelset.tui.screens.base import Drawn, LevelScreen, Page

FIELDS = ("max_volts", "full_scale_v_peak", "input_impedance_ohm", "cable_pf")
SHOWN = {"ohm": (1e3, "kohm")}
"""Units in which a field is typed where its own gives long numbers, and their size."""
TIPS: tuple[tuple[Tips, str], ...] = (
    ("two", "two, on two inputs"),
    ("one", "one"),
    ("balanced", "two, on one balanced input"),
)
FIRST = "Type the largest voltage at a tip and the full scale of the input, each with enter."
LABEL = 25
NARROWEST = 58
"""Width of the page on the smallest screen, beside its scroll bar."""


class ProbeScreen(LevelScreen):
    """What the parts of a probe are, what it reads, and what every mistake does."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "field(1)", "next field", id="probe.next", priority=True),
        Binding("shift+tab", "field(-1)", "field before", id="probe.before", priority=True),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._values: dict[str, float] = {name: TYPICAL[name] for name in FIELDS if name in TYPICAL}
        self._tips = 0
        self._at = 0
        self._found: tuple[ProbeDesign, tuple[Mistake, ...]] | LevelsetError | None = None
        self._entry = self._fresh()

    def head(self) -> tuple[str, str]:
        """Return the head."""
        return "levelset · probe", "design"

    def body(self) -> ComposeResult:
        """Yield the fields, a line for what is wrong or to mind, and the page."""
        yield Drawn(lambda width, _: self.field_lines(width), id="fields")
        yield Drawn(lambda width, _: self.notice_lines(width), classes="notice")
        with Page(classes="body"):
            yield Drawn(lambda width, _: self.lines(width), id="text")

    def keys(self) -> list[tuple[str, str]]:
        """Return the keys."""
        now = [("space", "other tips")] if self._at == len(FIELDS) else []
        return [
            *now,
            ("enter", "next field"),
            ("up/down", "scroll"),
            ("esc", "back"),
            ("?", "help"),
        ]

    def on_mount(self) -> None:
        """Let the arrow keys scroll at once."""
        self.query_one("#text").styles.height = "auto"
        self.query_one(Page).focus()

    def field_lines(self, width: int) -> list[str]:
        """Return the fields; the one that is being filled shows its limits."""
        lines = []
        for index, name in enumerate(FIELDS):
            size, unit = _shown_in(name)
            value = self._values.get(name)
            if index == self._at:
                shown = (
                    "" if value is None or self._entry.text else f"{number(value / size)} {unit}   "
                )
                text = self._entry.line() if not shown else f"> {shown}({self._range()})"
            elif value is None:
                text = "  not given"
            else:
                guess = "   typical; see data sheet"
                text = (
                    f"  {number(value / size)} {unit}{guess if value == TYPICAL.get(name) else ''}"
                )
            lines.append(f"{LIMITS[name][0]:<{LABEL}}{text}"[:width])
        mark = ">" if self._at == len(FIELDS) else " "
        return [*lines, f"{'tips':<{LABEL}}{mark} {TIPS[self._tips][1]}"[:width]]

    def notice_lines(self, width: int) -> list[str]:
        """Return why a number did not count, else what to mind with every probe."""
        text = self._entry.error or f"{PROBE.title}. {TOUCH.title}."
        return ["", *wrapped(text, width)]

    def lines(self, width: int) -> list[str]:
        """Return the design, or why there is none."""
        found = self._found
        if found is None:
            return wrapped(FIRST, width)
        if isinstance(found, LevelsetError):
            what = f"There is no such probe: {found.what}."
            return [*wrapped(what, width), *wrapped(f"What to do: {found.todo}.", width)]
        design, mistakes = found
        need = design.requirement
        typical = (
            f"Taken as typical: corner of the input {number(need.coupling_hz)} Hz, its noise "
            f"{number(need.noise_dbfs)} dBFS; resistors for {number(need.resistor_v)} V and "
            f"{number(need.resistor_w)} W, in the ground lead "
            f"{number(TYPICAL['ground_lead_w'])} W; battery {number(TYPICAL['battery_v'])} V. "
            "levelset probe --help takes others."
        )
        page = design_lines(design, mistakes, (PROBE, TOUCH), max(width, NARROWEST))
        return [*page, "", *wrapped(typical, width)]

    def on_key(self, event: events.Key) -> None:
        """Fill the field."""
        if event.key == "enter":
            self.action_field(1)
        elif self._at == len(FIELDS):
            if event.key != "space":
                return
            self._tips = (self._tips + 1) % len(TIPS)
            self._changed()
        elif event.key == "backspace":
            self._entry = self._entry.erased()
        elif event.character is not None and event.character in "0123456789.,-":
            self._entry = self._entry.typed(event.character)
        else:
            return
        event.stop()
        self.redraw()

    def action_field(self, by: int) -> None:
        """Take what was typed and go to another field; a number that cannot be stays here."""
        if self._entry.text:
            value = self._entry.value()
            if isinstance(value, str):
                self._entry = self._entry.refused(value)
                self.redraw()
                return
            name = FIELDS[self._at]
            self._values[name] = value * _shown_in(name)[0]
            self._changed()
        self._at = (self._at + by) % (len(FIELDS) + 1)
        self._entry = self._fresh()
        self.redraw()

    def leave(self) -> None:
        """Go back to the jobs."""
        self.app.pop_screen()

    def redraw(self) -> None:
        """Draw the fields again; the page only where it has changed."""
        for drawn in self.query(Drawn):
            if drawn.id != "text":
                drawn.refresh(layout=True)

    def _changed(self) -> None:
        if len(self._values) < len(FIELDS):
            return
        need = {name: value for name, value in TYPICAL.items() if name in LIMITS} | self._values
        try:
            design = design_probe(Requirement(tips=TIPS[self._tips][0], **need))
            mistakes = consequences(design, TYPICAL["battery_v"], TYPICAL["ground_lead_w"])
            self._found = design, mistakes
        except LevelsetError as error:
            self._found = error
        self.query_one("#text", Drawn).refresh(layout=True)

    def _fresh(self) -> Entry:
        if self._at == len(FIELDS):
            return Entry(None, None)
        _, low, high, _ = LIMITS[FIELDS[self._at]]
        size, unit = _shown_in(FIELDS[self._at])
        return Entry(low / size, high / size, unit)

    def _range(self) -> str:
        low, high, unit = self._entry.low, self._entry.high, self._entry.unit
        assert low is not None
        assert high is not None
        return f"from {number(low)} to {number(high)} {unit}"


def _shown_in(name: str) -> tuple[float, str]:
    """Return size and name of the unit in which a field is typed."""
    unit = LIMITS[name][3]
    return SHOWN.get(unit, (1.0, unit))
