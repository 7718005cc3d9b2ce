"""From a year of session records to a claim one may make about one's own technique.

from toolkit import audit
audit("sessions.csv", question="question.toml")
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Audit", "Records", "audit", "load_records"]

if TYPE_CHECKING:
    from toolkit.auditing import Audit, audit
    from toolkit.records.account import Records
    from toolkit.records.records import load_records

_WHERE = {
    "Audit": "toolkit.auditing",
    "audit": "toolkit.auditing",
    "Records": "toolkit.records.account",
    "load_records": "toolkit.records.records",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that `import toolkit` stays light."""
    if name not in _WHERE:
        raise AttributeError(f"module 'toolkit' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_WHERE[name]), name)
