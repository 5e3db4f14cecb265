"""Where the files we ship lie, and where what was made once is kept for the next time."""

import errno
import json
import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, BinaryIO

from filelock import FileLock
from platformdirs import user_cache_path

from skyplumb.errors import UserError


@cache
def shipped(folder: str) -> Traversable:
    """The folder `reports` or `config`: of the installed package, else of the checkout it lies in.

    Raises
    ------
    FileNotFoundError
        If neither place holds the folder.
    """
    installed = files("skyplumb") / folder
    if installed.is_dir():
        return installed
    checkout = Path(__file__).resolve().parents[2]
    import tomllib  # an installed copy has no use for it

    with suppress(OSError, ValueError, KeyError, TypeError):
        # Another project may have such a file and folders above an installed copy.
        told = tomllib.loads((checkout / "pyproject.toml").read_text("utf-8"))
        if told["project"]["name"] == "skyplumb" and (checkout / folder).is_dir():
            return checkout / folder
    raise FileNotFoundError(f"{folder}: not installed with skyplumb; install it again")


def cache_folder() -> Path:
    """Where what takes long to make is kept: SKYPLUMB_CACHE, else the user's cache folder."""
    chosen = os.environ.get("SKYPLUMB_CACHE")
    return Path(chosen) if chosen else user_cache_path("skyplumb")


def refuse_link(*paths: Path) -> None:
    """Stop where something of ours that is written in place is a link, wherever it leads.

    Raises
    ------
    UserError
        Names the first link.
    """
    for path in paths:
        if path.is_symlink():
            raise UserError(
                f"{path}: is a link, and what is written there would land elsewhere; remove it"
            )


def own(path: Path) -> None:
    """Give a file that is written in place a content of its own, where it shares one.

    A file may have other names (hard links), on the card or in a copy of the output: what is
    written to it would be written to those.

    Raises
    ------
    OSError
        If it cannot be copied.
    """
    try:
        about = path.lstat()
    except FileNotFoundError:
        return
    if stat.S_ISREG(about.st_mode) and about.st_nlink > 1:
        with unfinished(path) as part:
            shutil.copyfile(path, part)


def lock_of(path: Path) -> FileLock:
    """The lock in a file of its own, which opening it would empty.

    Raises
    ------
    OSError, UserError
        If it is a link or cannot be made a file of its own.
    """
    refuse_link(path)
    own(path)
    return FileLock(path)


def open_ordinary(path: Path) -> BinaryIO:
    """An ordinary file, to be read from.

    Raises
    ------
    OSError
        If it cannot be opened or is no ordinary file: opening a pipe would wait for its writer,
        and opening a device may do anything.
    """
    refuse_no_file(path.stat())
    # Without waiting, should it have become a pipe just now.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    stream = os.fdopen(os.open(path, flags), "rb")
    try:
        refuse_no_file(os.fstat(stream.fileno()))
    except OSError:
        stream.close()
        raise
    return stream


def refuse_no_file(about: os.stat_result) -> None:
    if not stat.S_ISREG(about.st_mode):
        raise OSError(errno.EINVAL, "not an ordinary file")


def read_whole(path: Path) -> bytes:
    """All of an ordinary file.

    Raises
    ------
    OSError
        As `open_ordinary`.
    """
    with open_ordinary(path) as stream:
        return stream.read() or b""


def read_json(path: Path) -> Any:
    """What a JSON file of ours says.

    Raises
    ------
    OSError
        As `open_ordinary`.
    ValueError
        If it is no JSON, such as brackets in brackets without end.
    """
    try:
        return json.loads(read_whole(path).decode("utf-8"))
    except RecursionError:
        raise ValueError("too many brackets in brackets") from None


def write_whole(path: Path, content: bytes) -> None:
    """Write a file, all of it or nothing; its folder is made.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left of it then, and what was there stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with unfinished(path) as part:
        part.write_bytes(content)


@contextmanager
def unfinished(path: Path) -> Iterator[Path]:
    """A new name beside `path` to write to; moved to `path` at the end, gone after a failure.

    So a reader never meets half a file. The name is short whatever that of `path`, and is held
    by nobody else.
    """
    part = path.with_name(f".unfinished-{secrets.token_hex(6)}")
    try:
        yield part
        part.replace(path)
    except BaseException as error:
        if isinstance(error, OSError) and error.filename == str(part):
            error.filename = str(path)
        part.unlink(missing_ok=True)
        raise
