"""What kept results follow from: which change makes anew what, and nothing else."""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from skyplumb.judge.calibrated import MODULES
from skyplumb.keys import PACKAGE, imported_by
from skyplumb.measure.store import Store

PICTURES = ("skyplumb.output.page.pictures",)
DIGESTS = """
import json, sys
from skyplumb.judge.calibrated import depends_on
from skyplumb.measure.store import measured_by
from skyplumb.night.shot import Session
from skyplumb.output.page.pictures import drawn_by
print(json.dumps([measured_by(), depends_on(Session("n", ()), {}), drawn_by()]))
"""


def python(package: Path, *words: str, before: str = "") -> str:
    """What a process of its own says that has the package from there."""
    code, *rest = words
    told = subprocess.run(
        [sys.executable, "-c", before + code, *rest],
        env=os.environ | {"PYTHONPATH": str(package.parent)},
        check=True,
        capture_output=True,
        text=True,
    )
    assert told.stderr == ""
    return told.stdout


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the package that can be changed."""
    copy = tmp_path_factory.mktemp("installed") / PACKAGE.name
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    return copy


MEASURED, CALIBRATED, DRAWN = range(3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("changed", "made_anew"),
    [
        ("cli.py", set()),
        ("auditing.py", set()),
        ("output/table.py", set()),
        ("output/page/session.py", set()),
        ("season/tally.py", set()),
        ("demo/paint.py", set()),
        ("judge/verdict.py", set()),
        # What the night makes of the files is told by what it made.
        ("night/clock.py", set()),
        ("night/shot.py", {CALIBRATED}),
        ("calibrate/camera.py", {CALIBRATED}),
        ("judge/mount/fit.py", {CALIBRATED}),
        ("judge/calibrated.py", {CALIBRATED}),
        ("judge/plainly.py", {CALIBRATED}),
        ("intake/notes.py", {CALIBRATED}),
        # Imported inside a function, and over several lines.
        ("calibrate/patterns.py", {CALIBRATED}),
        ("output/page/strips.py", {DRAWN}),
        ("angles.py", {CALIBRATED, DRAWN}),
        # Our own measuring is told by its version, so that no word throws a store away.
        ("measure/decode.py", set()),
        ("measure/stars.py", set()),
    ],
)
def test_a_changed_word_makes_anew_what_follows_from_it(
    package: Path, changed: str, made_anew: set[int]
) -> None:
    before = json.loads(python(package, DIGESTS))
    path = package / changed
    text = path.read_bytes()
    path.write_bytes(text + b"\n# another word\n")
    try:
        after = json.loads(python(package, DIGESTS))
    finally:
        path.write_bytes(text)
    assert {n for n in range(3) if after[n] != before[n]} == made_anew


@pytest.mark.slow
@pytest.mark.parametrize(
    ("library", "made_anew"),
    [
        ("import skyplumb.keys; skyplumb.keys._libraw = lambda: '99.1'", {MEASURED}),
        *((f"other['{name}'] = '99.1'", {MEASURED}) for name in ("sep", "exiv2", "rawpy")),
        ("other['tetra3rs'] = '99.1'", {CALIBRATED}),
        ("other['scipy'] = '99.1'", {CALIBRATED}),
        ("other['numpy'] = '99.1'", {CALIBRATED, DRAWN}),
        ("other['pillow'] = '99.1'", {DRAWN}),
        ("other['jinja2'] = '99.1'", set()),
    ],
)
def test_another_library_makes_anew_what_it_made(
    package: Path, library: str, made_anew: set[int]
) -> None:
    told = """
import importlib.metadata as about
other, told = {}, about.version
about.version = lambda name: other.get(name) or told(name)
"""
    before, after = (
        json.loads(python(package, DIGESTS, before=told + line + "\n")) for line in ("", library)
    )
    assert {n for n in range(3) if after[n] != before[n]} == made_anew


@pytest.mark.broad
def test_a_store_of_another_decoder_is_measured_anew_and_said(
    package: Path, tmp_path: Path
) -> None:
    # Key and tables both: two machines with different decoders may share a card, not a store.
    (tmp_path / "a.raw").write_bytes(b"raw")
    code = """
import pathlib, sys
from skyplumb.measure.store import Store
store = Store(pathlib.Path(sys.argv[1]), print)
store.put_blob("b", b"kept", "d")
print(store.key(pathlib.Path(sys.argv[2]), "a.raw"))
"""
    folders = (str(tmp_path / "store"), str(tmp_path))
    first = python(package, code, *folders).splitlines()
    again = python(package, code, *folders).splitlines()
    other = "import skyplumb.keys; skyplumb.keys._libraw = lambda: '99.1'\n"
    said, key = python(package, code, *folders, before=other).splitlines()
    assert first == again and len(first) == 1
    assert key != first[0]
    assert "of a library that opens files; everything is measured again" in said
    told: list[str] = []
    assert Store(tmp_path / "store", told.append).get_blob("b", "d") is None
    assert len(told) == 1


def by_syntax(modules: tuple[str, ...]) -> set[str]:
    """The same as `imported_by` from the syntax trees, which is ten times as slow."""
    found: set[str] = set()
    rest = list(modules)
    while rest:
        name = rest.pop()
        place = PACKAGE.joinpath(*name.split(".")[1:])
        path = next(
            (p for p in (place.with_suffix(".py"), place / "__init__.py") if p.is_file()), None
        )
        if name in found or name == PACKAGE.name or path is None:
            continue
        found.add(name)
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.Import):
                rest += [one.name for one in node.names if one.name.startswith("skyplumb.")]
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("skyplumb"):
                assert node.level == 0
                rest += [str(node.module), *(f"{node.module}.{one.name}" for one in node.names)]
    return found


@pytest.mark.parametrize(
    "modules", [MODULES, PICTURES, ("skyplumb.cli",), ("skyplumb.measure.shot",)]
)
def test_imports_are_those_of_the_syntax(modules: tuple[str, ...]) -> None:
    assert imported_by(modules) == by_syntax(modules)


@pytest.mark.broad
@pytest.mark.parametrize("modules", [MODULES, PICTURES])
def test_what_is_loaded_is_counted(modules: tuple[str, ...]) -> None:
    code = f"import sys, {', '.join(modules)}; print(*sys.modules)"
    loaded = {name for name in python(PACKAGE, code).split() if name.startswith("skyplumb.")}
    above = {name for name in loaded if (PACKAGE.joinpath(*name.split(".")[1:])).is_dir()}
    assert loaded - above <= imported_by(modules)
    # What is passed over holds nothing.
    for name in above - imported_by(modules):
        init = PACKAGE.joinpath(*name.split(".")[1:], "__init__.py")
        assert not by_syntax((name,)) - {name}, init


def test_all_that_a_calibration_calls_is_declared() -> None:
    # Verdicts are worked out anew each time, by the rules of the day.
    text = (PACKAGE / "judge" / "calibrated.py").read_text("utf-8")
    asked = {
        str(node.module)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("skyplumb.")
    }
    undeclared = asked - imported_by(MODULES)
    said = {"skyplumb.judge.focus", "skyplumb.judge.plainly", "skyplumb.judge.verdict"}
    assert undeclared == said | {"skyplumb.intake.rules", "skyplumb.keys", "skyplumb.measure.rows"}
