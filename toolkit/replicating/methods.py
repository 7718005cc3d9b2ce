"""The table of methods that a replication sheet may name."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import pandas as pd

from toolkit.replicating.method import Method
from toolkit.replicating.methods_change import CHANGE_METHODS
from toolkit.replicating.methods_measurement import MEASUREMENT_METHODS
from toolkit.replicating.methods_models import MODEL_METHODS
from toolkit.replicating.methods_signs import SIGN_METHODS
from toolkit.replicating.methods_sites import SITE_METHODS
from toolkit.replicating.methods_summary import SUMMARY_METHODS

_ALL = (*CHANGE_METHODS, *MEASUREMENT_METHODS, *MODEL_METHODS, *SIGN_METHODS, *SITE_METHODS, *SUMMARY_METHODS)
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
                "what": method.what,
                "take": ", ".join(method.gives),
                "columns": ", ".join(method.columns),
                "settings": ", ".join(f"{key} = {value!r}" for key, value in method.settings.items()),
                "inputs": ", ".join(method.groups),
                "uses": method.uses,
            }
            for method in METHODS.values()
        ]
    )
