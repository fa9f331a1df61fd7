"""Answers cross from the screen to the engine, each to the instruction it was meant for."""

import pytest
from tui_scenes import CAUTION, CLEAN, METER, NOTHING, OWN_TONE, PLACE, YES_NO, view

from levelset.procedures.protocol import Answer, Finish
from levelset.tui.entry import Entry
from levelset.tui.person import ScreenPerson, Seen


class Watched:
    """Hands that note what they are asked."""

    def __init__(self):
        self.seen, self.asked = [], []

    def see(self, one):
        self.seen.append(one)

    def answer(self, one):
        self.asked.append(one)
        return Answer("done")

    def wants_to_stop(self):
        return False


def test_an_answer_belongs_to_its_instruction():
    posted = []
    person = ScreenPerson(posted.append)
    person.see(CAUTION)
    assert posted[0].view is CAUTION
    assert person.answer(CAUTION) is None
    person.say(CAUTION.instruction, Answer("yes"))
    person.say(CAUTION.instruction, Answer("yes"))
    assert person.answer(CAUTION) == Answer("yes")
    # The second press of a key does not answer what came after.
    assert person.answer(PLACE) is None
    assert person.answer(CAUTION) is None


def test_an_offer_outlives_the_reading_it_was_shown_with():
    person = ScreenPerson(lambda _: None)
    person.say(CLEAN.instruction, Answer("at_end"))
    assert person.answer(OWN_TONE) == Answer("at_end")
    person.say(CLEAN.instruction, Answer("at_end"))
    assert person.answer(NOTHING) is None, "it is no longer offered"
    person.say(CLEAN.instruction, Answer("at_end"))
    assert person.answer(YES_NO) is None


def test_stop_is_seen():
    person = ScreenPerson(lambda _: None)
    assert not person.wants_to_stop()
    person.stop()
    assert person.wants_to_stop()


def test_hands_act_while_they_are_watched_and_catch_up_first():
    hands = Watched()
    person = ScreenPerson(lambda _: None, hands)
    person.see(PLACE)
    assert person.answer(PLACE) is None
    assert not hands.seen
    person.watch_hands(True)
    assert person.answer(PLACE) == Answer("done")
    assert hands.seen == [PLACE]
    person.see(METER)
    assert hands.seen == [PLACE, METER]
    person.watch_hands(False)
    assert person.answer(METER) is None
    assert len(hands.asked) == 1


def test_without_hands_there_is_nothing_to_watch():
    person = ScreenPerson(lambda _: None)
    person.watch_hands(True)
    assert not person.watching
    assert person.answer(PLACE) is None


def test_only_the_newest_view_is_drawn_but_no_end_is_lost():
    newer = Seen(CLEAN)
    assert Seen(PLACE).can_replace(newer)
    assert not Seen(view(Finish("accepted", "done", {}))).can_replace(newer)


def typed(text, low=0.0, high=40.0):
    entry = Entry(low, high, "V")
    for character in text:
        entry = entry.typed(character)
    return entry


@pytest.mark.parametrize(
    ("text", "value"), [("12.3", 12.3), ("12,3", 12.3), ("0", 0.0), ("40", 40.0), (",5", 0.5)]
)
def test_numbers_with_comma_or_point(text, value):
    assert typed(text).value() == value


@pytest.mark.parametrize("text", ["", "-", ".", "41", "-1", "999999999999"])
def test_no_number_or_out_of_bounds_says_what_to_type(text):
    found = typed(text).value()
    assert isinstance(found, str)
    assert "from 0 to 40 V" in found


def test_what_is_no_part_of_a_number_is_ignored():
    assert typed("1x2..3,4-").text == "12.34"
    assert typed("1" * 50).text == "1" * 12
    assert typed("٣").text == ""
    assert typed("12").erased().text == "1"
    assert typed("").erased().text == ""
