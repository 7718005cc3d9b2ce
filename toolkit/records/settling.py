"""Which mapping an export is read with: the user's columns.toml, the toolkit's own header names, or a proposal."""

from __future__ import annotations

from dataclasses import replace

from toolkit.errors import ExportError
from toolkit.records.codebook import Codebook
from toolkit.records.mapping import FIELDS, Mapping
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import listed, plain


def settle_mapping(table: RawTable, *, given: Mapping | None, codebook: Codebook) -> Mapping:
    """The mapping for a table, with its layout settled.

    Args:
        table: the raw table.
        given: the user's mapping; fields it leaves out are found under their own names.
        codebook: measures, to check those the mapping names.

    Raises:
        ExportError: no layout fits; the message says what was found and what to write.
    """
    named = named_fields(table, taken=given)
    if given is not None:
        _check_measures(given, codebook)
        mapping = replace(given, fields={**named, **given.fields})
    else:
        mapping = Mapping(fields=named)
    layout = mapping.layout or _layout_of(mapping)
    return replace(mapping, layout=layout, ignored=_unused(table, mapping))


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


def _layout_of(mapping: Mapping) -> str:
    """The layout the mapped columns make."""
    if mapping.readings:
        return "session_rows"
    if "phase" in mapping.fields and "value" in mapping.fields:
        return "long"
    return "wide"


def _unused(table: RawTable, mapping: Mapping) -> tuple[str, ...]:
    """Headers that no field and no reading uses."""
    used = {*mapping.fields.values(), *(one.column for one in mapping.readings)}
    return tuple(str(header) for header in table.cells.columns if header not in used)


def _check_measures(mapping: Mapping, codebook: Codebook) -> None:
    """The measures that [[readings]] name must be in the codebook."""
    known = set(codebook.measures["measure"])
    if lost := sorted({one.measure for one in mapping.readings} - known):
        raise ExportError(
            f"columns.toml: the codebook has no measure {listed(lost)}. Use a codebook name, or extend the codebook."
        )
