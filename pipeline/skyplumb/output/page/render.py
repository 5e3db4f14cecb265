"""A page's plain data -> one HTML file, by the templates, styles and scripts of `reports/`."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from skyplumb._data import cache_folder, shipped, write_whole
from skyplumb.digits import significant


def fill_template(
    template: str,
    page: Mapping[str, Any],
    scripts: Sequence[str],
    filters: Mapping[str, Callable[..., Any]],
    words: Mapping[str, object],
) -> str:
    """The page as one HTML file that needs nothing else but what lies beside it.

    Parameters
    ----------
    template : str
        Its file in `reports/`.
    page : mapping
        What it shows; every text in it stays text.
    scripts : sequence of str
        Files in `reports/`, in the order in which they need each other.
    filters, words : mapping
        What the template may call and name.
    """
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_source),
        bytecode_cache=_Compiled(),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_function"] = _json
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":")}
    environment.filters.update(filters)
    # Only files that we ship are marked safe.
    environment.globals.update(
        words,
        shipped=lambda name: Markup(_source(name)),
        script=lambda: Markup(_bundle(tuple(scripts))),
    )
    return environment.get_template(template).render(page=page)


CHART_DIGITS = 6
"""Of a number in a chart: more than anyone sees, and fewer than differ between processors."""


def _json(data: Any, **options: Any) -> str:
    """A chart's data as JSON."""
    return json.dumps(_shortened(data), **options)


def _shortened(data: Any) -> Any:
    """The same with `CHART_DIGITS` digits a number."""
    if isinstance(data, dict):
        return {key: _shortened(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_shortened(value) for value in data]
    if not isinstance(data, float):
        return data
    shorter = significant(data, CHART_DIGITS)
    return int(shorter) if shorter.is_integer() else shorter


class _Compiled(jinja2.BytecodeCache):
    """Compiled templates in the user's cache; to compile one takes longer than to fill it.

    Named by the template's text and jinja's version (Python's stands in them). What is damaged or
    cannot be written counts for nothing.
    """

    def load_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Take what was kept."""
        with contextlib.suppress(OSError):
            told = self._path(bucket).read_bytes()
            digest, code = told[:_DIGEST_BYTES], told[_DIGEST_BYTES:]
            if digest == _digest(code):
                bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Keep it."""
        with contextlib.suppress(OSError):
            code = bucket.bytecode_to_string()
            write_whole(self._path(bucket), _digest(code) + code)

    @staticmethod
    def _path(bucket: jinja2.bccache.Bucket) -> Path:
        return cache_folder() / "templates" / f"{jinja2.__version__}-{bucket.checksum}.bin"


def _digest(code: bytes) -> bytes:
    return hashlib.blake2b(code, digest_size=_DIGEST_BYTES).digest()


_DIGEST_BYTES = 16


def _source(name: str) -> str:
    return (shipped("reports") / name).read_text("utf-8")


@cache
def _bundle(scripts: tuple[str, ...]) -> str:
    """The chart library and our scripts that call it, apart from each other's names."""
    own = "\n".join(_source(name) for name in scripts)
    return f'{_source(LIBRARY)}(() => {{\n"use strict";\n{own}}})();\n'


LIBRARY = "charts-library.js"
"""Vega, Vega-Lite and Vega-Embed as one script without imports, which sets `vegaEmbed`."""
