"""Draws docs/terminal.svg: the procedure screen during a demonstration on the invented car.

    python docs/make_terminal_picture.py

The simulated hands do the whole job without waiting; the picture shows one view of it, chosen
while the gain is turned up. Nothing in it is a real vehicle or product.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from pathlib import Path

from levelset.procedures.protocol import Answer, Listen, Person, View
from levelset.session import open_demo_session
from levelset.tui.app import LevelsetApp
from levelset.tui.person import ScreenPerson
from levelset.tui.screens.procedure import ProcedureScreen

SIZE = (92, 25)
TARGET = Path(__file__).parent / "terminal.svg"


class Onlooker:
    """Lets the hands work and keeps every view."""

    def __init__(self, hands: Person) -> None:
        self._hands = hands
        self.views: list[View] = []

    def see(self, view: View) -> None:
        """Keep a view."""
        self.views.append(view)
        self._hands.see(view)

    def answer(self, view: View) -> Answer | None:
        """Answer as the hands do."""
        return self._hands.answer(view)

    def wants_to_stop(self) -> bool:
        """Stay to the end."""
        return False


def chosen(views: list[View]) -> View:
    """Return the view of the gain that is nearest to 0.3 dB below its target."""

    def distance(view: View) -> float:
        listen = view.instruction
        if view.procedure != "gain" or not isinstance(listen, Listen):
            return float("inf")
        if view.reading is None or view.reading.output.tone.picture is None:
            return float("inf")
        if listen.guidance.direction != "up" or listen.guidance.to_go_db is None:
            return float("inf")
        return abs(listen.guidance.to_go_db - 0.3)

    return min(views, key=distance)


def plain(svg: str) -> str:
    """Return the picture without window buttons, in the reader's own font: it fetches nothing."""
    svg = re.sub(r"<circle [^>]*/>", "", svg)
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)
    return svg.replace("Fira Code, monospace", "monospace")


async def draw() -> None:
    """Run the job, show the view, write the picture."""
    with tempfile.TemporaryDirectory() as folder:
        session = open_demo_session(None, Path(folder), seed=1, fast=True)
        if session.hands is None:
            raise SystemExit("the demonstration has no hands")
        onlooker = Onlooker(session.hands)
        try:
            session.run(onlooker)
        finally:
            session.close()
        session.levers = None
        app = LevelsetApp(
            open_demo=lambda: session,
            list_jobs=list,
            new_job=lambda plan: plan,
            new_job_of_text=Path,
            open_live=lambda *_: session,
            charset="braille",
        )
        async with app.run_test(size=SIZE) as pilot:
            screen = ProcedureScreen(session, ScreenPerson(app.post_message))
            await app.push_screen(screen)
            screen.show(chosen(onlooker.views))
            await pilot.pause()
            picture = app.export_screenshot(title="levelset demo (invented car)")
    TARGET.write_text(plain(picture), encoding="utf-8")


if __name__ == "__main__":
    asyncio.run(draw())
