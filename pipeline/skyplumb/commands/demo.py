"""`skyplumb demo`: a card with known truth, to try the rest with."""

from __future__ import annotations

from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import tell
from skyplumb.commands.ending import stoppable
from skyplumb.digits import counted
from skyplumb.errors import UserError
from skyplumb.measure.progress import Progress

DEMO_LIBRARIES = ("imagecodecs", "tifffile")
"""What the demo extra installs."""


class _Drawn(ExitStack):
    """Says how far the drawing is, from when it has begun."""

    _shown: Progress | None = None

    def told(self, done: int, total: int) -> None:
        """So many are drawn."""
        if self._shown is None:
            begun = f"drawing {counted(total, 'frame')} of an invented night and what is true of it"
            self._shown = self.enter_context(Progress(total, verb="drew", begun=begun))
        self._shown.step(done - self._shown.done)


class Format(StrEnum):
    """File formats the demo can draw."""

    DNG = "dng"
    FITS = "fits"


def demo(
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="New or empty folder for the simulated card.")
    ],
    format: Annotated[
        Format, typer.Option(help="File format of the frames.", case_sensitive=False)
    ] = Format.DNG,
) -> None:
    """Simulate a card with known truth."""
    with stoppable(f"stopped; remove {out} before drawing again"):
        try:
            from skyplumb.demo import render_card
        except ModuleNotFoundError as missing:
            if (missing.name or "").partition(".")[0] not in DEMO_LIBRARIES:
                raise
            raise UserError(
                f"{missing.name}: not installed, and the demo writes its files with it; "
                "run: pip install 'skyplumb[demo]'"
            ) from None
        with _Drawn() as drawn:
            card = render_card(out, format.value, progress=drawn.told)
    tell(f"{card}")
