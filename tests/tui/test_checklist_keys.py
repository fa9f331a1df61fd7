"""The checklist on the screen and in the plain terminal: one key an answer."""

from __future__ import annotations

import pytest
from tui_pilot import begin, check_golden, make_app, run_with, until
from tui_scenes import PLAN, Script, view

from levelset.cli.person import _answer, _lines
from levelset.procedures.checklist import checklist
from levelset.procedures.protocol import Acknowledge, Answer, Ask


def questions():
    """The first question of the list, its last choice one, and the first typed one."""
    procedure = checklist(PLAN)
    instruction = next(procedure)
    found = []
    while isinstance(instruction, Acknowledge | Ask):
        if isinstance(instruction, Ask):
            found.append(instruction)
        value = 3.2 if getattr(instruction, "answer", "") == "number" else "yes"
        instruction = procedure.send(Answer(value))
    return found


ASKED = questions()
TYPED = next(ask for ask in ASKED if ask.answer == "number")


def test_one_key_answers():
    asked = [ASKED[0], ASKED[1], ASKED[2], TYPED, TYPED, TYPED]
    views = [view(ask, None, "checklist", None, "nobody") for ask in asked]
    script = Script(views)
    app, _ = make_app(script)

    async def scenario(pilot):
        screen = await begin(pilot, views[0])
        check_golden(app, "checklist_80x24")
        await pilot.press("y")
        await until(pilot, lambda: screen._view is views[1], "the second question")
        await pilot.press("x", "a")
        await until(pilot, lambda: screen._view is views[2], "the third question")
        await pilot.press("b")
        await until(pilot, lambda: screen._view is views[3], "a resistance")
        check_golden(app, "resistance_80x24")
        await pilot.press(*"1,7", "enter")
        await until(pilot, lambda: screen._view is views[4], "another resistance")
        await pilot.press("o")
        await until(pilot, lambda: screen._view is views[5], "the last one")
        await pilot.press("s")
        await until(pilot, lambda: len(script.answers) == 6, "six answers")
        assert script.answers == ["yes", "absent", "back", 1.7, "open", "skipped"]

    run_with(app, scenario)


@pytest.mark.parametrize(
    ("ask", "line", "value"),
    [(ASKED[0], "y", "yes"), (ASKED[0], "A", "absent"), (TYPED, "o", "open"), (TYPED, "1,7", 1.7)],
)
def test_in_the_plain_terminal(ask, line, value):
    assert _answer(ask, line) == Answer(value)


def test_the_plain_terminal_says_what_can_be_answered():
    assert "y yes, n no" in " ".join(_lines(ASKED[0]))
    assert "is none of them" in _answer(ASKED[0], "q")
    assert "a number ohm, enter; or o over the range" in " ".join(_lines(TYPED))
    assert "no number" in _answer(TYPED, "q")
