"""The schema of the journal is documented as it is, and its versions say when it changed."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from record_jobs import read_stand_in

from levelset.record.attachments import attach, remove_attachment
from levelset.record.job import Job
from levelset.record.schema import KINDS
from levelset.record.schema_docs import journal_schema, made
from levelset.record.verification import verify_job

DOCS = Path(__file__).parents[2] / "docs"
FIRST = Path(__file__).parent / "jobs" / "first-version"
FIRST_KINDS = Path(__file__).parent / "jobs" / "first-version-kinds.json"


def test_the_documents_are_up_to_date() -> None:
    for path, content in made(DOCS).items():
        assert path.read_text(encoding="utf-8") == content, (
            f"{path.name}: run python -m levelset.record.schema_docs docs"
        )


def shape(schema: Any, parts: dict[str, Any]) -> Any:
    """Return a schema without words, names and references."""
    if isinstance(schema, dict):
        if "$ref" in schema:
            return shape(parts[schema["$ref"].rpartition("/")[2]], parts)
        return {
            key: shape(item, parts)
            for key, item in schema.items()
            if key not in ("title", "description", "default")
        }
    return [shape(item, parts) for item in schema] if isinstance(schema, list) else schema


@pytest.mark.parametrize("kind", json.loads(FIRST_KINDS.read_text("utf-8"))["kinds"])
def test_a_kind_whose_data_changed_has_another_version(kind: str) -> None:
    first = json.loads(FIRST_KINDS.read_text("utf-8"))
    version, old = first["kinds"][kind]
    now = journal_schema()
    (line,) = [one for one in now["oneOf"] if one["properties"]["kind"] == {"const": kind}]
    same = shape(line["properties"]["data"], now["$defs"]) == shape(old, first["$defs"])
    assert same == (KINDS[kind][0] == version), (
        f"{kind}: raise its version in record/schema.py when its data change"
    )


def fits(value: Any, schema: dict[str, Any], parts: dict[str, Any]) -> bool:
    """Tell whether a value fits the words of JSON Schema 2020-12 that the schema uses."""
    if "$ref" in schema:
        return fits(value, parts[schema["$ref"].rpartition("/")[2]], parts)
    if "anyOf" in schema:
        return any(fits(value, one, parts) for one in schema["anyOf"])
    if "oneOf" in schema:
        return sum(fits(value, one, parts) for one in schema["oneOf"]) == 1
    kinds = {
        "object": dict, "array": list, "string": str, "boolean": bool, "null": type(None),
        "integer": int, "number": (int, float),
    }  # fmt: skip
    names = schema.get("type", [])
    for name in [names] if isinstance(names, str) else names[:1]:
        if not isinstance(value, kinds[name]):
            return False
        if isinstance(value, bool) and name != "boolean":
            return False
    checks = [
        "const" not in schema or value == schema["const"],
        "enum" not in schema or value in schema["enum"],
        "not" not in schema or not fits(value, schema["not"], parts),
    ]
    if isinstance(value, int | float) and not isinstance(value, bool):
        checks.append(schema.get("minimum", value) <= value <= schema.get("maximum", value))
    if isinstance(value, str):
        checks.append(re.search(schema.get("pattern", ""), value) is not None)
    if isinstance(value, dict):
        known = schema.get("properties", {})
        rest = schema.get("additionalProperties", True)
        checks.append(set(schema.get("required", ())) <= set(value))
        for name, item in value.items():
            if name in known:
                checks.append(fits(item, known[name], parts))
            else:
                checks.append(rest if isinstance(rest, bool) else fits(item, rest, parts))
    if isinstance(value, list):
        first = schema.get("prefixItems", [])
        checks.append(schema.get("minItems", 0) <= len(value))
        checks.append(len(value) <= schema.get("maxItems", len(value)))
        checks += [fits(item, one, parts) for item, one in zip(value, first, strict=False)]
        items = schema.get("items", True)
        if isinstance(items, dict):
            checks += [fits(item, items, parts) for item in value[len(first) :]]
    return all(checks)


def test_the_lines_of_a_real_job_fit_and_others_do_not() -> None:
    schema = json.loads((DOCS / "journal-schema.json").read_text("utf-8"))
    lines = [json.loads(raw) for raw in (FIRST / "journal.jsonl").read_bytes().splitlines()]
    for line in lines:
        assert fits(line, schema, schema["$defs"]), line["seq"]
    for change in (
        lambda line: line.pop("prev"),
        lambda line: line.update(seq=0),
        lambda line: line.update(prev="x"),
        lambda line: line.update(more=1),
        lambda line: line.update(schema=99),
        lambda line: line["data"].update(more=1),
        lambda line: line["data"].update(title=7),
        lambda line: line["data"]["plan"].pop("vehicle"),
    ):
        line = json.loads(json.dumps(lines[0]))
        change(line)
        assert not fits(line, schema, schema["$defs"])
    assert fits({**lines[0], "kind": "weather", "schema": 9}, schema, schema["$defs"])


def shell_of_the_documents() -> str:
    (block,) = re.findall(r"```sh\n(prev=.*?)```", (DOCS / "record.md").read_text("utf-8"), re.S)
    return str(block)


@pytest.mark.outside
@pytest.mark.parametrize(
    "harm", ["", "journal", "order", "head", "capture", "lost capture", "photograph"]
)
def test_the_shell_of_the_documents_finds_what_verify_finds(
    job_path: Path, tmp_path: Path, outside_program: Callable[[str], str], harm: str
) -> None:
    # GNU coreutils' sha256sum and jq: nothing of the project takes part.
    for program in ("jq", "sha256sum", "bash"):
        outside_program(program)
    (tmp_path / "p.png").write_bytes(PNG)
    (tmp_path / "q.png").write_bytes(PNG[:33] + GAMMA + PNG[33:])
    with Job.open(job_path, writable=True) as job:
        attach(job, tmp_path / "p.png")
        gone = attach(job, tmp_path / "q.png")
        remove_attachment(job, gone)
    journal, head = job_path / "journal.jsonl", job_path / "head.json"
    capture = sorted((job_path / "captures").iterdir())[1]
    match harm:
        case "journal":
            journal.write_bytes(journal.read_bytes().replace(b"Ground first", b"Ground never"))
        case "order":
            lines = journal.read_bytes().splitlines(keepends=True)
            journal.write_bytes(b"".join([lines[0], lines[2], lines[1], *lines[3:]]))
        case "head":
            head.write_bytes(head.read_bytes().replace(b'"seq":1', b'"seq":2'))
        case "capture":
            capture.write_bytes(capture.read_bytes() + b"x")
        case "lost capture":
            capture.unlink()
        case "photograph":
            (photo,) = (job_path / "attachments").iterdir()
            photo.write_bytes(photo.read_bytes() + b"x")
    done = subprocess.run(
        ["bash", "-c", shell_of_the_documents()], cwd=job_path, capture_output=True, text=True
    )
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok == (harm == ""), answer.first_fault
    assert (done.returncode == 0) == (harm == ""), done.stdout + done.stderr
    if not harm:
        assert f"holds: {answer.lines} lines, newest {answer.head_sha256}" in done.stdout


PNG = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0:~\x9bU"
    b"\0\0\0\nIDATx\x9cc`\0\0\0\x02\0\x01H\xaf\xa4q\0\0\0\0IEND\xaeB`\x82"
)
GAMMA = b"\0\0\0\x04gAMA\0\0\xb1\x8f\x0b\xfca\x05"
