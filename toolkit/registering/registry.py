"""A registry of many clinics, open: what it holds, by site, and its readings as a table that the engine computes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.claim.question import Question, read_question
from toolkit.errors import RegistryError
from toolkit.number_words import counted
from toolkit.records.account import Records
from toolkit.registering.compared import compared_table
from toolkit.registering.held import MOST_ROWS as MOST_ROWS
from toolkit.registering.held import Held
from toolkit.registering.layout import COLUMNS, Export, Part
from toolkit.registering.measured import measured
from toolkit.registering.storing import store
from toolkit.registering.summaries import client_summaries, flow_by_arm, quantiles, site_summaries
from toolkit.result import Result, Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False, kw_only=True)
class Registry(Held, Shown):
    """Many clinics' records behind an engine; `registry` opens it.

    `audit(registry, question=…)` and `compare(registry, …)` take it where they take a file.

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
    checks : TableChecks or None
        What of a database's table was set aside as it was read, and what is only said of it.
    folder : Path or None
        Where exports are stored.
    reopen : callable or None
        Opens the same folder anew, after something was stored.
    """

    def store(self, records: Records, *, site: str | None = None) -> Registry:
        """Add an audited export with its ledger and open the registry anew; see `toolkit.registering.storing.store`."""
        if self.folder is None or self.reopen is None:
            raise RegistryError("A table of a database is read, not written. Store exports in a folder.")
        store(records, self.folder, site=site)
        opened: Registry = self.reopen()
        return replace(opened, most_rows=self.most_rows)

    def sites(self) -> pd.DataFrame:
        """One row a site: exports, years, rows, sessions, clients, practitioners in use, or why it is left out."""
        found = self.engine.frame(site_summaries(self.readings))
        exports = pd.Series([site for one in self.exports for site in dict.fromkeys(one.sites)], dtype="str")
        found["exports"] = found["site"].map(exports.value_counts()).fillna(0).astype(int)
        found["left_out"] = ""
        gone = self.left_out.rename(columns={"why": "left_out"})[["site", "left_out"]]
        every = pd.concat([found, gone], ignore_index=True) if len(gone) else found
        return every.sort_values("site", ignore_index=True)

    def measurement_error(self, measure: str | None = None) -> Result:
        """SEM, smallest detectable change and ICC of each measure read twice, from sums over clients."""
        return measured(self, measure)

    def flow(self, question: Question | Mapping[str, Any]) -> pd.DataFrame:
        """How far the rows of each arm came (1 technique, 0 comparison); see `flow_by_arm`."""
        asked = question if isinstance(question, Question) else read_question(question)
        asked = replace(asked, better=asked.better or self.codebook.measure(asked.measure).better)
        return self.engine.frame(flow_by_arm(compared_table(self, asked).table))

    def difference(self, question: Question | Mapping[str, Any], *, drawn: bool = False, level: float = 0.95) -> Result:
        """The treatment effect of one question from the engine's sums alone, however many rows there are.

        `drawn`: did chance decide between two interventions? A drawn order needs no word. What is not looked at stands
        in the notes; where rows can be fetched, `audit` and `compare` say more.
        """
        from toolkit.registering.by_sums import answer_by_sums

        asked = question if isinstance(question, Question) else read_question(question)
        return answer_by_sums(self, asked, drawn=drawn, level=level)

    def over_years(
        self,
        question: Question | Mapping[str, Any] | str | Path,
        *,
        groups: Mapping[str, str] | pd.Series[str] | None = None,
        drawn: bool = False,
        level: float = 0.95,
    ) -> Result:
        """Effect, readings before anything was done, and reading error year by year; see `over_years`."""
        from toolkit.registering.over_years import over_years

        asked = question if isinstance(question, Question) else read_question(question)
        return over_years(self, asked, groups=groups, drawn=drawn, level=level)

    def clients(self, measure: str) -> Any:
        """One row a client: sessions, mean before and after, mean change; a table of the engine, lazy."""
        return client_summaries(self.readings, measure)

    def quantiles(
        self,
        measure: str,
        column: str = "before",
        *,
        by: Sequence[str] = (),
        at: Sequence[float] = (0.05, 0.25, 0.5, 0.75, 0.95),
    ) -> pd.DataFrame:
        """Quantiles of one column of readings for figures, by group; computed by the engine."""
        return self.engine.frame(quantiles(self.readings, measure, column, by=by, at=at))

    def sentence(self) -> str:
        """What the registry holds and what of it cannot be read, in a sentence."""
        found = self.table()
        there = found[found["left_out"] == ""]
        sums = {name: int(there[name].sum()) for name in ("rows", "readings", "sessions", "clients")}
        said = (
            f"{self.where}: {counted(len(there), 'site')}, {counted(sums['clients'], 'client')}, "
            f"{counted(sums['sessions'], 'session')}, {counted(sums['readings'], 'reading')} in use, asked by "
            f"{self.engine.name}."
        )
        return f"{said} {self.what_is_left_out()}".strip()

    def table(self) -> pd.DataFrame:
        """The sites, a row each."""
        return self.sites()

    def plot(self) -> Figure:
        """How many readings each site has in use."""
        from matplotlib.figure import Figure

        found = self.table()
        figure = Figure(figsize=(7.0, 1.0 + 0.22 * len(found)), layout="constrained")
        axes = figure.subplots()
        axes.barh(found["site"][::-1], found["readings"].fillna(0)[::-1], color="#1f4e79")
        axes.set_xlabel("Readings in use")
        axes.spines[["top", "right"]].set_visible(False)
        return figure


def parts_of(exports: Sequence[Export]) -> tuple[Part, ...]:
    """Every file of readings of these exports."""
    return tuple(part for one in exports for part in one.parts)


def only_columns(table: Any) -> Any:
    """A table with the registry's columns, in their order."""
    return table.select(*COLUMNS)
