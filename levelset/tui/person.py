"""The person at the terminal, as the engine meets them from its own thread."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from textual.message import Message

from levelset.procedures.protocol import Accept, Answer, Finish, Instruction, Listen

if TYPE_CHECKING:
    from levelset.procedures.protocol import Person, View


class Seen(Message):
    """There is something new to look at."""

    def __init__(self, view: View) -> None:
        super().__init__()
        self.view = view

    def can_replace(self, message: Message) -> bool:
        """Let a newer view supersede this one, unless this one is an event of its own."""
        return isinstance(message, Seen) and not isinstance(self.view.instruction, Accept | Finish)


class ScreenPerson:
    """Passes views to the screen, and what the person says to the engine.

    ``see``, ``answer`` and ``wants_to_stop`` are called by the engine's thread; everything else
    by the screen's. Nothing here waits for the other side.

    Parameters
    ----------
    post : callable
        Posts a message to the screen; safe from any thread.
    hands : Person or None
        Simulated hands that act instead of the person while they are watched.
    """

    def __init__(self, post: Callable[[Message], object], hands: Person | None = None) -> None:
        self._post = post
        self._hands = hands
        self._watching = threading.Event()
        self._catch_up = threading.Event()
        self._stop = threading.Event()
        self._said: queue.SimpleQueue[tuple[Instruction, Answer]] = queue.SimpleQueue()

    # The engine's side.

    def see(self, view: View) -> None:
        """Show a view."""
        self._post(Seen(view))
        if self._hands is not None and self._watching.is_set():
            self._catch_up.clear()
            self._hands.see(view)

    def glimpse(self, view: View) -> None:
        """Show a view between two readings; simulated hands go by the readings alone."""
        self._post(Seen(view))

    def answer(self, view: View) -> Answer | None:
        """Return what the person said to this instruction, if anything.

        An answer belongs to the instruction that was on the screen: a key pressed twice must not
        acknowledge a caution that nobody has read.
        """
        while True:
            try:
                meant, answer = self._said.get_nowait()
            except queue.Empty:
                break
            if _fits(meant, answer, view.instruction):
                return answer
        if self._hands is None or not self._watching.is_set():
            return None
        if self._catch_up.is_set():
            self._catch_up.clear()
            self._hands.see(view)
        return self._hands.answer(view)

    def wants_to_stop(self) -> bool:
        """Return True once the person wants to leave."""
        return self._stop.is_set()

    # The screen's side.

    def say(self, instruction: Instruction, answer: Answer) -> None:
        """Answer an instruction that is on the screen."""
        self._said.put((instruction, answer))

    def stop(self) -> None:
        """Leave: the engine silences its tone and ends the procedure."""
        self._stop.set()

    @property
    def has_hands(self) -> bool:
        """Whether there are simulated hands."""
        return self._hands is not None

    @property
    def watching(self) -> bool:
        """Whether the simulated hands act."""
        return self._watching.is_set()

    def watch_hands(self, on: bool) -> None:
        """Let the simulated hands act, or take over from them."""
        if on and self._hands is not None:
            self._catch_up.set()
            self._watching.set()
        else:
            self._watching.clear()


def _fits(meant: Instruction, answer: Answer, now: Instruction) -> bool:
    """Whether an answer to one instruction is one to the instruction in force.

    While levelset listens, each reading brings a new instruction; an offer outlives that.
    """
    if isinstance(meant, Listen) and isinstance(now, Listen):
        return any(offer.word == answer.value for offer in now.offers)
    return meant is now
