"""What the steps of a job have established so far; derived from their results alone.

A job that is taken up again builds the same facts from its record, so that a procedure never
knows whether the step before it ran a minute or a week ago.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from levelset.probe.calibration import Calibration
from levelset.probe.reading import OutputKind
from levelset.procedures.protocol import OutcomeWord

DONE: tuple[OutcomeWord, ...] = ("accepted", "limited")


@dataclass(frozen=True, slots=True)
class StepResult:
    """How one procedure ended.

    Parameters
    ----------
    procedure : str
        Contract name.
    channel : str or None
        Amplifier channel, None for the source or the whole system.
    outcome : OutcomeWord
        How it ended.
    sentence : str
        The same for a person.
    result : dict
        JSON values.
    cautions : tuple of str
        Keys of the cautions that were acknowledged.
    """

    procedure: str
    channel: str | None
    outcome: OutcomeWord
    sentence: str
    result: dict[str, Any]
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the step in the form of ``demo --hands-free --json`` and of the record."""
        return {
            "procedure": self.procedure,
            "channel": self.channel,
            "outcome": self.outcome,
            "sentence": self.sentence,
            "result": self.result,
            "cautions": list(self.cautions),
        }


class Facts:
    """What is known, the newest step of each kind counting.

    Parameters
    ----------
    calibration : Calibration or None
        The calibration in use.
    steps : iterable of StepResult
        Steps in the order in which they ended.
    engine_runs : bool
        Whether the person has started the engine since the job was opened.
    """

    def __init__(
        self,
        calibration: Calibration | None,
        steps: Iterable[StepResult],
        *,
        engine_runs: bool = False,
    ) -> None:
        self.calibration = calibration
        self.engine_runs = engine_runs
        self._results: dict[tuple[str, str | None], StepResult] = {}
        for step in steps:
            if step.outcome in DONE:
                self._results[step.procedure, step.channel] = step
            else:
                self._results.pop((step.procedure, step.channel), None)

    def result(self, procedure: str, channel: str | None) -> dict[str, Any] | None:
        """Return the result of the newest step of this kind if it is done, else None."""
        step = self._results.get((procedure, channel))
        return None if step is None else step.result

    def output_kind(self, channel: str | None) -> OutputKind:
        """Return the measured kind of output of a channel, or of the source for None."""
        result = self.result("output_kind", channel)
        kind: OutputKind = "unknown" if result is None else result["kind"]
        return kind
