"""Columns under the toolkit's own field names, whatever their case, spaces and underscores."""

from __future__ import annotations

from toolkit.records.mapping import FIELDS, Mapping
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import plain


def named_fields(table: RawTable, *, taken: Mapping | None = None) -> dict[str, str]:
    """Fields found under the toolkit's own names, whatever their case, spaces and underscores."""
    used = set()
    if taken is not None:
        used = {*taken.fields.values(), *(one.column for one in taken.readings), *taken.ignored}
    by_name = {plain(name): name for name in FIELDS}
    found: dict[str, str] = {}
    for header in table.cells.columns:
        field = by_name.get(plain(str(header)))
        if field and header not in used and not (taken and (field in taken.fields or field in taken.constants)):
            found[field] = str(header)
    return found
