"""The audit as a function, for notebooks and programs; `session.read_session` reads its results."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

from skyplumb.auditing import Audited
from skyplumb.auditing import audit as run
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.options import Options, memory_bytes_of
from skyplumb.output.paths import default_out

AnyPath = str | Path


def audit(
    card: AnyPath,
    out: AnyPath | None = None,
    *,
    rules: AnyPath | None = None,
    notes: AnyPath | None = None,
    overrides: Sequence[AnyPath] = (),
    history: Sequence[AnyPath] = (),
    jobs: int = 0,
    worker_memory_gb: float = MEMORY_BYTES / 1e9,
    fresh: bool = False,
    link_into: AnyPath | None = None,
    darks: Sequence[AnyPath] = (),
    root: AnyPath | None = None,
    xmp: bool = False,
    xmp_beside: AnyPath | None = None,
    share: bool = False,
    cluster: str = "",
    send_files: bool = False,
    quiet: bool = True,
    say: Callable[[str], None] | None = None,
) -> Audited:
    """Audit a card as `skyplumb audit` does: which frames to stack, what happened to the others.

    Called again it goes on where it was stopped. The card is only ever read. Frames are measured
    in processes of their own, which do not run the caller's script again, so it needs no guard.

    Parameters
    ----------
    card : path
        Folder with the RAW or FITS frames.
    out : path, optional
        Folder for the results; `<card>-audit` beside the card's folder if not given.
    rules, notes : path, optional
        Files of limits and night notes; the shipped limits, and `night-notes.yaml` on or beside
        the card, if not given.
    overrides : sequence of path
        Files with verdicts by hand; they stay in force with the results.
    history : sequence of path
        Outputs of earlier audits, or folders that hold such: how sharp a lens was on other nights
        is the standard for its focus on this one.
    jobs : int
        Processes; 0 for one a core.
    worker_memory_gb : float
        What a process may take for one frame, GB.
    fresh : bool
        Measure every frame again.
    link_into, darks, root, xmp, xmp_beside, share : optional
        As the command's options of these names.
    cluster : str
        Address of a Dask scheduler whose workers measure, or `local`; own processes if empty.
    send_files : bool
        Send each file to its workers, which do not see the card.
    quiet : bool
        Say nothing of the progress on stderr.
    say : callable, optional
        Told what the command would print, a line each. Without it what the command would warn of,
        such as a card that was pulled out, comes as a `UserWarning` each when the audit ends.

    Returns
    -------
    Audited
        `sessions`, `folders` (for `read_session`), `lights` judged, `kept`, `index`, the page over
        all sessions, and whether it is `incomplete`.

    Raises
    ------
    UserError
        One line naming the file and the mend, such as for a card that is not there.
    """
    options = Options(
        card=Path(card),
        out=default_out(Path(card)) if out is None else Path(out),
        rules=_path(rules),
        notes=_path(notes),
        jobs=jobs,
        fresh=fresh,
        link_into=_path(link_into),
        xmp=xmp,
        quiet=quiet,
        overrides=tuple(Path(one) for one in overrides),
        history=tuple(Path(one) for one in history),
        memory_bytes=memory_bytes_of(worker_memory_gb),
        root=_path(root),
        xmp_beside=_path(xmp_beside),
        share=share,
        darks=tuple(Path(one) for one in darks),
        cluster=cluster,
        send_files=send_files,
    )
    if say is not None:
        return run(options, say)
    told: list[str] = []
    try:
        return run(options, _silent, told.append)
    finally:  # and not in the middle, which a filter that makes errors of them would end
        for line in told:
            warnings.warn(line, UserWarning, stacklevel=2)


def _path(given: AnyPath | None) -> Path | None:
    return None if given is None else Path(given)


def _silent(_: str) -> None:
    pass
