"""How many small changes of the code do the tests notice? Lines are drawn by lot, none left out.

A mutant is the code with one operator, comparison, number, truth value, decorator, loop or handler
changed, by the operators of the library `cosmic_ray`. A line is drawn by lot and then one of the
mutants on it, so that a line that can be changed in twenty ways counts no more than any other; what
differs in annotations alone, which nothing runs, is no mutant. Asked are the tests that ran the
line, after one run of all that are not slow under `coverage`, but for those that fail without any
change, which are named: first the stage's own, by turns from each file, for `MOST_OWN_S` seconds;
then what holds every number of saved nights, then others, up to `MOST_TEST_S` together. For a line
that runs on import, such as a constant, it is those that ran anything of its module, and the one
that looks at every class. The first failure ends it.

`make mutants` prints the share noticed; tests that take too long are counted apart. What was asked
stays in `bench-out/mutants`, so that a second call goes on, and the survivors with it.
"""

from __future__ import annotations

import argparse
import ast
import collections
import compileall
import dataclasses
import difflib
import hashlib
import json
import os
import py_compile
import random
import shutil
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from queue import SimpleQueue

import coverage
from cosmic_ray import plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from tests.bench.tables import Table
from tests.preloaded import Preloaded

ROOT = Path(__file__).parents[1]
PACKAGE = Path("pipeline/skyplumb")
WHERE = ("judge", "calibrate", "night", "season", "measure/shapes.py")
OUT = ROOT / "bench-out" / "mutants"
CACHE = Path(os.environ.get("SKYPLUMB_CACHE") or OUT / "cache")
"""Star patterns are made once for all copies."""
MAKER = "calibrate/patterns.py"
"""Makes them."""
COPIED = ("pipeline", "tests", "config", "reports", "pyproject.toml", "README.md",
          "DEVELOPERS.md", "Makefile", "LICENSE")  # fmt: skip
MOST_TEST_S, MOST_OWN_S = 150.0, 40.0
"""Of tests under `coverage`, which take twice as long with it: of all, and of the stage's own."""
SAVED = "test_saved_"
"""Begins the name of a file whose tests hold all that is said to what was said before."""
RECORDS = "tests/test_records.py"
"""Looks at every class of the package, and runs none of their lines."""
TOO_LONG = 10.0
"""Tests that take so many times what they took are stuck; never under a minute."""
NOTICED, UNNOTICED, STUCK = "noticed", "unnoticed", "too long"


@dataclasses.dataclass(frozen=True, slots=True)
class Mutant:
    """One changed line."""

    module: str
    """Relative to the package."""
    line: int
    operator: str
    occurrence: int

    def code(self) -> str:
        """The whole changed module."""
        source = source_of(self.module)
        changed = mutate_code(source, plugins.get_operator(self.operator)(), self.occurrence)
        assert changed is not None
        return str(changed)

    def shown(self) -> str:
        """The lines that differ."""
        lines = difflib.unified_diff(
            source_of(self.module).splitlines(), self.code().splitlines(), n=0, lineterm=""
        )
        return "\n".join(line for line in list(lines)[2:] if not line.startswith("@@"))


@cache
def source_of(module: str) -> str:
    return (ROOT / PACKAGE / module).read_text("utf-8")


def modules(where: Sequence[str]) -> list[str]:
    """All modules of these folders and files."""
    base = ROOT / PACKAGE
    found = [p for name in where for p in ([base / name] if name.endswith(".py")
             else sorted((base / name).rglob("*.py")))]  # fmt: skip
    return [path.relative_to(base).as_posix() for path in found]


@cache
def mutants_of(module: str) -> Mapping[int, Sequence[Mutant]]:
    """Every mutant of a module by its line."""
    found = collections.defaultdict(list)
    nodes = list(ast_nodes(get_ast(source_of(module))))
    for name in plugins.operator_names():
        kind = plugins.get_operator(name)
        if kind.arguments() or name.endswith("/NoOp"):
            continue
        operator = kind()
        places = (start for node in nodes for start, _ in operator.mutation_positions(node))
        for occurrence, (line, _) in enumerate(places):
            found[line].append(Mutant(module, line, name, occurrence))
    return found


@cache
def in_functions(module: str) -> frozenset[int]:
    """Lines of a module that run when one of its functions is called."""
    inside: set[int] = set()
    for node in ast.walk(ast.parse(source_of(module))):
        if isinstance(node, ast.FunctionDef | ast.Lambda):
            body = node.body if isinstance(node.body, list) else [node.body]
            inside.update(range(body[0].lineno, (body[-1].end_lineno or 0) + 1))
    return frozenset(inside)


class _Bare(ast.NodeTransformer):
    """Takes annotations out, which nothing runs."""

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)


def _runs(source: str) -> str:
    return ast.dump(_Bare().visit(ast.parse(source)))


