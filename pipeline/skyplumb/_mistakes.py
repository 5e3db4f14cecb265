"""Mistakes on the command line, each in one line with the mend; and its help in plain words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import typer
import typer.core

UsageError: type[Exception] = typer.BadParameter.__bases__[0]
"""What is raised for every such mistake; by way of a class of typer's own, since the library that
raises it stands inside typer or beside it, by its version."""


def understood(words: Sequence[str]) -> list[str]:
    """What was surely meant: help in any form, and the version of whatever command."""
    words = list(words)
    if not words or words == ["help"]:
        return ["--help"]
    if words[0] == "help":
        return [*words[1:2], "--help"]
    options = words[: words.index("--")] if "--" in words else words
    if "--version" in options:
        return ["--version", *(["--verbose"] if "--verbose" in options else [])]
    return words


def in_a_line(error: Any) -> str:
    """Such as `--focal: should be a number alone, such as 135.5, without its unit`."""
    context = getattr(error, "ctx", None)
    command = f"skyplumb {(context.info_name if context and context.parent else '') or ''}".strip()
    said = " ".join(error.format_message().split())
    name = re.search(r"'(--?[\w-]+)'", said)
    option = f"{name[1]}: " if name else ""
    if re.search(r"valid (number|float|integer|int)\b", said):
        whole = "a whole number alone, such as 4" if re.search(r"valid int", said) else (
            "a number alone, such as 135.5, with a point and without its unit"
        )  # fmt: skip
        return f"{option}should be {whole}"
    if "unexpected extra argument" in said:
        return (
            f"{command}: takes one folder and was given more ({said.partition('(s) ')[2][1:-1]}); "
            "give the folder that holds them, or call it for each"
        )
    said = said.replace("Input should", "should")
    said = re.sub(r"^Invalid value for '?(--?[\w-]+)'?[^:]*: ", r"\1: ", said).rstrip(".")
    return f"{said[:1].lower()}{said[1:]}; `{command} --help` says what it takes"


class Plain(typer.core.TyperCommand):
    """A command whose help tells an argument by its name, without the name of a type in Python."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Arguments and options."""
        params: list[Any] = list(super().get_params(ctx))
        for one in params:
            if one.param_type_name == "argument":
                one.display_type_rich = _nothing
        return params


def _nothing(ctx: Any) -> None:
    """Of a type."""
