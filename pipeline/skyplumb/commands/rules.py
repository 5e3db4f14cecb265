"""`skyplumb rules`: the limits in force."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import tell


def rules(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE", help="Rules file to check.", show_default="print the shipped rules"
        ),
    ] = None,
) -> None:
    """Print the shipped rules, or check a file."""
    from skyplumb.intake.rules import describe, load_rules, shipped_text

    tell((shipped_text() if file is None else describe(load_rules(file))).rstrip())