def drawn(where: Sequence[str], seed: int) -> Iterator[Mutant]:
    """Mutants by lot without end of lines: each line once, in an order that the seed gives."""
    lines = [(m, n) for m in modules(where) for n in range(1, source_of(m).count("\n") + 2)]
    lot = random.Random(seed)
    lot.shuffle(lines)
    for module, line in lines:
        here = list(mutants_of(module).get(line, ()))
        lot.shuffle(here)
        for mutant in here:
            try:
                same = _runs(mutant.code()) == _runs(source_of(module))
            except SyntaxError:
                continue  # not a program
            if not same:
                yield mutant
                break


# Which tests


def copy_of_all(place: Path) -> Path:
    """A copy of the checkout to change."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    for name in COPIED:
        if (ROOT / name).is_dir():
            leave = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, place / name, ignore=leave)
        else:
            shutil.copy2(ROOT / name, place)
    # Known by their content, so that a changed module alone is read anew.
    checked = py_compile.PycInvalidationMode.CHECKED_HASH
    compileall.compile_dir(place / PACKAGE, quiet=2, invalidation_mode=checked)
    return place


def surroundings(place: Path, cache: Path = CACHE) -> dict[str, str]:
    """What tests in a copy go by, and the processes that they start."""
    path = os.pathsep.join([str(place / "pipeline"), str(place), os.environ.get("PYTHONPATH", "")])
    return {"PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1", "SKYPLUMB_CACHE": str(cache)}


class Map:
    """Which tests ran which line, and how long each takes."""

    def __init__(self, tests: Sequence[str], jobs: int) -> None:
        digest = hashlib.sha256(repr(tests).encode())
        for path in sorted(p for top in ("pipeline", "tests") for p in (ROOT / top).rglob("*.py")):
            digest.update(path.read_bytes())
        self.digest = digest.hexdigest()[:12]
        place = OUT / f"map-{self.digest}"
        if not (place / "seconds.xml").exists():
            print("running the tests once, to learn which of them run which line", flush=True)
            tree = copy_of_all(OUT / "tree-map")
            data, times = tree / ".coverage", tree / "seconds.xml"
            subprocess.run(
                [sys.executable, "-B", "-m", "pytest", "-q", "-n", str(jobs), "--dist", "worksteal",
                 "-W", "ignore", "-m", "not slow", "--cov=skyplumb", "--cov-context=test",
                 "--cov-report=", f"--junitxml={times}", *tests],
                cwd=tree, env=os.environ | surroundings(tree), check=False,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            place.mkdir(parents=True)
            shutil.move(data, place / "lines")
            # Paths are those of the copy, which stays where it is.
            shutil.move(times, place / "seconds.xml")
        self._data = coverage.CoverageData(str(place / "lines"))
        self._data.read()
        self._files = {
            Path(file).as_posix().rpartition("/skyplumb/")[2]: file
            for file in self._data.measured_files()
        }
        self._seconds: dict[str, float] = collections.defaultdict(float)
        fail = set()
        for case in ElementTree.parse(place / "seconds.xml").iter("testcase"):
            name = f"{case.attrib['classname'].replace('.', '/')}.py::{case.attrib['name']}"
            self._seconds[name] += float(case.attrib["time"])
            if case.find("failure") is not None or case.find("error") is not None:
                fail.add(name)
        for name in sorted(fail):
            print(f"fails without any change, so that it notices nothing: {name}")
            del self._seconds[name]

    def tests(self, mutant: Mutant) -> list[str]:
        """Those that ran the line, quick files first; on import alone, all of its module."""
        file = self._files.get(mutant.module)
        if file is None:
            return []
        lines = self._data.contexts_by_lineno(file)

        def names(contexts: Iterator[str]) -> set[str]:
            return {c.partition("|")[0] for c in contexts if c} & self._seconds.keys()

        found = names(iter(lines.get(mutant.line, ())))
        # Whichever test came first imported the module.
        if not found or mutant.line not in in_functions(mutant.module):
            found = names(context for here in lines.values() for context in here)
            found |= {name for name in self._seconds if name.startswith(RECORDS)}
        # By turns from each file, its quickest first: tests of one file look at much the same.
        own = f"tests/{mutant.module.partition('/')[0]}/"
        saved = f"{own}{SAVED}"
        quick = sorted(found, key=lambda name: (self._seconds[name], name))
        turn: collections.Counter[str] = collections.Counter()
        turns = {}
        for name in quick:
            file_of = name.partition("::")[0]
            turns[name] = turn[file_of]
            turn[file_of] += 1
        by_turns = sorted(quick, key=turns.__getitem__)
        whole = [name for name in by_turns if name.startswith((saved, RECORDS))]
        near = [name for name in by_turns if name.startswith(own) and name not in whole]
        chosen = self._some(near, MOST_OWN_S)
        left = [name for name in [*whole, *by_turns] if name not in chosen]
        chosen += self._some(dict.fromkeys(left), MOST_TEST_S - self.seconds(chosen))
        # A file at a time, for the sake of what its tests share.
        of_file: dict[str, float] = collections.defaultdict(float)
        for name in chosen:
            of_file[name.partition("::")[0]] += self._seconds[name]
        return sorted(
            chosen, key=lambda n: (of_file[n.partition("::")[0]], n.partition("::")[0],
                                   self._seconds[n]),
        )  # fmt: skip

    def _some(self, tests: Iterable[str], most_s: float) -> list[str]:
        """The first of them that take no longer together; one at least."""
        chosen: list[str] = []
        for name in tests:
            if chosen and self.seconds(chosen) + self._seconds[name] > most_s:
                break
            chosen.append(name)
        return chosen

    def seconds(self, tests: Sequence[str]) -> float:
        return sum(self._seconds[name] for name in tests)


def asked(
    mutant: Mutant, tests: Sequence[str], seconds: float, tree: Path, runner: Preloaded
) -> str:
    """What the tests say of it."""
    if not tests:
        return UNNOTICED
    path, cache = tree / PACKAGE / mutant.module, CACHE
    if mutant.module == MAKER:  # no other mutant meets what a changed one makes
        cache = tree / "cache"
        shutil.rmtree(cache, ignore_errors=True)
        shutil.copytree(CACHE, cache)
    path.write_text(mutant.code(), "utf-8")
    try:
        words = ["-x", "-p", "no:xdist", *tests]
        code = runner.pytest(tree, words, surroundings(tree, cache), 60.0 + TOO_LONG * seconds)
    finally:
        path.write_text(source_of(mutant.module), "utf-8")
    return {None: STUCK, 0: UNNOTICED}.get(code, NOTICED)


# What is printed


def main() -> None:
    """Draw, ask, print."""
    words = argparse.ArgumentParser(description=__doc__, prog="python -m tests.mutants")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--count", type=int, default=300)
    words.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    words.add_argument("--where", nargs="+", default=WHERE, help="folders and modules to change")
    words.add_argument("--tests", nargs="+", default=["tests"], help="tests that may be asked")
    told = words.parse_args()
    for folder in (OUT, CACHE):
        folder.mkdir(parents=True, exist_ok=True)
    known = Map(told.tests, told.jobs)
    kept = OUT / f"seed-{told.seed}.jsonl"
    before: dict[Mutant, str] = {}
    if kept.exists():
        for line in kept.read_text("utf-8").splitlines():
            row = json.loads(line)
            # What was noticed stays so; the rest is asked again once there are other tests.
            same = row["digest"] == _digest(row["module"])
            if same and (row["said"] == NOTICED or row["all"] == known.digest):
                names = [field.name for field in dataclasses.fields(Mutant)]
                before[Mutant(*(row[name] for name in names))] = row["said"]
    trees: SimpleQueue[tuple[Path, Preloaded]] = SimpleQueue()
    for number in range(told.jobs):
        trees.put((copy_of_all(OUT / f"tree-{number}"), Preloaded()))

    def ask(mutant: Mutant) -> tuple[Mutant, str]:
        if mutant in before:
            return mutant, before[mutant]
        tests, (tree, runner) = known.tests(mutant), trees.get()
        began = time.monotonic()
        try:
            said = asked(mutant, tests, known.seconds(tests), tree, runner)
        finally:
            trees.put((tree, runner))
        row = dataclasses.asdict(mutant) | {
            "said": said, "digest": _digest(mutant.module), "all": known.digest
        }  # fmt: skip
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        print(f"{said}: {mutant.module}:{mutant.line}, {len(tests)} tests, "
              f"{time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)  # fmt: skip
        return mutant, said

    lot = drawn(told.where, told.seed)
    chosen = [mutant for mutant, _ in zip(lot, range(told.count), strict=False)]
    with ThreadPoolExecutor(told.jobs) as pool:
        answers = list(pool.map(ask, chosen))
    rows = []
    for place in (*told.where, ""):
        said = collections.Counter(s for m, s in answers if m.module.startswith(place))
        decided = said[NOTICED] + said[UNNOTICED]
        share = f"{said[NOTICED] / decided:.0%}" if decided else ""
        counts = (said.total(), said[NOTICED], said[UNNOTICED], said[STUCK])
        rows.append((place or "all", *map(str, counts), share))
    head = ("where", "mutants", NOTICED, UNNOTICED, STUCK, "share noticed")
    print(Table(f"Mutants of seed {told.seed}", head, rows).text())
    survivors = OUT / f"survivors-{told.seed}.txt"
    survivors.write_text(
        "\n".join(f"{m.module}:{m.line}\n{m.shown()}\n" for m, s in answers if s == UNNOTICED),
        encoding="utf-8",
    )
    print(f"What was not noticed: {survivors}")


def _digest(module: str) -> str:
    return hashlib.sha256(source_of(module).encode()).hexdigest()[:12]


if __name__ == "__main__":
    main()
