"""What an audit is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from skyplumb.errors import UserError
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.measure.workers import cores
from skyplumb.output.files import Targets

MOST_JOBS_A_CORE = 32
"""More processes than that only wait for each other."""
MOST_MEMORY_GB = 1e6


def memory_bytes_of(gigabytes: float) -> int:
    """What a worker may take.

    Raises
    ------
    UserError
        If it is no amount of memory.
    """
    if not 0.0 < gigabytes <= MOST_MEMORY_GB:
        raise UserError(f"--worker-memory {gigabytes:g}: should be a number of GB, such as 1.5")
    return int(gigabytes * 1e9)


def refuse_jobs(jobs: int) -> None:
    """Stop before so many processes bring down the machine."""
    most = MOST_JOBS_A_CORE * cores()
    if not 0 <= jobs <= most:
        raise UserError(f"--jobs {jobs}: should be from 0, for one per core, to {most}")


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line, or a program, asks for."""

    card: Path
    out: Path
    rules: Path | None = None
    notes: Path | None = None
    jobs: int = 0
    """Worker processes; 0 for one a core."""
    fresh: bool = False
    link_into: Path | None = None
    xmp: bool = False
    quiet: bool = False
    overrides: tuple[Path, ...] = ()
    """Files with verdicts by hand."""
    memory_bytes: int = MEMORY_BYTES
    """What a worker may take while it measures."""
    root: Path | None = None
    """Where the card was copied to, for the lists."""
    xmp_beside: Path | None = None
    """A copy of the card that gets sidecars."""
    cluster: str = ""
    """Address of a Dask scheduler whose workers measure, or `local`; empty for own processes."""
    history: tuple[Path, ...] = ()
    """Outputs of earlier audits, which tell how sharp a lens can be."""
    darks: tuple[Path, ...] = ()
    """Folders of more calibration frames, to be laid out where they are nearer to a run in time."""
    share: bool = False
    """Whether to write a page to give away, without paths, serial numbers and place."""
    send_files: bool = False
    """Whether its workers get the files sent, since they do not see the card."""

    @property
    def targets(self) -> Targets:
        """Where the files of a session go."""
        return Targets(self.out, self.link_into, self.xmp, self.xmp_beside, self.share, self.root)
