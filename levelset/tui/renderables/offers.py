"""A key for each offer: its own where it is a usual one, else a free letter of its label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from levelset.procedures.protocol import Offer

USUAL = {"accept_now": "a", "start_again": "r", "at_end": "x", "no_change": "s"}

TAKEN = frozenset("tpmewuyn")


def offer_keys(offers: Sequence[Offer]) -> list[tuple[str, Offer]]:
    """Return each offer with its key.

    Letters that move the levers of an invented vehicle, or answer a question, are never used.
    """
    used = set(TAKEN)
    keyed = []
    for offer in offers:
        letters = [USUAL.get(offer.word, ""), *offer.label.lower(), *"abcdfghijkloqrsuvxz"]
        key = next(c for c in letters if c.isascii() and c.isalpha() and c not in used)
        used.add(key)
        keyed.append((key, offer))
    return keyed
