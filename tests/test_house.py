"""The house itself: stages import one way, and in no circle."""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import skyplumb

PACKAGE = Path(str(skyplumb.__file__)).parent
STAGES = ("intake", "measure", "night", "calibrate", "judge", "output", "season", "check", "watch")
"""In the order of the work: a stage may use those before it, never one after it."""
DOORS = (
    "__init__.py",
    "__main__.py",
    "api.py",
    "auditing.py",
    "checking.py",
    "cli.py",
    "commands",
    "options.py",
    "session_task.py",
    "watching.py",
)
"""What people and programs come in by."""
ABOVE = {door.removesuffix(".py") for door in DOORS} - {"__init__", "__main__"}
MODULES = sorted(path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py"))


def imported(module: Path) -> set[str]:
    """Dotted names below the package that a module imports, inside functions too."""
    found = set()
    for node in ast.walk(ast.parse((PACKAGE / module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            parts = list(module.parts[: -node.level])
            found |= {".".join([*parts, node.module or name.name]) for name in node.names}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("skyplumb"):
            base = (node.module or "").removeprefix("skyplumb").removeprefix(".")
            found |= {f"{base}.{name.name}".strip(".") for name in node.names} | {base} - {""}
        elif isinstance(node, ast.Import):
            found |= {
                name.name.removeprefix("skyplumb.")
                for name in node.names
                if name.name.startswith("skyplumb.")
            }
    return found


def module_of(name: str) -> Path | None:
    """The module a dotted name lies in; None for a name inside one."""
    for path in (Path(*name.split(".")).with_suffix(".py"), Path(*name.split("."), "__init__.py")):
        if path in MODULES:
            return path
    return None


@pytest.mark.parametrize("module", MODULES, ids=str)
def test_a_stage_never_imports_a_later_one(module: Path) -> None:
    names = {name.split(".")[0] for name in imported(module)}
    stage = module.parts[0]
    if stage == "demo":
        assert names <= {"demo", "errors", "records"}, "the demo shares no code with the judge"
    elif stage in STAGES:
        later = set(STAGES[STAGES.index(stage) + 1 :]) | {*ABOVE, "demo"}
        assert not names & later
        if stage in ("calibrate", "judge"):
            assert "summary" not in names, "what is found does not depend on the file that tells it"
    elif stage not in DOORS:
        assert not names & {*STAGES, *ABOVE, "demo"}, "what all share imports no stage"


@pytest.mark.slow
def test_no_circle_of_imports() -> None:
    graph = {
        module: {there for name in imported(module) if (there := module_of(name))} - {module}
        for module in MODULES
    }
    # Raises CycleError, which names the circle.
    assert len(list(TopologicalSorter(graph).static_order())) == len(MODULES)
