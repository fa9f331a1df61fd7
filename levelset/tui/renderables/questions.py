"""What is asked, and what is warned of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.procedures.facts import DONE
from levelset.tui.renderables.wording import OUTCOMES, act_lines, procedure_words, wrapped

if TYPE_CHECKING:
    from levelset.procedures.cautions import Caution
    from levelset.procedures.protocol import Ask, Finish
    from levelset.tui.entry import Entry


def ask_lines(ask: Ask, entry: Entry, before: str, width: int) -> list[str]:
    """Return where things go, how to answer, and what came of the step before.

    Parameters
    ----------
    ask : Ask
        The question; its sentence is shown above.
    entry : Entry
        The number typed so far, for a question about a number.
    before : str
        What came of the procedure before; empty for none.
    width : int
        Longest line.
    """
    if ask.shows_reading:
        return ["enter  go on"]
    lines = [f"  {line}"[:width] for line in act_lines(ask.act)]
    match ask.answer:
        case "number":
            lines += ["", entry.line()[:width]]
            lines += wrapped(entry.error, width) if entry.error else []
            lines += _choice_lines(ask, width)
        case "choice":
            lines += [*_choice_lines(ask, width), *_refused(entry, width)]
        case "yes_no":
            lines += ["", "y  yes", "n  no", *_refused(entry, width)]
        case _:
            lines += ["", "enter  when it is done"]
    if before:
        lines += ["", *wrapped(f"Before: {before}", width)]
    return lines


def _refused(entry: Entry, width: int) -> list[str]:
    return ["", *wrapped(entry.error, width)] if entry.error else []


def _choice_lines(ask: Ask, width: int) -> list[str]:
    rows = [f"{one.key}  {one.label}"[:width] for one in ask.choices]
    return ["", *rows] if rows else []


def ended(procedure: str, end: Finish) -> str:
    """Return what came of a step; one that did not succeed is named."""
    if end.outcome in DONE:
        return end.sentence
    return f"{OUTCOMES[end.outcome]}, {procedure_words(procedure)}: {end.sentence}"


def caution_lines(caution: Caution, before: str, width: int, height: int = 0) -> list[str]:
    """Return the hazard, what to do, how to acknowledge it, and what came of the step before.

    What came of the step before gives way where it does not fit into ``height`` lines, which 0
    leaves open: it is said again with the next question.
    """
    lines = [
        caution.title.upper(),
        "",
        *wrapped(caution.text, width),
        "",
        "enter  I have read this and done it",
    ]
    said = ["", *wrapped(f"Before: {before}", width)] if before else []
    return [*lines, *said] if not height or len(lines) + len(said) <= height else lines
