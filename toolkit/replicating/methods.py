"""The table of methods that a replication sheet may name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import pandas as pd

from toolkit.replicating.method import Method
from toolkit.replicating.methods_change import CHANGE_METHODS
from toolkit.replicating.methods_groups import GROUP_METHODS
from toolkit.replicating.methods_measurement import MEASUREMENT_METHODS
from toolkit.replicating.methods_models import MODEL_METHODS
from toolkit.replicating.methods_planning import PLANNING_METHODS
from toolkit.replicating.methods_repeated import REPEATED_METHODS
from toolkit.replicating.methods_signs import SIGN_METHODS
from toolkit.replicating.methods_single import SINGLE_METHODS
from toolkit.replicating.methods_sites import SITE_METHODS
from toolkit.replicating.methods_summary import SUMMARY_METHODS
from toolkit.replicating.methods_tables import TABLE_METHODS

_TOPICS = (
    ("before and after", CHANGE_METHODS),
    ("different people in groups", GROUP_METHODS),
    ("several readings of the same people", REPEATED_METHODS),
    ("models", MODEL_METHODS),
    ("how good a reading is", MEASUREMENT_METHODS),
    ("signs read again", SIGN_METHODS),
    ("words and counts", TABLE_METHODS),
    ("one client", SINGLE_METHODS),
    ("studies pooled", SITE_METHODS),
    ("from printed figures alone", SUMMARY_METHODS),
    ("planning and selection", PLANNING_METHODS),
)
_ALL = tuple(replace(one, topic=one.topic or topic) for topic, methods in _TOPICS for one in methods)
METHODS: Mapping[str, Method] = MappingProxyType({method.name: method for method in _ALL})


def method_table() -> pd.DataFrame:
    """The methods as a table to choose from: name, what it does, what a figure may take, columns, settings.

    Example:
        >>> "paired_t" in method_table()["method"].tolist()
        True
    """
    return pd.DataFrame(
        [
            {
                "method": method.name,
                "topic": method.topic,
                "what": method.what,
                "take": ", ".join(method.gives),
                "columns": ", ".join(method.columns),
                "settings": ", ".join(f"{key} = {value!r}" for key, value in method.settings.items()),
                "inputs": ", ".join(method.groups),
                "uses": method.uses,
                "in_r": method.r,
            }
            for method in METHODS.values()
        ]
    )
