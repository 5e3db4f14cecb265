"""An audited session read back by a program, as README shows it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

import skyplumb
from skyplumb.output.files import Targets, write_session
from skyplumb.output.result import SessionResult
from skyplumb.records import UserError

README = Path(__file__).parents[1] / "README.md"


@pytest.fixture
def folder(night: SessionResult, tmp_path: Path) -> Path:
    return write_session(night, Targets(tmp_path / "out"), tmp_path / "card").folder


def test_the_example_of_readme_runs(folder: Path, night: SessionResult) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README.read_text("utf-8"), re.S)
    example = re.sub(r'"demo-audit/[^"]+"', repr(str(folder)), example)
    names: dict[str, object] = {}
    exec(example, names)
    kept = names["sharp"]
    assert len(kept) == int((night.frames["verdict"] == "keep").sum())  # type: ignore[arg-type]


def test_records_table_and_units_come_back(folder: Path, night: SessionResult) -> None:
    session = skyplumb.read_session(folder)
    assert session.summary.session == night.session
    assert len(session.frames) == len(night.frames)
    assert session.frames["trail_px"].dtype == "float64"
    assert session.frames.loc[session.frames["kind"] != "light", "verdict"].eq("").all()
    assert (session.units["trail_px"], session.units["ra_deg"]) == ("px", "°")


def test_a_folder_that_no_audit_wrote_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no audited session"):
        skyplumb.read_session(tmp_path)


def test_to_import_the_package_costs_nothing() -> None:
    asked = "import sys, skyplumb; print({'numpy', 'pandas', 'typer'} & set(sys.modules))"
    package = str(README.parent / "pipeline")
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {package!r}); {asked}"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "set()\n"
