"""What may go wrong with one file, in three classes, and the words for each.

Expected: the file is damaged, cut short, or no picture; the code that finds it says what is wrong.
Unexpected: a library stumbles over the file; its row says so and names the library's own words.
Our own: a fault of skyplumb is never taken for damage, so nothing of ours runs inside `library`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from skyplumb.errors import UnreadableError

AGAIN = "copy it from the camera again, or leave it off the card"
SHORT_OF_MEMORY = "not enough memory to read it; free some or use fewer --jobs, then start again"


@contextmanager
def library(name: str, file: str) -> Iterator[None]:
    """Around calls into a library with a file's content, and around nothing else.

    Raises
    ------
    UnreadableError
        For whatever the library raises. As broad as this since libraries answer damage with
        errors of every class, their assertions and private ones among them.
    """
    try:
        yield
    except UnreadableError:
        raise
    except MemoryError:
        raise UnreadableError(f"{file}: {SHORT_OF_MEMORY}") from None
    except Exception as error:
        raise UnreadableError(f"{file}: {name} failed on it ({in_words(error)}); {AGAIN}") from None


def in_words(error: BaseException) -> str:
    """A library's message in one short line, with its class where it says nothing else."""
    text = error.args[0] if error.args else ""
    text = text.decode("ascii", "replace") if isinstance(text, bytes) else str(error)
    plain = "".join(letter if letter.isprintable() else " " for letter in text[:400])
    return " ".join(plain.split())[:120] or type(error).__name__
