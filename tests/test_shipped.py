"""What is made from code and shipped is what the code makes; and outsiders can read by it."""

from __future__ import annotations

import csv
import json
import math
import os
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest
import vl_convert
from csvw import Table

import skyplumb
from inventednight import Written, invented_night, with_fields, written
from shipped import MADE, REPORTS
from skyplumb._data import shipped
from skyplumb.columns import COLUMNS
from skyplumb.output.page.render import LIBRARY
from skyplumb.summary import SCHEMA_FILE, read_summary, table_digest
from smallcard import Finished


@pytest.fixture
def audit_of_a_night(tmp_path: Path) -> Written:
    return written(with_fields(invented_night()), tmp_path)


@pytest.mark.parametrize("name", MADE)
def test_the_shipped_file_is_what_the_code_makes(name: str) -> None:
    assert (REPORTS / name).read_text("utf-8") == MADE[name](), "run `make shipped`"


def schema() -> dict[str, object]:
    return dict(json.loads((REPORTS / SCHEMA_FILE).read_text("utf-8")))


def test_the_schema_is_one_and_real_summaries_keep_to_it(
    audited: Finished, audit_of_a_night: Written
) -> None:
    # The reference implementation of JSON Schema for Python.
    validator = jsonschema.Draft202012Validator(schema())
    validator.check_schema(schema())
    summaries = [*audited.out.glob("*/summary.json"), audit_of_a_night.folder / "summary.json"]
    assert len(summaries) >= 2
    for path in summaries:
        validator.validate(json.loads(path.read_text("utf-8")))


@pytest.mark.parametrize("spoil", ["keep", "mount", "run", "null"])
def test_the_schema_refuses_what_is_no_summary(audited: Finished, spoil: str) -> None:
    told = json.loads(next(audited.out.glob("*/summary.json")).read_text("utf-8"))
    run = told["sessions"][0]["runs"][0]
    if spoil == "null":
        run["shots"] = None
    elif spoil == "keep":
        run["keep"] = "5"
    else:
        del run[spoil]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(told, schema())


def test_every_field_that_could_be_unclear_is_explained_in_the_schema() -> None:
    mount = schema()["$defs"]["MountSummary"]["properties"]  # type: ignore[index]
    assert mount["axis_az_error_arcmin"]["description"].startswith("That end is too far east")
    assert mount["axis_az_error_arcmin"]["type"] == ["number", "null"]


def test_the_summary_read_back_is_the_record_it_was(audit_of_a_night: Written) -> None:
    (back,) = read_summary(audit_of_a_night.folder / "summary.json")
    table = (audit_of_a_night.folder / "frames.csv").read_bytes()
    night = audit_of_a_night.result
    assert (back.table_rows, back.table_digest) == (len(night.rows), table_digest(table))
    back = replace(back, table_rows=0, table_digest="")
    told = replace(night.summary, notices=night.notices)
    # repr: a NaN is unlike itself, and its words are not. Six digits of a number are written.
    assert _to_five_digits(back) == _to_five_digits(told).replace("np.float64(-4.2)", "-4.2")


def _to_five_digits(record: object) -> str:
    return re.sub(r"\d+\.\d+", lambda number: f"{float(number[0]):.5g}", repr(record))


def test_a_newer_summary_is_read_and_a_broken_one_named(tmp_path: Path) -> None:
    path = tmp_path / "summary.json"
    path.write_text('{"sessions": [{"session": "s", "moon": 1, "runs": [{"run": "a"}]}]}')
    assert read_summary(path)[0].runs[0].run == "a"
    assert math.isnan(read_summary(path)[0].runs[0].mount.rate_error_ppm)
    path.write_text('{"sessions": [{"session": "s", "runs": [{"run": "a", "keep": "x"}]}]}')
    with pytest.raises(ValueError, match=r"sessions\.0\.runs\.0\.keep: "):
        read_summary(path)


