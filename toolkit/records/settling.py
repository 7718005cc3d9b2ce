"""Which mapping an export is read with: the user's columns.toml, the toolkit's own header names, or a proposal."""

from __future__ import annotations

from dataclasses import replace

from toolkit.errors import ExportError
from toolkit.records.codebook import Codebook
from toolkit.records.mapping import Mapping
from toolkit.records.named_fields import named_fields
from toolkit.records.propose import propose_for_table
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import listed


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
    elif _is_enough(named):
        mapping = Mapping(fields=named)
    else:
        return propose_for_table(table, codebook=codebook).mapping
    layout = mapping.layout or _layout_of(mapping)
    return replace(mapping, layout=layout, ignored=_unused(table, mapping))


def _is_enough(named: dict[str, str]) -> bool:
    """Whether the toolkit's own names cover all that an export needs."""
    has_readings = "before" in named or {"phase", "value"} <= set(named)
    return has_readings and {"client", "intervention", "measure"} <= set(named) and bool({"date", "day"} & set(named))


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
