"""Where the files we ship lie, and where what was made once is kept for the next time."""

import os
import tempfile
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from platformdirs import user_cache_path


def shipped(folder: str) -> Traversable:
    """The folder `reports` or `config`, from the checkout or from the installed wheel.

    Raises
    ------
    FileNotFoundError
        If neither place holds the folder.
    """
    checkout = Path(__file__).resolve().parents[2]
    if (checkout / "pyproject.toml").is_file() and (checkout / folder).is_dir():
        return checkout / folder
    installed = files("skyplumb") / folder
    if not installed.is_dir():
        raise FileNotFoundError(f"{folder}: not installed with skyplumb; install it again")
    return installed


def cache_folder() -> Path:
    """Where what takes long to make is kept: SKYPLUMB_CACHE, else the user's cache folder."""
    chosen = os.environ.get("SKYPLUMB_CACHE")
    return Path(chosen) if chosen else user_cache_path("skyplumb")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that is kept for ourselves, all of it or nothing.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left of it then.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, unfinished = tempfile.mkstemp(dir=path.parent, prefix=".unfinished-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        Path(unfinished).replace(path)
    except BaseException:
        Path(unfinished).unlink(missing_ok=True)
        raise
