"""skyplumb: which star frames are sharp, why the others trailed, what the gear can hold.

From Python, `read_session` gives what an audit wrote: typed records and a DataFrame with units.
The audit itself is `skyplumb.auditing.audit(Options(card, out), print)`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from skyplumb.session import AuditedSession, read_session

__all__ = ["AuditedSession", "__version__", "read_session"]


def __getattr__(name: str) -> Any:
    """What is asked for, loaded then: the command's --help needs none of it."""
    if name in ("AuditedSession", "read_session"):
        from skyplumb import session

        return getattr(session, name)
    raise AttributeError(f"module 'skyplumb' has no attribute {name!r}")
