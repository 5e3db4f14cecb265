"""What a kept result follows from besides its inputs: the code that makes it, and the libraries.

Each stage that keeps something declares its `Making` beside the code; a result is found again as
long as inputs and making are the same. So a word changed in the command line measures and
calibrates nothing anew, and another decoder never stands beside the first in one run.
"""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, requires, version
from pathlib import Path

PACKAGE = Path(__file__).parent
BUILT = (".so", ".pyd", ".dll", ".dylib")
"""In the names of files that hold compiled code."""


@dataclass(frozen=True, slots=True)
class Making:
    """How a stage's results are made."""

    libraries: tuple[str, ...]
    """Distributions whose version may change a result; `libraw` is the one inside rawpy."""
    modules: tuple[str, ...] = ()
    """Modules of this package whose text counts, with the text of all that they import of it."""
    alone: tuple[str, ...] = ()
    """Modules whose own text counts and no other."""
    by_hand: int = 0
    """Raised by hand where no text counts."""

    @property
    def digest(self) -> str:
        """The same for as long as the same inputs give the same result."""
        return _digest(self)


def versions(libraries: Iterable[str]) -> dict[str, str]:
    """The version of each that is installed here."""
    return {name: _libraw() if name == "libraw" else version(name) for name in libraries}


def surroundings() -> dict[str, str]:
    """What a report of a fault should tell: the versions of skyplumb, of the system, of Python,
    and of every library that any of it needs at work."""
    at_work = (one for one in requires("skyplumb") or () if not re.search("'(dev|mutants)'", one))
    declared = (re.match(r"[\w-]+", one) for one in at_work)
    found = {
        "skyplumb": version("skyplumb"),
        "python": platform.python_version(),
        "system": platform.platform(),
    }
    for name in sorted({one[0] for one in declared if one}):
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    with suppress(Exception):
        found["libraw"] = _libraw()
    return found


def imported_by(modules: Iterable[str]) -> frozenset[str]:
    """Modules of this package that are imported by some, those included.

    Found in their text, so that none is loaded for it. A package's `__init__` counts where it is
    imported by its own name; those above a module are passed over.
    """
    files = _files()
    found: set[str] = set()
    rest = set(modules)
    while rest:
        name = rest.pop()
        found.add(name)
        rest |= {one for one in _imports(files[name].read_bytes()) if one in files} - found
    return frozenset(found)


_IMPORT = re.compile(
    rb"^[ \t]*(?:from[ \t]+(skyplumb[\w.]*)[ \t]+import[ \t]+(\([^)]*\)|[^\n#]*)"
    rb"|import[ \t]+(skyplumb[\w.]*))",
    re.MULTILINE,
)


def _imports(text: bytes) -> set[str]:
    """Names that an import may load, modules and others; all of ours are written in full."""
    names = set()
    for source, parts, whole in _IMPORT.findall(text):
        names.add((source or whole).decode())
        names |= {f"{source.decode()}.{part.decode()}" for part in re.findall(rb"\w+", parts)}
    return names - {PACKAGE.name}


@cache
def _files() -> dict[str, Path]:
    """Where each module of this package lies, as it is installed."""
    files = {}
    for path in PACKAGE.rglob("*.py"):
        parts = (PACKAGE.name, *path.relative_to(PACKAGE).with_suffix("").parts)
        files[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return files


@cache
def _digest(making: Making) -> str:
    digest = hashlib.blake2b(digest_size=16)
    told = sorted(versions(making.libraries).items())
    digest.update(repr((making.by_hand, told)).encode())
    for name in sorted({*imported_by(making.modules), *making.alone}):
        digest.update(
            f"\0{name}\0".encode() + hashlib.blake2b(_files()[name].read_bytes()).digest()
        )
    return digest.hexdigest()


@cache
def _libraw() -> str:
    """What tells one LibRaw from another: one version of rawpy may be built with any.

    Of the check sums that the installer keeps of rawpy's libraries, since loading them to ask for
    a version would make every call wait.
    """
    files = distribution("rawpy").files or []
    built = sorted(
        f"{file.name} {file.hash.value}"
        for file in files
        if file.hash is not None
        and any(end in file.name for end in (".so", ".pyd", ".dll", ".dylib"))
    )
    return hashlib.blake2b("\n".join(built).encode(), digest_size=8).hexdigest()
