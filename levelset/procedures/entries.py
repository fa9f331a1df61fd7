"""The journal lines that procedures write, as JSON values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.probe.kinds import kind_of
from levelset.record.schema import to_data

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.known_voltage import ProbeCheck
    from levelset.procedures.cautions import Caution
    from levelset.procedures.protocol import Accept, Answer, Ask


def caution(procedure: str, channel: str | None, caution: Caution) -> dict[str, Any]:
    """Return the line for an acknowledged caution."""
    return {"procedure": procedure, "channel": channel, "key": caution.key, "text": caution.text}


def answer(procedure: str, channel: str | None, ask: Ask, answer: Answer) -> dict[str, Any]:
    """Return the line for an answered question."""
    return {
        "procedure": procedure,
        "channel": channel,
        "question": ask.sentence,
        "value": answer.value,
        "unit": ask.unit,
    }


def tone(who: str, name: str | None, level_dbfs: float | None) -> dict[str, Any]:
    """Return the line for a tone that starts or ends."""
    return {"from": who, "name": name, "level_dbfs": level_dbfs}


def reading(
    procedure: str,
    channel: str | None,
    accept: Accept,
    capture: str,
    calibration_seq: int | None,
) -> dict[str, Any]:
    """Return the line for an accepted reading of any kind with the hash of its capture."""
    taken = accept.reading
    return {
        "procedure": procedure,
        "channel": channel,
        "as_what": accept.as_what,
        "frames": to_data(taken.frames),
        "spec": to_data(taken.spec),
        "calibration_seq": calibration_seq,
        "capture": capture,
        "readings": kind_of(taken.spec).parts(taken),
        "details": accept.details,
    }


def calibration(calibration: Calibration) -> dict[str, Any]:
    """Return the line for a calibration."""
    return to_data(calibration)


def probe_check(check: ProbeCheck, calibration_seq: int) -> dict[str, Any]:
    """Return the line for a known voltage that was read again."""
    return {
        "calibration_seq": calibration_seq,
        "start_seq": check.start_seq,
        "end_seq": check.end_seq,
        "change_percent": [tip.change_percent.as_json() for tip in check.tips],
        "confirmed": check.confirmed,
        "text": check.sentence,
    }
