"""The rings hold: imports point inward only, and heavy libraries stay where they belong."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "levelset"

# Room -> rooms and top-level modules of the project that it may import besides itself.
RING_0 = {"quantity", "units", "mains", "errors", "limits", "tables"}
MAY_IMPORT = {
    "quantity": set(),
    "units": set(),
    "mains": set(),
    "errors": set(),
    "limits": {"errors"},
    "tables": {"errors"},
    "toml_file": {"errors"},
    "signals": RING_0,
    "analysis": RING_0,
    "plan": RING_0,
    "probe": RING_0 | {"signals", "analysis"},
    # Procedures know the words of a port (Block, Point), never a port that does something.
    "procedures": RING_0 | {"signals", "analysis", "plan", "probe", "ports.base", "record.schema"},
    "record": RING_0 | {"signals", "analysis", "plan", "probe", ""},
    "report": RING_0 | {"analysis", "plan", "probe", "record"},
    "recordings": RING_0
    | {"signals", "analysis", "probe", "record.audio_files", "record.durable", "ports.base"},
    "simulation": RING_0
    | {"signals", "plan", "probe", "procedures.protocol", "ports.base", "toml_file"},
    "ports": RING_0 | {"signals", "analysis", "plan", "probe", "procedures.protocol", "simulation"},
    "tui": RING_0
    | {"signals", "analysis", "plan", "probe", "procedures", "record", "report", "ports.base"},
    "session": RING_0 | {"toml_file"} | {"plan", "procedures", "record", "ports"},
    "cli": RING_0
    | {
        "toml_file",
        "plan",
        "procedures",
        "record",
        "report",
        "session",
        "tui",
        "signals",
        "probe",
        "recordings",
        "ports",
        "",
    },
    "__main__": {"cli"},
    "__init__": set(),
}
# Library -> rooms (or modules) that may import it at all.
ONLY_IN = {
    "sounddevice": {"ports"},
    "soundfile": {"record.audio_files"},
    "textual": {"tui"},
    "rich": {"tui"},
    "click": {"cli"},
    "msgspec": {"record"},
    "jinja2": {"report.render"},
    "platformdirs": {"record"},
    "tomlkit": {"plan.plan_text"},
}
# Libraries that no module imports at its top level.
LAZY = {"tomlkit", "scipy", "sounddevice", "soundfile", "jinja2"}


def modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = list(path.relative_to(PACKAGE).with_suffix("").parts)
        if parts[-1] == "__init__" and len(parts) > 1:
            parts.pop()
        found.append((".".join(parts), path))
    return found


def imports(path: Path) -> list[tuple[str, bool]]:
    """Return imported module names with whether the import stands at the top level."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If) and "TYPE_CHECKING" in ast.dump(branch.test)
        for node in ast.walk(branch)
    }
    inside = {
        id(node)
        for scope in ast.walk(tree)
        if isinstance(scope, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for node in ast.walk(scope)
    }
    found = []
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [node.module or ""]
            if node.module == "levelset" or (node.module or "").startswith("levelset."):
                names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            found.append((name, id(node) not in inside and id(node) not in typing_only))
    return found


def allowed(target: str, room: str) -> bool:
    """Tell whether a room may import levelset.<target>."""
    if target.split(".")[0] == room:
        return True
    for permitted in MAY_IMPORT[room]:
        if permitted == "" and "." not in target and not (PACKAGE / target).is_dir():
            return target not in MAY_IMPORT
        if permitted and (target == permitted or target.startswith(permitted + ".")):
            return True
    return False


@pytest.mark.parametrize(("name", "path"), modules(), ids=lambda value: str(value))
def test_imports_point_inward(name: str, path: Path) -> None:
    room = name.split(".")[0]
    assert room in MAY_IMPORT, f"levelset.{name}: give this room a place in the rings"
    for imported, at_top in imports(path):
        top = imported.split(".")[0]
        if top == "levelset":
            target = imported.removeprefix("levelset").lstrip(".")
            if target:
                assert allowed(target, room), f"levelset.{name} must not import {imported}"
        elif top in ONLY_IN:
            homes = ONLY_IN[top]
            assert room in homes or name in homes, f"levelset.{name} must not import {top}"
        if top in LAZY:
            assert not at_top, f"levelset.{name} imports {top} at its top level"


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_help_is_light(option: str) -> None:
    code = (
        "import sys\n"
        f"sys.argv = ['levelset', {option!r}]\n"
        "from levelset.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "heavy = {'numpy', 'scipy', 'textual', 'sounddevice', 'soundfile'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "levelset" in done.stdout


def test_modules_stay_small() -> None:
    """A module holds one idea; 450 lines is where it certainly holds two."""
    long = {n: len(p.read_text("utf-8").splitlines()) for n, p in modules()}
    assert not {name: lines for name, lines in long.items() if lines > 450}
