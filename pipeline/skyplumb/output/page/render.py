"""A page's plain data -> one HTML file, by the templates, styles and scripts of `reports/`."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from typing import Any

import jinja2
from markupsafe import Markup

from skyplumb._data import cache_folder, shipped, write_whole


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
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":")}
    environment.filters.update(filters)
    # Only files that we or the chart library ship are marked safe.
    environment.globals.update(
        words,
        shipped=lambda name: Markup(_source(name)),
        script=lambda: Markup(_bundle(tuple(scripts))),
    )
    return environment.get_template(template).render(page=page)


def _source(name: str) -> str:
    return (shipped("reports") / name).read_text("utf-8")


@cache
def _bundle(scripts: tuple[str, ...]) -> str:
    """Our scripts and the chart library (Vega) they call in one; needs no network.

    Bundling takes seconds, so it is kept for the next page, under a name that tells of
    everything it is made from. A folder that cannot be written to costs those seconds only.
    """
    own = "\n".join(_source(name) for name in scripts)
    made_from = f"{version('vl-convert-python')}\0{own}".encode()
    name = hashlib.blake2b(made_from, digest_size=12).hexdigest()
    path = cache_folder() / f"page-{name}.js"
    kept = path.read_bytes() if path.is_file() else b""
    if kept.endswith(_WHOLE):
        return kept.removesuffix(_WHOLE).decode()
    import vl_convert  # a second of its own, which a kept bundle saves

    bundle = str(vl_convert.javascript_bundle(own))
    with suppress(OSError):
        write_whole(path, bundle.encode() + _WHOLE)
    return bundle


_WHOLE = b"\n// whole"
"""The end of a kept bundle, which one that was cut off has not."""
