"""The journal's bytes: chain, torn end, what is refused and what is kept."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from levelset.record.journal import (
    NO_LINE,
    decode_line,
    digest,
    encode_head,
    encode_line,
    scan,
)

TIME = "2031-05-04T09:30:00.000Z"


def lines(count: int) -> list[bytes]:
    made: list[bytes] = []
    for seq in range(1, count + 1):
        prev = hashlib.sha256(made[-1]).hexdigest() if made else "0" * 64
        made.append(encode_line(seq, TIME, "note", 1, {"text": f"n{seq}", "about": None}, prev))
    return made


def journal(made: list[bytes]) -> bytes:
    return b"".join(line + b"\n" for line in made)


def head(made: list[bytes], seq: int) -> bytes:
    return encode_head(seq, hashlib.sha256(made[seq - 1]).hexdigest())


def test_digest_of_the_published_example() -> None:
    # FIPS 180-4, SHA-256 example with the one-block message "abc" (NIST example values).
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest(b"abc") == expected


def test_a_whole_journal_has_no_fault() -> None:
    made = lines(5)
    found = scan(journal(made), head(made, 5))
    assert found.faults == ()
    assert [line.seq for line in found.lines] == [1, 2, 3, 4, 5]
    assert found.lines[0].prev == NO_LINE
    assert not found.unsealed
    assert found.torn == b""


def test_a_line_ahead_of_the_head_is_unsealed_and_two_are_a_fault() -> None:
    made = lines(5)
    found = scan(journal(made), head(made, 4))
    assert found.faults == ()
    assert found.unsealed
    (fault,) = scan(journal(made), head(made, 3)).faults
    assert fault.place == "head.json"
    assert "more than one line behind" in fault.what


def test_a_journal_behind_its_head_is_a_fault() -> None:
    made = lines(5)
    (fault,) = scan(journal(made[:4]), head(made, 5)).faults
    assert fault.place == "journal.jsonl line 4"
    assert "lines are lost" in fault.what


@pytest.mark.parametrize("cut", [1, 2, 40])
def test_an_unfinished_line_is_set_apart_unless_it_was_sealed(cut: int) -> None:
    made = lines(5)
    torn = journal(made)[:-cut]
    found = scan(torn, head(made, 4))
    assert found.faults == ()
    assert found.torn == torn[len(journal(made[:4])) :]
    assert len(found.lines) == 4
    assert scan(torn, head(made, 5)).faults != ()


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (b'{"seq":3', "truncated"),
        (b"", "truncated"),
        (b"\xff\xfe", "malformed"),
        (b"[1]", "Expected `object`"),
        (b'{"seq":3,"time":"","kind":"note","schema":1,"data":{}}', "prev"),
        (b'{"seq":"3","time":"","kind":"note","schema":1,"data":{},"prev":""}', "int"),
        (b'{"seq":3,"time":"","kind":"note","schema":1,"data":{"x":NaN},"prev":""}', "malformed"),
        (b'{"seq":3,"time":"","kind":"","schema":1,"data":{"x":1e999},"prev":""}', "range"),
        (b'{"seq":3,"time":"","kind":"","schema":1,"data":{},"prev":"","more":1}', "more"),
    ],
)
def test_a_bad_line_in_the_middle_is_damage_with_its_number(bad: bytes, reason: str) -> None:
    made = lines(5)
    found = scan(journal([*made[:2], bad, *made[3:]]), head(made, 5))
    (fault,) = found.faults
    assert fault.place == "journal.jsonl line 3"
    assert reason in fault.what
    assert [line.seq for line in found.lines] == [1, 2, 4, 5]


def test_a_line_made_up_between_others_is_found_by_its_successor() -> None:
    made = lines(5)
    forged = encode_line(3, TIME, "note", 1, {"text": "else", "about": None}, digest(made[1]))
    faults = scan(journal([*made[:2], forged, *made[3:]]), head(made, 5)).faults
    assert [fault.place for fault in faults] == ["journal.jsonl line 3"]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_not_a_number_is_never_written(value: float) -> None:
    with pytest.raises(ValueError, match=r"data.a\[1\].b"):
        encode_line(1, TIME, "note", 1, {"a": [1, {"b": value}]}, NO_LINE)


@pytest.mark.parametrize("value", [object(), {1: 2}, b"x", {1, 2}])
def test_what_json_cannot_say_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="data.a"):
        encode_line(1, TIME, "note", 1, {"a": value}, NO_LINE)


def test_lines_are_plain_json_with_numbers_that_come_back() -> None:
    data = {"text": "6.2 \u00b1 0.1 V\nnext", "x": [0.1, 1e-300, 1 / 3, 2**53, -0.0], "on": True}
    raw = encode_line(7, TIME, "note", 1, data, "a" * 64)
    assert b"\n" not in raw
    # The standard library's reader, not the one that wrote it.
    assert json.loads(raw)["data"] == data
    assert decode_line(raw).data == data
    assert decode_line(raw).sha256 == hashlib.sha256(raw).hexdigest()


CHAIN = r"""
set -eu
cd "$1"
prev=0000000000000000000000000000000000000000000000000000000000000000
count=0
while IFS= read -r line; do
    count=$((count + 1))
    test "$(printf '%s' "$line" | jq -r .prev)" = "$prev"
    test "$(printf '%s' "$line" | jq -r .seq)" = "$count"
    prev=$(printf '%s' "$line" | sha256sum | cut -d' ' -f1)
done < journal.jsonl
test "$(jq -r .sha256 head.json)" = "$prev"
test "$(jq -r .seq head.json)" = "$count"
for name in $(jq -r 'select(.kind == "reading") | .data.capture' journal.jsonl); do
    test "$(sha256sum < "captures/$name.flac" | cut -d' ' -f1)" = "$name"
done
echo "$count"
"""


@pytest.mark.outside
def test_the_chain_holds_by_shell_tools_alone(
    job_path: Path, outside_program: Callable[[str], str]
) -> None:
    # GNU coreutils' sha256sum and jq: nothing of the project takes part.
    for program in ("jq", "sha256sum", "bash"):
        outside_program(program)
    command = ["bash", "-c", CHAIN, "chain", str(job_path)]
    counted = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert int(counted) == (job_path / "journal.jsonl").read_bytes().count(b"\n")
    data = (job_path / "journal.jsonl").read_bytes().replace(b"Ground first.", b"Ground last..")
    (job_path / "journal.jsonl").write_bytes(data)
    assert subprocess.run(command, check=False, capture_output=True).returncode != 0
