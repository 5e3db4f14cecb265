"""skyplumb: which star frames are sharp, why the others trailed, what the gear can hold.

From Python, `audit` does what the command does, and `read_session` gives what it wrote: typed
records and a DataFrame with units.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.2.0"

if TYPE_CHECKING:
    from skyplumb.api import audit
    from skyplumb.auditing import Audited
    from skyplumb.errors import UserError
    from skyplumb.session import AuditedSession, read_session

__all__ = ["Audited", "AuditedSession", "UserError", "__version__", "audit", "read_session"]

_HOMES = {
    "Audited": "auditing",
    "AuditedSession": "session",
    "UserError": "errors",
    "audit": "api",
    "read_session": "session",
}
"""The module each name lives in. None of them is itself named like one: an imported module would
take the name's place."""


def __getattr__(name: str) -> Any:
    """What is asked for, loaded then: the command's --help needs none of it."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module 'skyplumb' has no attribute {name!r}")
    return getattr(import_module(f"skyplumb.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
