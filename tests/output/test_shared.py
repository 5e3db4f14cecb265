"""The page to give away: no path, serial number or place, nor what tells one."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from inventednight import invented_night, with_fields
from skyplumb.output.files import Targets, write_session
from skyplumb.output.page.pictures import BESIDE_FROM
from skyplumb.output.page.session import session_page
from skyplumb.output.page.shared import HIDDEN, without_place
from skyplumb.output.result import SessionResult
from skyplumb.summary import SunMoonSummary
from smallcard import SESSION, Finished

SERIAL = "FH-7730991"
SITE = (46.61234, 9.91234)
SECRETS = (SERIAL, "46.61", "9.912", "FERN/", "100FERN", "UTC+", "Fernwiese")


@pytest.fixture
def told(night: SessionResult) -> SessionResult:
    """The invented night with all that gives a place away."""
    night = with_fields(night)
    sky = SunMoonSummary(("2026-08-14T19:00:00Z",) * 2, (-12.0, -13.0), (5.0, 4.0), 0.3)
    mount = {
        "axis_total_error_arcmin": 15.96, "axis_alt_error_arcmin": 10.95,
        "axis_az_error_arcmin": -17.0, "axis_covariance_arcmin2": ((0.01, 0.0), (0.0, 0.01)),
    }  # fmt: skip
    runs = tuple(
        replace(run, mount=replace(run.mount, **mount), notes={"ground": "Fernwiese"})
        for run in night.summary.runs
    )
    axis = replace(
        night.summary.advice[0], mend="Turn the base 17 arcmin east (11.6 arcmin on the sky)."
    )
    summary = replace(
        night.summary, serial=SERIAL, evening="2026-08-14", camera="Fernhill One",
        clock="UTC+2 by 15 frames", latitude_deg=SITE[0], longitude_deg=SITE[1],
        sun_and_moon=sky, runs=runs, advice=(axis,), notices=(f"at {SITE[0]}, {SITE[1]}",),
    )  # fmt: skip
    reason = f"as in DCIM/100FERN by {SERIAL}"
    rows = (replace(night.rows[0], reason=reason, note="Fernwiese"), *night.rows[1:])
    return replace(night, summary=summary, rows=rows, notices=("Fernwiese",))


def data_of(html: str) -> dict[str, object]:
    """What the page's script is given."""
    found = re.search(r'id="session-data">(.*?)</script>', html, re.DOTALL)
    assert found is not None
    return dict(json.loads(found[1]))


def test_it_holds_no_path_serial_number_or_place(told: SessionResult, tmp_path: Path) -> None:
    card = tmp_path / "card of Ida"
    folder = write_session(told, Targets(tmp_path / "out", share=True), card).folder
    plain = (folder / "report.html").read_text("utf-8")
    html = (folder / "report-share.html").read_text("utf-8")
    assert not [word for word in SECRETS if word in html]
    assert str(tmp_path) not in html
    assert "FRN_0000.DNG" in html
    assert HIDDEN in html
    # The page for oneself has them: what is looked for here would be found.
    assert [word for word in SECRETS if word in plain]
    data = data_of(html)
    assert (data["root"], data["sky"]) == ("", None)
    assert 'href="frames.csv"' not in html
    assert 'href="frames.csv"' in plain


def test_nothing_tells_the_place_by_the_sky(told: SessionResult) -> None:
    page = session_page(without_place(told, Path("card")), shared=True)
    known = {
        key: [row[key] for row in page["frames"] if row[key] not in (None, "")]
        for key in ("altitude_deg", "azimuth_deg", "zenith_pa_deg", "utc", "trail_px")
        if key in page["frames"][0]
    }
    assert known.pop("trail_px")
    assert not any(known.values())
    assert page["clock_note"] == ""
    # 17.0 arcmin along the horizon are 11.6 on the sky: the cosine of the latitude.
    for setup in page["setups"]:
        assert setup["axis"]["total"] == 15.96
        assert setup["axis"]["x"] is setup["axis"]["up"] is setup["axis"]["along"] is None
    assert page["advice"][0]["remedy"] == "Align the polar axis better."


def test_counts_losses_and_frames_are_those_of_the_page(told: SessionResult) -> None:
    mine, theirs = session_page(told), session_page(without_place(told, Path("card")), shared=True)
    for key in ("keep", "doubtful", "reject", "judged", "seconds"):
        assert theirs[key] == mine[key]
    assert [one["cause"] for one in theirs["losses"]] == [one["cause"] for one in mine["losses"]]
    assert all(
        row["strip"]["uri"].startswith("data:") for row in theirs["frames"] if row["crop_places"]
    )


def test_frames_of_one_name_get_a_number(told: SessionResult) -> None:
    rows = (told.rows[0], replace(told.rows[1], file="DCIM/200FERN/frn_0000.dng"), *told.rows[2:])
    shared = without_place(replace(told, rows=rows), Path("card"))
    assert [row.file for row in shared.rows[:2]] == ["FRN_0000.DNG", "frn_0000 (2).dng"]


@pytest.mark.slow
def test_of_very_many_frames_it_is_one_file_without_strips(tmp_path: Path) -> None:
    many = with_fields(invented_night(per_run=-(-BESIDE_FROM // 3)))
    page = session_page(without_place(many, tmp_path), shared=True)
    assert page["beside"] == {}
    assert not any(row["strip"]["uri"] for row in page["frames"])


def test_it_goes_when_it_is_not_asked_for_any_more(told: SessionResult, tmp_path: Path) -> None:
    folder = write_session(told, Targets(tmp_path / "out", share=True), tmp_path / "card").folder
    assert (folder / "report-share.html").exists()
    write_session(told, Targets(tmp_path / "out"), tmp_path / "card")
    assert not (folder / "report-share.html").exists()


def test_the_command_writes_it_for_an_audited_card(
    skyplumb: Callable[..., Finished], small_card: Path, audited: Finished, tmp_path: Path
) -> None:
    out = shutil.copytree(audited.out, tmp_path / "out")
    done = skyplumb("audit", small_card, "--out", out, "--share")
    assert done.code == 0
    html = (out / SESSION / "report-share.html").read_text("utf-8")
    for secret in ("LM-30177", str(small_card), "100MOOR", "Süd", str(out), SESSION):
        assert secret not in html
    assert "Lerchau Weit 24mm F2" in html
