"""The table of a session as CSV: the same numbers always give the same bytes."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable

from skyplumb.columns import COLUMNS, COUNT, NUMBER, PATH, TEXT, TIME, TRUTH, Column, FrameRow
from skyplumb.plain import guarded, text_of, unknown, visible


def frames_csv(rows: Iterable[FrameRow]) -> str:
    """Every column of `COLUMNS`, numbers with their own digits; what is not known is empty.

    Two things are turned so that a spreadsheet takes a text for a text, since a cell that begins
    with = + - @ would be run as a formula: `file` then begins with `./`, which is the same path to
    every program, and any other text gets an apostrophe in front.
    """
    columns = tuple(COLUMNS.items())
    cells = (tuple(_cell(getattr(row, name), one) for name, one in columns) for row in rows)
    return "".join(map(csv_line, [tuple(COLUMNS), *cells]))


def csv_line(cells: tuple[str, ...]) -> str:
    """One row; a cell with a line end of any kind stands in quotes."""
    text = io.StringIO(newline="")
    # The writer quotes what holds a sign of its own line end, so it is told of both.
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue().removesuffix("\r\n") + "\n"


def _cell(value: object, column: Column) -> str:
    """One cell; empty for what is not known."""
    if unknown(value):
        return ""
    if column.numeric:
        number = float(value)  # type: ignore[arg-type]
        # z: a rounded -0.0 is written as 0, whichever side the last bit fell on.
        return format(number, f"z{column.form}") if math.isfinite(number) else ""
    if column.kind == TRUTH:
        return "true" if value else "false"
    if column.kind == PATH:
        return guarded(text_of(value), path=True)
    return guarded(visible(text_of(value)))


def csv_metadata(table: str) -> str:
    """What the columns are, as "CSV on the Web" has it (W3C Recommendation, 17 December 2015).

    `table` is the file's name beside the description. Units and meanings are annotations by the
    vocabularies that every such description knows: `schema:unitText` and `dc:description`.
    """
    told = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": table,
        "dc:title": "Frames of one audited session",
        "dialect": {"header": True, "encoding": "utf-8", "lineTerminators": ["\n"]},
        "tableSchema": {
            "columns": [_described(column) for column in COLUMNS.values()],
            "primaryKey": "file",
        },
    }
    return json.dumps(told, indent=1, ensure_ascii=False) + "\n"


_DATATYPES = {
    PATH: "string",
    TEXT: "string",
    TIME: "dateTime",
    TRUTH: "boolean",
    NUMBER: "double",
    COUNT: "integer",
}


def _described(column: Column) -> dict[str, object]:
    title = f"{column.title} ({column.unit})" if column.unit else column.title
    told: dict[str, object] = {
        "name": column.name,
        # The first is the header's cell, by which a reader knows the column.
        "titles": [column.name, title],
        "datatype": _DATATYPES[column.kind],
        "dc:description": column.meaning,
        "dc:source": column.source,
    }
    if column.kind in (TEXT, PATH):
        # Words may be empty; for all else an empty cell is what is not known.
        told["null"] = []
    if column.unit:
        told["schema:unitText"] = column.unit
    return told