def test_a_reader_of_csv_on_the_web_reads_the_table_with_its_types(audited: Finished) -> None:
    # csvw: an implementation of the W3C Recommendation that had no part in writing.
    for metadata in audited.out.glob("*/frames.csv-metadata.json"):
        read = list(Table.from_file(metadata).iterdicts(strict=True))
        with metadata.with_name("frames.csv").open(encoding="utf-8", newline="") as lines:
            plain = list(csv.DictReader(lines))
        assert len(read) == len(plain) > 0
        for typed, row in zip(read, plain, strict=True):
            assert list(typed) == list(COLUMNS)
            for name, column in COLUMNS.items():
                if column.numeric and row[name]:
                    assert float(typed[name]) == float(row[name])
                elif column.kind == "text":
                    assert typed[name] == row[name]
            if row["taken_utc"]:
                want = datetime.fromisoformat(row["taken_utc"])
                assert typed["taken_utc"].astimezone(UTC) == want
            assert typed["solved"] is {"true": True, "false": False, "": None}[row["solved"]]


def test_every_column_says_its_unit_and_meaning_to_programs(audit_of_a_night: Written) -> None:
    told = json.loads((audit_of_a_night.folder / "frames.csv-metadata.json").read_text("utf-8"))
    by_name = {one["name"]: one for one in told["tableSchema"]["columns"]}
    assert by_name["scale_arcsec_px"]["schema:unitText"] == "arcsec/px"
    assert all(
        one["dc:description"] and one["titles"][0] == one["name"] for one in by_name.values()
    )
    # A unit in a name is the column's unit.
    ends = {"_px": "px", "_deg": "°", "_s": "s", "_mm": "mm", "_mag": "mag", "_arcsec": "arcsec"}
    for name, column in COLUMNS.items():
        for end, unit in ends.items():
            if name.endswith(end) and name != "scale_arcsec_px":
                assert column.unit == unit


def test_the_charts_library_says_its_versions_and_has_its_licences() -> None:
    reports = Path(str(shipped("reports")))
    first = (reports / LIBRARY).read_text("utf-8").partition("\n")[0]
    # The project that packs it: its own words for what is inside.
    assert vl_convert.get_vega_version() in first
    licences = (reports / "LICENSE.charts-library.txt").read_text("utf-8")
    for name, version in re.findall(r"([\w-]+) v?(\d+(?:\.\d+)+)", first):
        assert version
        assert re.search(rf"^(?:.*, )?{name.lower()}(?:,.*)?$", licences, re.M), name
    assert len(re.findall(r"\d+\.\d+", first)) >= 3
    told = tomllib.loads((reports.parent / "pyproject.toml").read_text("utf-8"))["project"]
    assert "reports/LICENSE.charts-library.txt" in told["license-files"]
    assert "version" in told["dynamic"]  # told in the package alone


def test_files_are_those_of_the_package_and_of_no_other_project(tmp_path: Path) -> None:
    """An installed copy below a project that has the same names of files and folders."""
    project = tmp_path / "project"
    place = project / "site"
    package = Path(str(skyplumb.__file__)).parent
    (place / "skyplumb").mkdir(parents=True)
    for name in ("__init__.py", "_data.py", "errors.py"):
        shutil.copy2(package / name, place / "skyplumb")
    ask = "from skyplumb._data import shipped; print(shipped('config'))"

    def answer() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", ask], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(place)},
            capture_output=True, text=True,
        )  # fmt: skip

    (project / "config").mkdir()
    (project / "pyproject.toml").write_text('[project]\nname = "another"\n')
    assert "not installed with skyplumb" in answer().stderr
    (project / "pyproject.toml").write_text('[project]\nname = "skyplumb"\n')
    assert answer().stdout == f"{project / 'config'}\n"
    (place / "skyplumb" / "config").mkdir()
    assert answer().stdout == f"{place / 'skyplumb' / 'config'}\n"
