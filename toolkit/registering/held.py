"""What a registry holds, as its engine sees it: stored rows, exports, and the readings in use."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Self

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.codebook import Codebook
from toolkit.registering.between_exports import set_aside_between, sites_of_several
from toolkit.registering.engine import Engine
from toolkit.registering.layout import Export
from toolkit.registering.summaries import site_summaries, visits_again
from toolkit.registering.table_checks import TableChecks, by_site

MOST_ROWS = 500_000
"""Rows of one question that are fetched and judged as one clinic's records; beyond it the engine sends sums only.

A full audit of them takes half a minute of one processor and 2.3 GiB (a million: 52 s and 4.3 GiB), so that a laptop
with 8 GB has room for its engine and its browser beside it.
"""


@dataclass(frozen=True, eq=False, kw_only=True)
class Held:
    """Many clinics' rows behind an engine. `Registry` says what its fields are."""

    where: str
    engine: Engine
    stored: Any
    exports: tuple[Export, ...]
    left_out: pd.DataFrame
    codebook: Codebook
    most_rows: int = MOST_ROWS
    checks: TableChecks | None = None
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
        if len(gone):
            keys = self.engine.lent(gone[["export", "place"]].astype({"export": "str", "place": "int64"}))
            kept = kept.anti_join(keys, ["export", "place"])
        return visits_again(kept, self._several)

    @property
    def sides_counted(self) -> bool:
        """Do `same_side` and `opposite_side` hold? Not where a site has several exports, nor in a table."""
        return bool(self.exports) and not self._several

    @property
    def _several(self) -> list[str]:
        return [site for site in sites_of_several(self.exports) if site not in set(self.left_out["site"])]

    @cached_property
    def set_aside_between(self) -> pd.DataFrame:
        """Rows set aside because another export of the same site says them too or contradicts them."""
        return set_aside_between(self.engine, self.stored, self._several)

    def accounts(self) -> pd.DataFrame:
        """What was read, kept and set aside at each site: readings read = kept + set aside, checked by the engine.

        `readings_set_aside` counts what was set aside when an export was read, `readings_between` what another export
        said already or contradicted.

        Raises
        ------
        RegistryError
            The accounts do not close: a file holds other readings than its export had.
        """
        lines = [row for one in self.exports for row in one.accounts]
        held = pd.DataFrame(lines or (by_site(self.checks) if self.checks is not None else []))
        counts = [name for name in held.columns if name != "site"]
        found = held.groupby("site", sort=True)[counts].sum()
        found = found.drop(index=list(set(self.left_out["site"]) & set(found.index)))
        between = self.set_aside_between.groupby("site")["readings"].sum()
        found["readings_between"] = between.reindex(found.index).fillna(0).astype(int)
        found["readings_kept"] = found["readings_kept"] - found["readings_between"]
        counted = self.engine.frame(site_summaries(self.readings)).set_index("site")["readings"]
        apart = found["readings_kept"] - counted.reindex(found.index).fillna(0)
        if (apart != 0).any():
            site = str(apart.index[apart != 0][0])
            raise RegistryError(
                f"The accounts of {site} do not close: {found['readings_kept'][site]} readings should be in use, "
                f"{counted.get(site, 0)} are. Its files were changed after they were stored; bring them back."
            )
        order = ["rows_read", "rows_kept", "rows_set_aside", "readings_read", "readings_kept", "readings_set_aside"]
        return found.reset_index()[["site", *order, "readings_between"]]

    def only(self, sites: Sequence[str]) -> Self:
        """The same registry as if it held these sites alone: `audit`, `compare` and all else then speak of them.

        Raises
        ------
        RegistryError
            A site is not held.
        """
        wanted = list(dict.fromkeys(map(str, sites)))
        if self.exports:
            held = {site for one in self.exports for site in one.sites}
        else:
            held = set(self.engine.frame(self.stored.select("site").distinct())["site"].astype(str))
        absent = [site for site in wanted if site not in held]
        if absent or not wanted:
            raise RegistryError(
                f"The registry holds no site “{absent[0] if absent else ''}”. It holds {len(held)} sites."
            )
        return replace(
            self,
            stored=self.stored.filter(self.stored.site.isin(wanted)),
            exports=tuple(one.only(wanted) for one in self.exports if set(one.sites) & set(wanted)),
            left_out=self.left_out[self.left_out["site"].isin(wanted)].reset_index(drop=True),
            checks=None if self.checks is None else self.checks.only(wanted),
            folder=None,
            reopen=None,
        )

    def what_is_left_out(self) -> str:
        """The sites that are missing from every answer and why, in a sentence; "" where none is."""
        if self.left_out.empty:
            return ""
        told = "; ".join(f"{row.site} ({row.why})" for row in self.left_out.itertuples())
        return f"Missing from every answer: {told}."
