"""Which readings a check of the known voltage leaves unconfirmed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from levelset.record.journal import Line


def unconfirmed_readings(lines: Sequence[Line]) -> tuple[int, ...]:
    """Return the sequence numbers of the readings whose scale may have moved.

    Parameters
    ----------
    lines : sequence of Line
        The journal, in order.

    Returns
    -------
    tuple of int
        Readings with a failed check of their calibration after them and none that held. The
        reading of the failed check itself is not among them: it is the evidence.
    """
    found: list[int] = []
    for calibration_seq in {line.data.get("calibration_seq") for line in _checks(lines)}:
        checks = [c for c in _checks(lines) if c.data.get("calibration_seq") == calibration_seq]
        held = max((c.seq for c in checks if c.data.get("confirmed") is True), default=0)
        failed = [c for c in checks if c.data.get("confirmed") is False and c.seq > held]
        if not failed:
            continue
        evidence = {c.data.get("end_seq") for c in failed}
        found += [
            line.seq
            for line in lines
            if line.kind in ("reading", "touch")
            and held < line.seq < failed[-1].seq
            and line.data.get("calibration_seq") == calibration_seq
            and line.seq not in evidence
        ]
    return tuple(sorted(found))


def unconfirmed_note(seqs: Sequence[int]) -> str:
    """Return what a page says about unconfirmed readings, one or more."""
    names = ", ".join(str(seq) for seq in seqs)
    what = "reading" if len(seqs) == 1 else "readings"
    return (
        f"unconfirmed {what} seq {names}: the known voltage had changed at the end; calibrate "
        "again and repeat"
    )


def _checks(lines: Iterable[Line]) -> list[Line]:
    return [line for line in lines if line.kind == "probe_check"]
