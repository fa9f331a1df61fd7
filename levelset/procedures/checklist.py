"""The checklist: yes, no, not there or not looked at; resistances typed in and compared."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, cast

from levelset.plan.checklist import (
    ITEMS,
    LEAST_TO_CHASSIS_OHM,
    SOURCE_KIND_FINDINGS,
    SOURCE_KIND_WORDS,
)
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.plan.load import net_load_ohm
from levelset.plan.resistance import judge_resistance
from levelset.procedures import cautions
from levelset.procedures.common import Steps
from levelset.procedures.protocol import Acknowledge, Act, Answer, Ask, Choice, Finish, Procedure

SKIP = Choice("s", "skipped", "not looked at")
BACK = Choice("b", "back", "the question before")
REST = Choice("r", "rest", "none of the rest looked at")
YES_NO = (
    Choice("y", "yes", "yes"),
    Choice("n", "no", "no"),
    Choice("a", "absent", "there is no such thing"),
    SKIP,
    BACK,
    REST,
)
RESISTANCE = (Choice("o", "open", "over the range: open"), SKIP, BACK, REST)
SOURCE_KINDS = (
    *(
        Choice(key, word, SOURCE_KIND_WORDS[word])
        for key, word in zip("123456", SOURCE_KIND_WORDS, strict=True)
    ),
    SKIP,
    BACK,
    REST,
)


@dataclass(frozen=True, slots=True)
class _Question:
    """A question of the list; `key` and `channel` say where its answer belongs."""

    key: str
    group: str
    text: str
    act: Act
    channel: str | None = None
    choices: tuple[Choice, ...] = YES_NO
    typed: bool = False


_Answers = dict[tuple[str, str | None], str | float]
"""What was answered, by question and channel."""


def checklist(plan: JobPlan) -> Procedure:
    """Go through the list, one key an answer.

    Every answer can be corrected by going back, and the list can be left: what nobody looked at is
    on record as that.
    """
    yield Acknowledge(cautions.CHECKLIST)
    questions = _questions(plan)
    answers: _Answers = yield from _ask_all(questions)
    result = _result(questions, answers, plan)
    looked_at = sum(value != "skipped" for value in answers.values())
    sentence = f"{looked_at} of {len(questions)} looked at."
    if result["skipped"] and looked_at:
        sentence += f" Not looked at: {', '.join(result['skipped']).replace('_', ' ')}."
    findings = result["findings"]
    if findings:
        sentence += " " + " ".join(finding["sentence"] for finding in findings)
    yield Finish("limited" if findings or not looked_at else "accepted", sentence, result)


def _questions(plan: JobPlan) -> list[_Question]:
    def listed(*groups: str) -> list[_Question]:
        return [
            _Question(item.key, item.group, item.question, Act("inspect", item=item.key))
            for item in ITEMS
            if item.group in groups
        ]

    found = [
        *listed("amplifier"),
        *listed("source"),
        _Question(
            "source_kind",
            "source",
            "How does the source give out its signal, as far as the manual says?",
            Act("inspect", item="source_kind"),
            choices=SOURCE_KINDS,
        ),
    ]
    for channel in plan.channels:
        found.append(
            _Question(
                "resistance",
                "loads, amplifier off and wires loose",
                f"DC resistance across the loudspeaker wires of {channel.name} "
                f"({channel.load} ohm)?",
                Act("read_ohm_meter", channel=channel.name),
                channel.name,
                RESISTANCE,
                typed=True,
            )
        )
        found.append(
            _Question(
                "chassis",
                "loads, amplifier off and wires loose",
                f"From either wire of {channel.name} to chassis: more than 1 Mohm?",
                Act("inspect", item="chassis", channel=channel.name),
                channel.name,
            )
        )
    return [*found, *listed("loads"), *listed("feed")]


def _ask_all(questions: list[_Question]) -> Steps:
    """Ask and return the answers."""
    answers: _Answers = {}
    at = 0
    while at < len(questions):
        question = questions[at]
        answer: Answer = yield Ask(
            f"{at + 1} of {len(questions)} · {question.group}: {question.text}",
            question.act,
            "number" if question.typed else "choice",
            unit="ohm" if question.typed else "",
            low=0.0 if question.typed else None,
            choices=question.choices,
        )
        if answer.value == BACK.word:
            at = max(0, at - 1)
            continue
        if answer.value == REST.word:
            answers.update({(left.key, left.channel): "skipped" for left in questions[at:]})
            break
        answers[question.key, question.channel] = answer.value
        at += 1
    return answers


def _result(questions: list[_Question], answers: _Answers, plan: JobPlan) -> dict[str, Any]:
    findings: list[dict[str, Any]] = []

    def found(key: str, channel: str | None, sentence: str) -> None:
        findings.append({"item": key, "channel": channel, "sentence": sentence})

    for item in ITEMS:
        if answers.get((item.key, None)) == "no":
            found(item.key, None, item.otherwise)
    kind = answers.get(("source_kind", None), "skipped")
    if kind in SOURCE_KIND_FINDINGS:
        found("source_kind", None, SOURCE_KIND_FINDINGS[kind])
    planned = plan.source.kind
    if planned is not None and kind not in ("skipped", planned):
        words = SOURCE_KIND_WORDS[cast(str, kind)], SOURCE_KIND_WORDS[planned]
        found("source_kind", None, f"The source is {words[0]}; the plan says {words[1]}.")
    resistances = {}
    for channel in plan.channels:
        row = _resistance(channel, answers.get(("resistance", channel.name), "skipped"))
        resistances[channel.name] = row
        if row["verdict"] in ("contradicts", "unclear"):
            found("resistance", channel.name, row["sentence"])
        if answers.get(("chassis", channel.name)) == "no":
            found(
                "chassis",
                channel.name,
                f"A wire of {channel.name} has less than {LEAST_TO_CHASSIS_OHM / 1e6:g} Mohm to "
                "chassis: find where it chafes before anything is switched on.",
            )
    return {
        "answers": {item.key: answers.get((item.key, None), "skipped") for item in ITEMS},
        "source_kind": kind,
        "resistances": resistances,
        "to_chassis": {c.name: answers.get(("chassis", c.name), "skipped") for c in plan.channels},
        "findings": findings,
        "skipped": [
            q.key if q.channel is None else f"{q.key} of {q.channel}"
            for q in questions
            if answers.get((q.key, q.channel)) == "skipped"
        ],
    }


def _resistance(channel: ChannelPlan, answer: str | float) -> dict[str, Any]:
    planned_ohm = net_load_ohm(channel.load)
    row = {"load": channel.load, "net_load_ohm": planned_ohm, "typed": True}
    if answer == "skipped":
        return {**row, "ohm": None, "verdict": "skipped", "reads_like": None, "sentence": ""}
    ohm = math.inf if answer == "open" else float(answer)
    found = judge_resistance(channel.load, ohm)
    return {
        **row,
        "ohm": None if math.isinf(ohm) else ohm,
        "verdict": found.verdict,
        "reads_like": found.reads_like,
        "sentence": f"{channel.name}: {found.sentence}",
    }
