"""The parsers of metadata, edited files and verdicts by hand, on whatever text there may be."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skyplumb.errors import UnreadableError
from skyplumb.intake.fits_file import FitsPicture, open_picture
from skyplumb.intake.notes import Notes
from skyplumb.intake.overrides import OverridesFile
from skyplumb.intake.rules import Rules
from skyplumb.intake.values import angle_deg, number, tidy, time
from skyplumb.intake.yaml_file import Settings, SettingsError, Source, load_source

# The same examples each time, and none kept on disk.
settings.register_profile("fixed", derandomize=True, database=None, deadline=None, max_examples=150)
settings.load_profile("fixed")

PATH = Path("made.yaml")
NUMBERISH = st.text(alphabet="0123456789+-.eEdD/: °'\"NSEWhmsTZ\t", max_size=90)
PRINTABLE = st.text(st.characters(exclude_categories=("C", "Z")), max_size=20)
SCALARS = st.none() | st.booleans() | st.integers(-(10**17), 10**17) | st.floats() | PRINTABLE
FINITE = SCALARS.filter(lambda value: not isinstance(value, float) or math.isfinite(value))
DATA = st.recursive(
    FINITE,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(PRINTABLE, inner, max_size=4),
    max_leaves=20,
)


@pytest.mark.slow
@given(st.text() | NUMBERISH)
def test_no_text_of_a_header_is_too_odd_to_be_read(text: str) -> None:
    for value in (number(text), angle_deg(text), angle_deg(text, hours=True)):
        assert math.isnan(value) or math.isfinite(value)
    when = time(text, text)
    assert when is None or 1900 <= when.year <= 2199
    assert tidy(text).isprintable() and len(tidy(text)) <= 200


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(("", " s", " C", "°")))
def test_numbers_come_back_as_they_were_written(value: float, unit: str) -> None:
    assert number(f"{value!r}{unit}") == value


@given(st.integers(-(2**31), 2**32), st.integers(-(2**31), 2**32).filter(bool))
def test_ratios_are_divided(above: int, below: int) -> None:
    assert number(f"{above}/{below}") == above / below


@given(
    st.sampled_from(("", "-", "+")),
    st.integers(0, 359),
    st.integers(0, 59),
    st.integers(0, 59_999),
    st.sampled_from(("{}:{}:{}", "{} {} {}", "{}d{}m{}s", "{}° {}' {}\"")),
)
def test_angles_are_their_sum_in_sixtieths(
    sign: str, whole: int, minutes: int, thousandths: int, form: str
) -> None:
    text = sign + form.format(whole, minutes, f"{thousandths / 1000:.3f}")
    size = whole + minutes / 60 + thousandths / 3_600_000
    assert angle_deg(text) == pytest.approx(-size if sign == "-" else size, abs=1e-9)


@given(st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31)))
def test_times_come_back_from_both_ways_of_writing_them(when: datetime) -> None:
    assert time(when.isoformat(timespec="microseconds")) == when
    assert time(when.strftime("%Y:%m:%d %H:%M:%S"), f"{when.microsecond:06d}") == when


def read(text: str, model: type[Settings]) -> Settings | None:
    """A model, or nothing where the text was refused with lines that name the file."""
    try:
        return load_source(Source(PATH, text), model)
    except SettingsError as error:
        lines = str(error).splitlines()
        assert lines and all(line.startswith("made.yaml:") for line in lines)
        assert len(lines) <= 21 and all(line.isprintable() for line in lines)
        return None


@pytest.mark.broad
@given(
    st.text() | st.text(alphabet="{}[]:,-&*!|>'\"#%@`? \n\tab01", max_size=60),
    st.sampled_from((Notes, Rules, OverridesFile)),
)
def test_no_text_is_too_odd_to_be_refused(text: str, model: type[Settings]) -> None:
    read(text, model)


@pytest.mark.broad
@given(DATA)
def test_what_json_writes_is_read_as_it_is(data: Any) -> None:
    source = Source(PATH, json.dumps({"a": data}, ensure_ascii=False))
    assert source.data == {"a": data}


@pytest.mark.slow
@given(
    st.dictionaries(
        st.sampled_from([*Notes.model_fields, "latitude_deg", "longitude_deg", "files", "after"]),
        DATA | st.floats() | st.datetimes().map(str),
    )
)
def test_notes_of_any_content_are_taken_or_refused_line_by_line(data: dict[str, Any]) -> None:
    read(json.dumps(data, ensure_ascii=False), Notes)
    read(json.dumps({"runs": [data], "leave_out": [data]}, ensure_ascii=False), Notes)


@pytest.mark.broad
@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "file": PRINTABLE.filter(bool),
                "verdict": st.sampled_from(("keep", "doubtful", "reject")),
            },
            optional={"note": PRINTABLE},
        ),
        max_size=20,
    )
)
def test_every_verdict_by_hand_is_read(frames: list[dict[str, str]]) -> None:
    model = read(json.dumps({"frames": frames}, ensure_ascii=False), OverridesFile)
    assert isinstance(model, OverridesFile)
    assert [entry.file for entry in model.frames] == [entry["file"] for entry in frames]
    assert [entry.verdict for entry in model.frames] == [entry["verdict"] for entry in frames]


KEYWORD = st.sampled_from(
    [
        "SIMPLE",
        "BITPIX",
        "NAXIS",
        "NAXIS1",
        "NAXIS2",
        "PCOUNT",
        "GCOUNT",
        "XTENSION",
        "GROUPS",
        "ZIMAGE",
        "ZNAXIS",
        "ZNAXIS1",
        "ZTILE1",
        "ZBITPIX",
        "TFIELDS",
        "END",
        "EXPTIME",
        "naxis",
    ]
)
VALUE = st.integers(-(10**30), 10**30).map(str) | st.text(
    st.characters(min_codepoint=32, max_codepoint=126), max_size=70
)


@given(st.lists(st.tuples(KEYWORD, VALUE), max_size=20), st.binary(max_size=100))
def test_no_header_is_too_odd_to_be_refused(cards: list[tuple[str, str]], rest: bytes) -> None:
    begin = [("SIMPLE", "T"), ("BITPIX", "16"), ("NAXIS", "2"), ("NAXIS1", "20"), ("NAXIS2", "20")]
    for first in ([], begin):
        lines = [f"{key:8}= {value:>20}".ljust(80)[:80] for key, value in [*first, *cards]]
        header = "".join(lines).encode() + b"END".ljust(80)
        content = header.ljust(-(-len(header) // 2880) * 2880) + rest
        try:
            picture = open_picture(content, "made.fits")
            assert isinstance(picture, FitsPicture)
            picture.samples()
        except UnreadableError as error:
            assert str(error).startswith("made.fits: ") and str(error).isprintable()
