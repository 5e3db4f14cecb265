"""A judged session -> the page a person reads.

`session_page` makes plain data that a test can read, `render` pours it into the templates
of `reports/`. Every count on the page is counted from the frames themselves; only what
the frames cannot tell (intervals, the mount) is taken from the summary.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Any

import jinja2
import pandas as pd
import vl_convert
from markupsafe import Markup

from skyplumb._data import shipped
from skyplumb.records import Measure, SessionResult
from skyplumb.strips import Stretch, stretch_of, strip_uri

Plain = dict[str, Any]

VERDICTS = ("keep", "doubtful", "reject")

CAUSES = {
    "none": ("no fault found", "nothing in the frame speaks against it"),
    "axis": ("polar axis off", "the tracker's axis does not point at the celestial pole"),
    "drive": ("drive error", "the tracker turns too fast, too slow or unevenly"),
    "wind": ("wind", "the camera shook in changing directions"),
    "sag": ("sag", "something gives way slowly under the weight"),
    "knock": ("knock", "a sudden jolt: the stars stand twice"),
    "untracked": ("not tracked", "the sky moved over a camera that stood still"),
    "refraction": ("refraction", "low in the sky the air lifts the stars unevenly"),
    "focus": ("focus", "stars are round but too wide"),
    "cloud": ("cloud", "stars are missing or faint"),
    "obstruction": ("obstruction", "a part of the picture has no stars"),
    "optics": ("optics", "the lens itself draws the stars long"),
    "bright-sky": ("bright sky", "dawn, dusk, the Moon or lights drown the stars"),
    "unexplained": ("unexplained", "the frame is at fault, but the evidence names no cause"),
}
"""A short name and one line for each cause of the contract."""

ASIDE = {
    "unreadable": "Could not be read",
    "excluded": "Left out by the night notes",
    "unsupported": "Not a kind of file that can be measured",
    "companion": "Pictures that belong to a raw file",
    "dark": "Dark frames",
    "flat": "Flat frames",
    "bias": "Bias frames",
    "light": "Light frames without a verdict",
}
"""Headings for what was not judged, what needs a look first."""

MARKS = {
    "keep": "M0,-0.42A0.42,0.42,0,1,1,0,0.42A0.42,0.42,0,1,1,0,-0.42Z",
    "doubtful": "M0,-0.45A0.45,0.45,0,1,1,0,0.45A0.45,0.45,0,1,1,0,-0.45Z"
    "M0,-0.2A0.2,0.2,0,1,0,0,0.2A0.2,0.2,0,1,0,0,-0.2Z",
    "reject": "M-0.5,0.3L0.3,-0.5L0.5,-0.3L-0.3,0.5Z",
}
"""Marks as SVG paths in a unit square: a round star, a hollow one, a streak."""

CHARTS = (
    {"field": "trail_px", "error": "trail_sigma_px", "title": "Trail length", "unit": "px"},
    {"field": "fwhm_px", "error": None, "title": "Star width (FWHM)", "unit": "px"},
    {"field": "stars", "error": None, "title": "Stars measured", "unit": "count"},
    {"field": "sky_level", "error": None, "title": "Sky level", "unit": "raw units above black"},
)

MOUNT = (
    ("axis_total_error_arcmin", "Polar axis off by", "arcmin", ""),
    ("axis_alt_error_arcmin", "Axis in altitude", "arcmin", "+ is too high"),
    ("axis_az_error_arcmin", "Axis in azimuth", "arcmin", "+ is too far east"),
    ("rate_error_ppm", "Drive rate off by", "ppm", "+ is too fast"),
    ("periodic_amplitude_arcsec", "Periodic error, half swing", "arcsec", ""),
    ("periodic_period_s", "Periodic error, period", "s", ""),
    ("sag_arcsec_per_min", "Sag", "arcsec/min", "+ is downwards"),
)
"""Summary key, words, unit and sense of each figure of the mount."""

GLOSSARY = {
    "verdict": "Keep: stack it. Doubtful: between the two limits of a rule, look at its stars "
    "first. Reject: past a limit. The limits stand in rules.yaml.",
    "run": "Frames of one night with the same body, lens, focal length, aperture, exposure, ISO "
    "and pointing: what can be compared and stacked together.",
    "trail": "Length of a straight trail, in pixels of the sensor, that would stretch the stars "
    "at the middle of the field as they are, the lens's own shape taken out; ± is one "
    "standard deviation.",
    "direction": "Where the trail lies on the sky: degrees from north through east, 0 to 180. A "
    "trail has an axis, not a head. Near 90 it lies along right ascension, where the drive turns.",
    "FWHM": "Full width of a star at half its height, median over the field: in pixels and, "
    "where the scale is known, in arcseconds.",
    "stars": "Stars that could be measured and had a vote.",
    "sky": "Median brightness of the sky above black, in the raw file's own units.",
    "altitude": "Height of the field's centre above the horizon, in degrees.",
    "extinction": "How much fainter the stars are than in the run's clearest frames: magnitudes.",
    "interval": "Where the true share lies with 95 % confidence (Wilson): few frames, wide "
    "interval.",
    "UTC": "World time of the start of the exposure, from the camera's clock, its zone and the "
    "night notes.",
    "camera clock": "Time as the camera wrote it, right or wrong.",
    "confidence": "How sure the cause is, 0 to 1.",
}

_FIGURES = (
    "focal_mm",
    "aperture",
    "iso",
    "exposure_s",
    "stars",
    "fwhm_px",
    "fwhm_arcsec",
    "ellipticity",
    "image_angle_deg",
    "trail_px",
    "trail_worst_px",
    "trail_sigma_px",
    "trail_angle_deg",
    "trail_pa_deg",
    "shift_px",
    "doubled_px",
    "ra_deg",
    "dec_deg",
    "roll_pa_deg",
    "scale_arcsec_px",
    "altitude_deg",
    "azimuth_deg",
    "sky_level",
    "extinction_mag",
    "confidence",
)
_SCRIPT_FIELDS = (
    *("id", "file", "run", "verdict", "cause", "confidence", "reason", "time", "clock", "utc"),
    *("exposure_s", "trail_px", "trail_sigma_px", "fwhm_px", "stars", "sky_level"),
)
_STAMP = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[T ](\d\d):(\d\d):(\d\d)")


def session_page(result: SessionResult) -> Plain:
    """Everything the page shows, as texts, numbers and lists; what is not known is None."""
    frames = result.frames
    if not isinstance(frames, pd.DataFrame):
        raise TypeError("SessionResult.frames is not a DataFrame")
    judged = frames[(frames["kind"] == "light") & frames["verdict"].isin(list(VERDICTS))]
    runs = _in_order(judged["run"], result.summary)
    crops = {file: result.crops[file] for file in judged["file"] if file in result.crops}
    stretches = {
        run: stretch_of(crops[f] for f in judged.loc[judged["run"] == run, "file"] if f in crops)
        for run in runs
    }
    rows = [
        _frame(record, crops.get(record["file"]), stretches[record["run"]])
        for record in judged.to_dict("records")
    ]
    axis = next((key for key in ("clock", "utc") if any(r[key] for r in rows)), None)
    for number, row in enumerate(rows, 1):
        row["time"] = _milliseconds(row[axis]) if axis else number
    page_runs = [_run(run, n, rows, result.summary) for n, run in enumerate(runs, 1)]
    return {
        "session": result.session,
        "cameras": _distinct(frames["camera"]),
        "evening": _evening(rows),
        "notices": list(result.notices),
        **_count(rows),
        "losses": _losses(rows),
        "runs": page_runs,
        "frames": rows,
        "causes_met": sorted({row["cause"] for row in rows if row["cause"]}),
        "aside": _aside(frames.drop(judged.index)),
        "time_axis": axis or "order",
        "data": {
            "session": result.session,
            "time_axis": axis or "order",
            "frames": [{key: row[key] for key in _SCRIPT_FIELDS} for row in rows],
            "runs": [
                {key: run[key] for key in ("id", "run", "number", "title")} for run in page_runs
            ],
            "charts": list(CHARTS),
            "marks": MARKS,
        },
    }


def render(page: Plain) -> str:
    """The page as one HTML file that needs nothing else and asks for nothing."""
    reports = shipped("reports")

    def source(name: str) -> str:
        return (reports / name).read_text("utf-8")

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False}
    environment.filters.update(
        figure=_figure, setting=_setting, duration=_duration, percent=_percent
    )
    # Only files that we or the chart library ship are marked safe.
    environment.globals.update(
        shipped=lambda name: Markup(source(name)),
        script=lambda: Markup(_script()),
        CAUSES=CAUSES,
        GLOSSARY=GLOSSARY,
        MARKS=MARKS,
        VERDICTS=VERDICTS,
    )
    return environment.get_template("session.html").render(page=page)


@cache
def _script() -> str:
    """`page.js` and the chart library (Vega) it calls, bundled; needs no network."""
    return str(vl_convert.javascript_bundle((shipped("reports") / "page.js").read_text("utf-8")))


def _frame(record: Mapping[Any, Any], measure: Measure | None, stretch: Stretch) -> Plain:
    """One row of the frame list."""
    file = str(record["file"])
    uri, width, height, count = strip_uri(measure, stretch) if measure else ("", 0, 0, 0)
    return {
        # From the name, so that a link still points to the frame after judging again.
        "id": "frame-"
        + hashlib.blake2b(file.encode("utf-8", "replace"), digest_size=6).hexdigest(),
        "file": file,
        "name": file.rpartition("/")[2],
        "run": str(record["run"]),
        "lens": _words(record["lens"]),
        "verdict": str(record["verdict"]),
        "cause": _words(record["cause"]),
        "reason": _words(record["reason"]),
        "clock": _stamp(record["taken_camera"]),
        "utc": _stamp(record["taken_utc"]),
        "solved": record["solved"] is True or str(record["solved"]).lower() == "true",
        **{name: _number(record.get(name)) for name in _FIGURES},
        "strip": {"uri": uri, "width": width, "height": height, "stars": count},
    }


def _run(run: str, number: int, rows: list[Plain], summary: Mapping[str, Any]) -> Plain:
    """The card of one run."""
    mine = [row for row in rows if row["run"] == run]
    kept = [row for row in mine if row["verdict"] == "keep"]
    told = _summary_run(run, summary)
    sharpest = min(
        (row for row in kept or mine if row["fwhm_px"] is not None),
        key=lambda row: row["fwhm_px"],
        default=None,
    )
    lens = mine[0]["lens"]
    settings = {name: mine[0][name] for name in ("focal_mm", "aperture", "iso", "exposure_s")}
    optics = lens or (
        f"{_setting(settings['focal_mm'])} mm" if settings["focal_mm"] else "Unnamed lens"
    )
    return {
        "id": f"run-{number}",
        "run": run,
        "number": number,
        "title": f"{optics}, {_setting(settings['exposure_s'])} s"
        if settings["exposure_s"]
        else optics,
        "lens": lens,
        **settings,
        **_count(mine),
        "rate": len(kept) / len(mine),
        "rate_low": _number(told.get("hit_rate_low")),
        "rate_high": _number(told.get("hit_rate_high")),
        "losses": _losses(mine),
        "sharpest": sharpest,
        "scale_arcsec_px": _middle(row["scale_arcsec_px"] for row in mine),
        "kept_trail_px": _middle(row["trail_px"] for row in kept),
        "kept_fwhm_px": _middle(row["fwhm_px"] for row in kept),
        "solved": sum(row["solved"] for row in mine),
        "altitudes": _span(row["altitude_deg"] for row in mine),
        "mount": _mount(told.get("mount")),
        "first": min((row["clock"] for row in mine if row["clock"]), default=""),
        "last": max((row["clock"] for row in mine if row["clock"]), default=""),
    }


def _mount(mount: object) -> Plain:
    """The mount fit as rows; a figure that could not be had carries the words why."""
    known = mount if isinstance(mount, Mapping) else {}
    why = known.get("why_not") or ("" if known else "no fit of the mount for this run")
    rows = []
    for key, words, unit, sense in MOUNT:
        value = _number(known.get(key))
        reason = why.get(key, "") if isinstance(why, Mapping) else why
        reason = known.get(f"{key}_why_not") or reason
        if value is None and not reason and key not in known:
            continue
        rows.append(
            {
                "key": key,
                "words": words,
                "unit": unit,
                "sense": sense,
                "value": value,
                "sigma": _number(known.get(f"{key}_sigma")),
                "why_not": "" if value is not None else _words(reason) or "not measured",
            }
        )
    unknown = {row["why_not"] for row in rows}
    # Seven times the same excuse is one excuse.
    if rows and all(row["value"] is None for row in rows) and len(unknown) == 1:
        return {"setup": _words(known.get("setup")), "rows": [], "why_not": unknown.pop()}
    return {"setup": _words(known.get("setup")), "rows": rows, "why_not": ""}


def _count(rows: list[Plain]) -> Plain:
    """Frames and seconds by verdict."""
    seconds = {v: _seconds(row for row in rows if row["verdict"] == v) for v in VERDICTS}
    return {
        "judged": len(rows),
        **{v: sum(row["verdict"] == v for row in rows) for v in VERDICTS},
        "seconds": {**seconds, "judged": sum(seconds.values())},
        "untimed": sum(row["exposure_s"] is None for row in rows),
    }


def _losses(rows: list[Plain]) -> list[Plain]:
    """Frames not kept by cause, the dearest in rejected time first."""
    losses = []
    for cause in sorted({row["cause"] for row in rows if row["verdict"] != "keep"}):
        lost = [row for row in rows if row["cause"] == cause and row["verdict"] != "keep"]
        label, meaning = CAUSES.get(cause, (cause or "no cause given", ""))
        losses.append({"cause": cause, "label": label, "meaning": meaning, **_count(lost)})
    return sorted(losses, key=lambda loss: (-loss["reject"], -loss["doubtful"], loss["cause"]))


def _aside(others: pd.DataFrame) -> list[Plain]:
    """What was not judged, by kind, each file with its reason."""
    known = [*ASIDE, *sorted(set(others["kind"].astype(str)) - set(ASIDE))]
    groups = []
    for kind in known:
        files = [
            {"file": str(file), "reason": _words(reason)}
            for file, reason in others.loc[others["kind"] == kind, ["file", "reason"]].values
        ]
        if files:
            groups.append({"kind": kind, "heading": ASIDE.get(kind, kind), "files": files})
    return groups


def _in_order(runs: Iterable[object], summary: Mapping[str, Any]) -> list[str]:
    """Run names as the summary orders them, then any it does not name."""
    met = [str(run) for run in runs]
    told = [str(run.get("run")) for run in _summary_runs(summary)]
    return [run for run in dict.fromkeys([*told, *met]) if run in set(met)]


def _summary_runs(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [run for run in summary.get("runs") or [] if isinstance(run, Mapping)]


def _summary_run(run: str, summary: Mapping[str, Any]) -> Mapping[str, Any]:
    return next((told for told in _summary_runs(summary) if str(told.get("run")) == run), {})


def _distinct(values: Iterable[object]) -> list[str]:
    return list(dict.fromkeys(filter(None, map(_words, values))))


def _words(value: object) -> str:
    """A text; empty for None and NaN."""
    return "" if value is None or value is pd.NA or value != value else str(value)


def _number(value: object) -> float | None:
    """A finite number or None."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _seconds(rows: Iterable[Plain]) -> float:
    """Exposure time; frames of unknown exposure add nothing (`untimed` counts them)."""
    return math.fsum(row["exposure_s"] or 0.0 for row in rows)


