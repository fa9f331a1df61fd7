"""The schema of the journal for other programs and for people, made from its one definition.

``python -m levelset.record.schema_docs DOCS`` writes ``journal-schema.json`` in the folder and the
part of its ``record.md`` between the two marks.
"""

from __future__ import annotations

import inspect
import json
import re
import sys
from pathlib import Path
from typing import Any

import msgspec

from levelset.record.readings_csv import COLUMNS, MEASURED
from levelset.record.schema import KINDS

SCHEMA_FILE = "journal-schema.json"
DOCS_FILE = "record.md"
BEGIN = "<!-- made by python -m levelset.record.schema_docs docs -->"
END = "<!-- end -->"
_SHA256 = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def journal_schema() -> dict[str, Any]:
    """Return the schema of one line of a journal (JSON Schema, draft 2020-12).

    A line of a kind that is not known here may hold anything.
    """
    shapes = [shape for _, shape in KINDS.values()]
    references, parts = msgspec.json.schema_components(shapes, ref_template="#/$defs/{name}")
    known = [
        _line({"const": kind}, {"minimum": 1, "maximum": version}, reference)
        for (kind, (version, _)), reference in zip(KINDS.items(), references, strict=True)
    ]
    other = _line({"type": "string", "not": {"enum": list(KINDS)}}, {"minimum": 1}, {})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "One line of journal.jsonl",
        "oneOf": [*known, other],
        "$defs": _short(parts),
    }


def _line(kind: dict[str, Any], version: dict[str, int], data: dict[str, Any]) -> dict[str, Any]:
    fields = {
        "seq": {"type": "integer", "minimum": 1},
        "time": {"type": "string", "format": "date-time"},
        "kind": kind,
        "schema": {"type": "integer", **version},
        "data": data or {"type": "object"},
        "prev": _SHA256,
    }
    return {
        "type": "object",
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


def _short(value: Any) -> Any:
    """Keep of each description its sentences; the table of fields is in the documents."""
    if isinstance(value, dict):
        return {
            key: _about(item) if key == "description" and isinstance(item, str) else _short(item)
            for key, item in value.items()
        }
    return [_short(item) for item in value] if isinstance(value, list) else value


def _about(text: str) -> str:
    """Return what a docstring says before it lists the parameters, on one line."""
    return " ".join(_plain(text).partition("\nParameters\n")[0].split())


def _plain(text: str) -> str:
    """Return a docstring with the quotes of Markdown."""
    return inspect.cleandoc(text).replace("``", "`")


def record_part() -> str:
    """Return the part of the document on kinds, their data and the columns of the table."""
    rows = ["| kind | version | holds |", "| --- | --- | --- |"]
    for kind, (version, shape) in KINDS.items():
        rows.append(f"| `{kind}` | {version} | {_about(shape.__doc__ or '')} |")
    rows += ["", "Their `data`, field by field:"]
    for kind, (_, shape) in KINDS.items():
        rows += ["", f"**{kind}**", "", "| field | type | meaning |", "| --- | --- | --- |"]
        renamed = (
            {f.name: f.encode_name for f in msgspec.structs.fields(shape)}
            if issubclass(shape, msgspec.Struct)
            else {}
        )
        for name, kind_of, meaning in _fields(shape.__doc__ or ""):
            rows.append(f"| `{renamed.get(name, name)}` | {kind_of} | {meaning} |")
    rows += ["", "The columns of `levelset job csv`:", "", "| column | holds |", "| --- | --- |"]
    for name, meaning in COLUMNS.items():
        also = f"; `{name}_u`: its 95 % uncertainty" if name in MEASURED else ""
        rows.append(f"| `{name}` | {meaning}{also} |")
    return "\n".join(rows)


def _fields(text: str) -> list[tuple[str, str, str]]:
    """Return name, type and meaning of each field that a numpydoc docstring lists."""
    part = _plain(text).partition("\nParameters\n")[2]
    part = re.split(r"\n\n\w+\n-+\n", part)[0]
    found: list[tuple[str, str, list[str]]] = []
    for line in part.splitlines():
        head = re.fullmatch(r"(\w+(?:, \w+)*) : (.+)", line)
        if head:
            found.append((head[1], head[2], []))
        elif line.startswith("    ") and found:
            found[-1][2].append(line.strip())
    return [
        (name, kind, " ".join(meaning))
        for names, kind, meaning in found
        for name in names.split(", ")
    ]


def made(docs: Path) -> dict[Path, str]:
    """Return the files in the folder of documents as they must be."""
    text = (docs / DOCS_FILE).read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return {
        docs / SCHEMA_FILE: json.dumps(journal_schema(), indent=1) + "\n",
        docs / DOCS_FILE: f"{before}{BEGIN}\n{record_part()}\n{END}{after}",
    }


if __name__ == "__main__":
    for path, content in made(Path(sys.argv[1])).items():
        path.write_text(content, encoding="utf-8")
