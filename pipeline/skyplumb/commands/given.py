"""What several commands are given in the same words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

RulesFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="Rules file; it need only hold what differs.", show_default="shipped"
    ),
]
History = Annotated[
    list[Path] | None,
    typer.Option(
        metavar="DIR",
        help="Output of an earlier audit, or a folder that holds such: how sharp a lens was "
        "on other nights is the standard for its focus; may be given again.",
        show_default="none",
    ),
]
Jobs = Annotated[
    int, typer.Option(metavar="COUNT", min=0, help="How many worker processes; 0 for one per core.")
]
WorkerMemory = Annotated[
    float,
    typer.Option(
        metavar="GB",
        min=0.5,
        help="Memory that a worker may take for one frame, GB; what needs more is told and not "
        "measured.",
    ),
]
Folders = Annotated[
    list[Path], typer.Argument(metavar="DIR", help="Folders that audit --out wrote.")
]
"""What the commands over many nights begin with."""
