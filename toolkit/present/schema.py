"""Whether findings have the form that `findings/1` promises to everybody who reads them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from typing import Any

from toolkit.errors import ToolkitError
from toolkit.resources import shared_file

SCHEMA = "schemas/findings-1.schema.json"


def check_findings(findings: Mapping[str, Any]) -> None:
    """Refuse findings that do not keep to the form, naming the first places that do not.

    Args:
        findings: what an audit found, as in findings.json.

    Raises:
        ToolkitError: a key is missing, has the wrong type, or a number is not finite.
    """
    from jsonschema import Draft202012Validator

    schema = json.loads(shared_file(SCHEMA).read_text(encoding="utf-8"))
    wrong = [f"{error.json_path}: {error.message}" for error in Draft202012Validator(schema).iter_errors(findings)]
    wrong += [f"{place}: not a finite number; null is meant where there is none" for place in _not_finite(findings)]
    export = findings.get("export", {})
    if not wrong and export["rows_kept"] + export["rows_set_aside"] != export["rows_read"]:
        wrong.append("$.export: rows kept and rows set aside do not add up to rows read")
    if wrong:
        more = f" (and {len(wrong) - 3} more)" if len(wrong) > 3 else ""
        raise ToolkitError(f"These findings are not of the form findings/1: {'; '.join(wrong[:3])}{more}.")


def _not_finite(value: Any, place: str = "$") -> Iterator[str]:
    """Places of NaN and infinity, which JSON cannot hold."""
    if isinstance(value, float) and not math.isfinite(value):
        yield place
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _not_finite(inner, f"{place}.{key}")
    elif isinstance(value, (list, tuple)):
        for position, inner in enumerate(value):
            yield from _not_finite(inner, f"{place}[{position}]")
