"""An audited session read back by a program, as README shows it."""

from __future__ import annotations

import inspect
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree

import pytest

import skyplumb
from skyplumb.errors import UserError
from skyplumb.measure.workers import Here
from skyplumb.output.files import Targets, write_session
from skyplumb.output.result import SessionResult
from smallcard import Finished

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture
def folder(night: SessionResult, tmp_path: Path) -> Path:
    return write_session(night, Targets(tmp_path / "out"), tmp_path / "card").folder


def test_the_example_of_readme_runs(
    audited: Finished, small_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = shutil.copytree(audited.out, tmp_path / "demo-audit")  # so that nothing is measured again
    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Here())
    (example,) = re.findall(r"```python\n(.*?)```", README.read_text("utf-8"), re.S)
    example = example.replace("demo-card/card", str(small_card)).replace("demo-audit", str(out))
    names: dict[str, Any] = {}
    lines = example.splitlines()
    exec("\n".join(lines[:-1]), names)
    assert (names["done"].kept, names["done"].lights) == (9, 10)
    assert set(names["lights"]["file"]) == {
        f for f, r in audited.rows.items() if r["kind"] == "light"
    }
    assert names["mount"].setup == "1"
    assert eval(lines[-1], names) == "px"


@pytest.mark.slow
def test_the_function_and_the_command_write_the_same(
    audited: Finished, small_card: Path, tmp_path: Path
) -> None:
    told: list[str] = []
    done = skyplumb.audit(str(small_card), tmp_path, jobs=1, xmp=True, say=told.append)
    assert Finished(tmp_path, 0, "", "").files == audited.files
    assert (done.kept, done.lights, done.incomplete) == (9, 10, False)
    assert any(line.startswith(f"{done.sessions[0].name}: 9 of 10") for line in told)


def test_what_an_audit_gives_is_public_and_shows_itself_in_a_notebook(
    audited: Finished, small_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = shutil.copytree(audited.out, tmp_path / "a & b")
    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Here())
    done = skyplumb.audit(small_card, out)
    assert isinstance(done, skyplumb.Audited)
    shown = ElementTree.fromstring(f"<div>{done._repr_html_()}</div>")
    told = [["".join(cell.itertext()) for cell in row] for row in shown.iter("tr")]
    assert told == [["session", "kept", "light frames"], [done.sessions[0].name, "9", "10"]]
    (link,) = shown.iter("a")
    assert Path(unquote(urlsplit(link.attrib["href"]).path)) == done.folders[0] / "report.html"
    assert not list(shown.iter("p"))
    assert "call it again" in replace(done, incomplete=True)._repr_html_()


def test_the_function_takes_every_option_of_the_command() -> None:
    from skyplumb import cli

    command = set(inspect.signature(cli.audit).parameters) - {"worker_memory"}
    assert set(inspect.signature(skyplumb.audit).parameters) == command | {
        "worker_memory_gb",
        "say",
    }


def test_a_card_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(skyplumb.UserError, match="no such folder"):
        skyplumb.audit(tmp_path / "nowhere", tmp_path / "out")


def test_the_function_is_not_hidden_by_a_module() -> None:
    import skyplumb.api
    import skyplumb.auditing
    import skyplumb.session

    assert all(callable(getattr(skyplumb, name)) for name in ("audit", "read_session"))
    assert set(skyplumb.__all__) <= set(dir(skyplumb))


def test_records_table_and_units_come_back(folder: Path, night: SessionResult) -> None:
    session = skyplumb.read_session(folder)
    assert session.summary.session == night.session
    assert len(session.frames) == len(night.rows)
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
