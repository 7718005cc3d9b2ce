"""What a registry holds, as its engine sees it: stored rows, exports, and the readings in use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.registering.between_exports import set_aside_between, sites_of_several
from toolkit.registering.engine import Engine
from toolkit.registering.layout import Export
from toolkit.registering.summaries import visits_again

MOST_ROWS = 200_000
"""Rows of one question that are fetched and judged as one clinic's records; beyond it the engine sends sums only."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Held:
    """Many clinics' rows behind an engine.

    Attributes
    ----------
    where : str
        The folder's or table's name.
    engine : Engine
        What computes.
    stored : table expression of Ibis
        Every stored row of the sites that can be read.
    exports : tuple of Export
        What was stored, export by export; none for a table of a database.
    left_out : pandas.DataFrame
        Sites that cannot be read, and why: site, why, rows. Every answer names them.
    codebook : Codebook
        The measures with the units the registry holds them in.
    most_rows : int
        Rows of one question up to which they are fetched and judged as one clinic's records.
    folder : Path or None
        Where exports are stored.
    reopen : callable or None
        Opens the same folder anew, after something was stored.
    """

    where: str
    engine: Engine
    stored: Any
    exports: tuple[Export, ...]
    left_out: pd.DataFrame
    codebook: Codebook
    most_rows: int = MOST_ROWS
    folder: Path | None = None
    reopen: Callable[[], Any] | None = None

    @cached_property
    def readings(self) -> Any:
        """The readings in use as an Ibis table, one row a measured side of one measure in one session; lazy.

        Columns as those of `Records.readings`, and `export`, `place` (the row within its export) and `year`.

        Examples
        --------
        >>> import tempfile
        >>> from toolkit import demo, load_records, registry
        >>> folder = tempfile.mkdtemp()
        >>> clinics = registry(folder, new=True).store(load_records(demo()), site="north")
        >>> clinics.readings.group_by("measure").agg(n=clinics.readings.count()).execute()["n"].sum()
        np.int64(6794)
        """
        kept = self.stored
        gone = self.set_aside_between
        several = [site for site in sites_of_several(self.exports) if site not in set(self.left_out["site"])]
        if len(gone):
            keys = self.engine.lent(gone[["export", "place"]].astype({"export": "str", "place": "int64"}))
            kept = kept.anti_join(keys, ["export", "place"])
        return visits_again(kept, several)

    @cached_property
    def set_aside_between(self) -> pd.DataFrame:
        """Rows set aside because another export of the same site says them too or contradicts them."""
        sites = [site for site in sites_of_several(self.exports) if site not in set(self.left_out["site"])]
        return set_aside_between(self.engine, self.stored, sites)
