"""The JSON Schema of the replication sheet, from the same tables that read it: editors complete and check with it.

After a change of methods or steps it is written anew, and a test says when that was forgotten:

    python -c "import json; from toolkit.replicating import sheet_schema; print(json.dumps(sheet_schema(), indent=1,
        ensure_ascii=False))" > shared/schemas/replication-1.schema.json
"""

from __future__ import annotations

from typing import Any

from toolkit.replicating.glossary import meaning_of
from toolkit.replicating.methods import METHODS
from toolkit.replicating.paper import SAID, WORDS
from toolkit.replicating.steps import OPERATIONS, Key

SCHEMA_FILE = "schemas/replication-1.schema.json"
_TEXT: dict[str, Any] = {"type": "string"}
_STEPS: dict[str, Any] = {"type": "array", "items": {"$ref": "#/$defs/step"}}
_TEXTS: dict[str, Any] = {"type": "array", "items": _TEXT}
_NUMBER: dict[str, Any] = {"type": "number"}
_ANY: dict[str, Any] = {"type": ["string", "number", "boolean", "array"]}
_PRINTED = {
    "type": "string",
    "pattern": r"^\s*[<>]?\s*[-+−–]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*$",
    "description": "the figure as printed, in quotation marks, with its decimals",
}


def sheet_schema() -> dict[str, Any]:
    """The schema as a mapping (JSON Schema, draft 2020-12).

    Returns:
        What stands in `shared/schemas/replication-1.schema.json`.

    Example:
        >>> sheet_schema()["required"]
        ['format', 'title', 'design', 'citation']
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Replication sheet, format replication/1",
        "type": "object",
        "required": ["format", "title", "design", "citation"],
        "additionalProperties": False,
        "properties": {
            "format": {"const": "replication/1"},
            "title": _TEXT,
            "design": _TEXT,
            "citation": _TEXT,
            "note": _TEXT,
            "data": _data(),
            "columns": {"type": "object", "additionalProperties": {"type": ["string", "array"]}},
            "inputs": {"type": "object", "additionalProperties": {"type": "object"}},
            "every_figure": _object(_shared()),
            "figure": {"type": "array", "items": _figure()},
            "check": {"type": "array", "items": _check()},
        },
        "$defs": {"step": _step()},
    }


def _object(properties: dict[str, Any], required: tuple[str, ...] = ()) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": False, "properties": properties, "required": list(required)}


def _data() -> dict[str, Any]:
    """The sheet's own data set; every further table in it is a data set with a name."""
    own = {
        "file": _TEXT,
        "table": _TEXT,
        "from": _TEXT,
        "missing": {"type": "array"},
        "separator": {"type": "string", "maxLength": 1},
        "decimal": {"type": "string", "maxLength": 1},
        "sheet": _TEXT,
        "repeat_by": _TEXT,
        "keep": {"type": "object", "additionalProperties": _ANY},
        "stack": _object(
            {"columns": _TEXTS, "into": _TEXT, "label": _TEXT, "labels": {"type": "array"}},
            ("columns", "into", "label"),
        ),
        "steps": _STEPS,
    }
    return {"type": "object", "properties": own, "additionalProperties": _object(own)}


def _step() -> dict[str, Any]:
    choices = []
    for name, operation in OPERATIONS.items():
        keys = {key: _of_key(word) for key, word in operation.keys.items()}
        needed = tuple(key for key, word in operation.keys.items() if word.needed)
        one = _object({"do": {"const": name}, **keys}, ("do", *needed))
        choices.append({**one, "description": f"{operation.what}; {operation.example}"})
    return {"oneOf": choices}


def _of_key(word: Key) -> dict[str, Any]:
    kinds: dict[str, dict[str, Any]] = {
        "column": _TEXT, "columns": {"type": ["array", "string"]}, "text": _TEXT, "texts": {"type": ["array",
        "string"]},
        "number": _NUMBER, "numbers": {"type": "array", "items": _NUMBER}, "any": _ANY, "table": {"type": "object"},
    }  # fmt: skip
    found = {**kinds[word.kind], "description": word.what}
    return {**found, "enum": list(word.choices)} if word.choices else found


def _shared() -> dict[str, Any]:
    return {
        "where": _TEXT,
        "read": {"enum": ["read", "quoted", "recalled"]},
        "read_in": _TEXT,
        "method": {"enum": sorted(METHODS)},
        "with": {"type": "object"},
        "data": _TEXT,
        "keep": {"type": "object", "additionalProperties": _ANY},
    }


def _figure() -> dict[str, Any]:
    """A figure: for each method what may be taken from it, and its settings with their choices."""
    properties = {
        **_shared(),
        "name": _TEXT,
        "printed": {"oneOf": [_PRINTED, {"type": "object", "additionalProperties": _PRINTED}]},
        "take": _TEXT,
        "steps": _STEPS,
        "decimals": {"const": 0},
        "tolerance": {"type": "number", "exclusiveMinimum": 0},
        "tolerance_because": _TEXT,
        "explanation": _TEXT,
    }
    rules = []
    for method in METHODS.values():
        settings: dict[str, Any] = {
            key: {
                "description": meaning_of(method, key),
                **({"enum": list(method.choices[key])} if key in method.choices else {}),
            }
            for key in method.settings
        }
        settings |= {
            key: {"type": ["string", "array"], "description": meaning_of(method, key)} for key in method.columns
        }
        settings |= {
            key: {"type": ["string", "object"], "description": meaning_of(method, key)} for key in method.groups
        }
        rules.append(
            {
                "if": {"properties": {"method": {"const": method.name}}, "required": ["method"]},
                "then": {
                    "properties": {"take": {"enum": list(method.gives)}, "with": _object(settings)},
                    "description": method.what,
                },
            }
        )
    return {**_object(properties, ("printed",)), "allOf": rules}


def _check() -> dict[str, Any]:
    numbers = {word: {"type": ["string", "number"], "description": what} for word, what in WORDS.items()}
    return _object({**dict.fromkeys(SAID, _TEXT), **numbers})
