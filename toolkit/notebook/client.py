"""One client in a notebook: chosen from lists, the course, the visits, and what may be said of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.looks import figures
from toolkit.looks.html import ReportTable
from toolkit.looks.words import amount, capital, counted, is_missing, threshold
from toolkit.notebook.pieces import Chooser, Drawing, Options, Words, drawing, drop_down, refill, rows_table, words
from toolkit.notebook.records import ReadingErrorKnown

if TYPE_CHECKING:
    from toolkit.records.account import Records
    from toolkit.stats.single_case_course import RunChart

FIRST_VISITS = 60


def course(client: ClientChooser, error: ReadingErrorKnown) -> Drawing:
    """One client's course, with what two readings may differ by error alone around the first reading."""
    visits = client.visits
    visits = visits.assign(intervention=[client.name_of("intervention", str(code)) for code in visits["intervention"]])
    figure = figures.one_client_figure(
        visits,
        unit=client.unit,
        measure=client.label,
        smallest_detectable=error.detectable,
        when_words=client.when_words,
    )
    said = figures.alt_text_one_client(visits, unit=client.unit, measure=client.label)
    return drawing(figure, f"{client.who}: {client.label}, {counted(len(visits), 'visit')}", said)


def visits(client: ClientChooser) -> ReportTable:
    """The first visits of a client, in words."""
    found = client.visits
    rows = [
        (
            str(int(row["visit"])),
            threshold(row["when"], ""),
            *("not taken" if is_missing(row[name]) else threshold(row[name], client.unit) for name in _PHASES),
            client.name_of("intervention", str(row["intervention"])),
            client.name_of("region", str(row["region"])),
        )
        for row in found.head(FIRST_VISITS).to_dict("records")
    ]
    shown = f"the first {len(rows)} of {len(found)}" if len(rows) < len(found) else f"all {len(found)}"
    columns = ("Visit", client.when_words, "Before", "After", "Intervention", "Region")
    return rows_table(f"{client.who}, {client.label}, visits: {shown}", columns, rows)


_PHASES = ("before", "after")


def first_to_last(client: ClientChooser, error: ReadingErrorKnown) -> Words:
    """The change from the first reading before a session to the last, against the error of two readings."""
    from toolkit.stats.one_client import reliable_change

    before = client.visits["before"].dropna()
    if len(before) < 2:
        return words(f"{client.who} has {counted(len(before), 'reading')} before a session: two are needed to compare.")
    first, last = float(before.iloc[0]), float(before.iloc[-1])
    found = reliable_change(first, last, sem=error.sem, unit=client.unit, better=client.better)
    least = amount(found.threshold, client.unit)
    change = threshold(abs(last - first), client.unit)
    way = "neither better nor worse" if found.change == 0 else "better" if found.change > 0 else "worse"
    start = (
        f"From {threshold(first, client.unit)} before the first session to {threshold(last, client.unit)} before the "
        f"last: {client.label} of {client.who} is {way} by {change} (two readings of one client)."
    )
    if found.reliable:
        said = (
            f"That is more than the {least} that reading error alone may do, 95 times in 100. What caused it is open."
        )
    else:
        said = (
            f"That is no more than the {least} that reading error alone may do, 95 times in 100: no change can be seen."
        )
    return words(f"{start} {said}")


def ups_and_downs(client: ClientChooser) -> Words:
    """Whether any reading before a session stands out from the client's own ups and downs, or why it cannot be told."""
    from toolkit.stats.single_case_course import run_chart

    try:
        chart = run_chart(client.visits["before"].dropna(), unit=client.unit)
    except NotEnoughError as why:
        return words(("No limits", str(why)))
    centre, low, high = (amount(at, client.unit) for at in (chart.centre, chart.lower_limit, chart.upper_limit))
    return words(
        f"{len(chart.points)} readings before a session, on average {centre}. Going by the steps from each visit to "
        f"the next, they should stay between {low} and {high}.",
        ("Signals", _signals(chart, client.unit)),
    )


def _signals(chart: RunChart, unit: str) -> str:
    """The readings that stand out, by number."""
    outside = chart.points[chart.points["outside"]]
    long = chart.points[chart.points["in_long_run"]]
    said = []
    if len(outside):
        each = ", ".join(f"reading {row.order} ({threshold(row.value, unit)})" for row in outside.itertuples())
        said.append(f"outside the limits: {each}")
    if len(long):
        each = ", ".join(str(order) for order in long["order"])
        said.append(f"eight or more in a row on one side of the average: readings {each}")
    return f"{capital('; '.join(said))}." if said else "none; this looks like one steady state with its ups and downs."


def early_and_late(client: ClientChooser) -> Words:
    """How often a reading of the last third of the visits is better than one of the first third."""
    from toolkit.stats.one_client import nonoverlap

    before = pd.Series(client.visits["before"].dropna().to_numpy())
    third = len(before) // 3
    if third < 2:
        return words(f"There are {counted(len(before), 'reading')} before a session; at least six are needed for this.")
    found = nonoverlap(before.head(third), before.tail(third), better=client.better)
    share, low, high = (f"{100 * at:.0f}" for at in (found.value, found.ci_low, found.ci_high))
    return words(
        f"A late reading is better than an early one in {share} of 100 pairs, ties counted half "
        f"(95 % interval {low} to {high}; {third} early and {third} late readings of one client; score interval, "
        "Newcombe 2006). 50 would mean no difference."
    )


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