def _middle(values: Iterable[float | None]) -> float | None:
    known = sorted(value for value in values if value is not None)
    return _number(pd.Series(known, dtype=float).median())


def _span(values: Iterable[float | None]) -> tuple[float, float] | None:
    known = [value for value in values if value is not None]
    return (min(known), max(known)) if known else None


def _stamp(value: object) -> str:
    """A date and time as `2026-08-14 22:04:11`; the text as it stands if it is none."""
    if isinstance(value, datetime) and not pd.isna(value):
        return value.strftime("%Y-%m-%d %H:%M:%S")
    text = _words(value)
    found = _STAMP.match(text)
    return "{}-{}-{} {}:{}:{}".format(*found.groups()) if found else text


def _milliseconds(stamp: str) -> int | None:
    """A stamp on a time axis without zones: milliseconds since 1970 as if it were UTC."""
    try:
        return int(datetime.fromisoformat(stamp).replace(tzinfo=UTC).timestamp() * 1000)
    except ValueError:
        return None


def _evening(rows: list[Plain]) -> str:
    """First and last start by the camera's clock, in words; empty if no frame has a time."""
    stamps = sorted(s for s in (row["clock"] or row["utc"] for row in rows) if _STAMP.match(s))
    return f"{stamps[0][:16]} to {stamps[-1][:16]}" if stamps else ""


def _figure(value: object, digits: int = 3) -> str:
    """A number to so many significant digits, whole digits always in full; – if unknown."""
    number = _number(value)
    if number is None:
        return "–"
    if number == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(number))))
    text = format(number, f"z,.{min(decimals, 6)}f").replace(",", "\u202f")
    return text.replace("-", "−")


def _setting(value: object) -> str:
    """A number as it is engraved on the gear: 85, 2.8, 0.5; – if unknown."""
    number = _number(value)
    return "–" if number is None else f"{number:.10g}" if number >= 1000 else f"{number:.3g}"


def _duration(seconds: float) -> str:
    """Seconds as `3 h 05 min`, `12 min` or `40 s`."""
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.0f}\u202f%"
