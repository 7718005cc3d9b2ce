"""Drop-downs for one client's course: a measure, then a client and side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.looks.words import capital, counted
from toolkit.notebook.pieces import Chooser, Options, drop_down, refill

if TYPE_CHECKING:
    from toolkit.records.account import Records


class ClientChooser(Chooser):
    """One measure, then one client among those who were read most often; `visits` holds that client's readings."""

    def __init__(self, records: Records) -> None:
        from ipywidgets import VBox

        self._book = records.codebook
        rows = records.rows.astype({"measure": str, "client": str, "measured_side": str})
        numbers = [name for name in rows["measure"].unique() if self._book.measure(name).kind == "number"]
        self._rows = rows[rows["measure"].isin(numbers) & rows["before"].notna()]
        if self._rows.empty:
            raise NotEnoughError("The records hold no measure with numbers, so no client's course can be shown.")
        counts = self._rows["measure"].value_counts()
        names = [(capital(self._book.measure(str(code)).label), str(code)) for code in counts.index]
        self._measure = drop_down("Measure", names)
        self._client = drop_down("Client", self._clients())
        self._measure.observe(self._measure_chosen, names="value")
        self.widget = VBox([self._measure, self._client])
        self.tell(self._measure, self._client)

    def _measure_chosen(self, change: Any) -> None:
        del change
        refill(self._client, self._clients())

    def _clients(self) -> Options:
        """Clients and sides, most visits first."""
        here = self._rows[self._rows["measure"] == self._measure.value]
        visits = here.groupby(["client", "measured_side"])["session_id"].nunique()
        visits = visits.sort_values(ascending=False, kind="stable")
        return [
            (f"{client}, {side} ({counted(n, 'visit')})", f"{client}|{side}") for (client, side), n in visits.items()
        ]

    @property
    def measure(self) -> str:
        """The measure's codebook name."""
        return str(self._measure.value)

    @property
    def label(self) -> str:
        """The measure's name in words."""
        return str(self._book.measure(self.measure).label)

    @property
    def unit(self) -> str:
        """The measure's unit."""
        return str(self._book.measure(self.measure).unit)

    @property
    def better(self) -> str:
        """Which direction is better: higher or lower."""
        return str(self._book.measure(self.measure).better)

    @property
    def who(self) -> str:
        """The chosen client, with the side where sides are read apart."""
        client, side = str(self._client.value).rsplit("|", 1)
        return f"Client {client} ({side})" if side in ("left", "right") else f"Client {client}"

    @property
    def when_words(self) -> str:
        """What `when` counts in `visits`."""
        return "Days since the first visit" if self._mine()["day"].notna().all() else "Visit"

    def name_of(self, what: str, code: str) -> str:
        """A measure, region or intervention in words."""
        return self._book.label(what, code)

    @property
    def visits(self) -> pd.DataFrame:
        """The chosen client's readings in order: visit, before, after, intervention, region, when (days or visits)."""
        mine = self._mine()
        days = mine["day"] if mine["day"].notna().all() else mine["visit"]
        columns = ["visit", "before", "after", "intervention", "region"]
        return mine[columns].assign(when=days.astype(float)).reset_index(drop=True)

    def _mine(self) -> pd.DataFrame:
        """The chosen client's rows in order."""
        client, side = str(self._client.value).rsplit("|", 1)
        rows = self._rows
        mine = rows[(rows["measure"] == self.measure) & (rows["client"] == client) & (rows["measured_side"] == side)]
        return mine.sort_values("visit", kind="stable")
