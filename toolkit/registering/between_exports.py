"""What exports of one site say about each other: rows stored twice, sessions that contradict.

Each export was checked by itself when it was read. Only sessions that stand in two exports of a site can still
disagree: the engine finds them, and the same checks as for one export judge them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.checks import set_contradictions_aside, set_repeats_aside
from toolkit.records.ledger import Ledger
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.texts import from_texts
from toolkit.registering.engine import Engine
from toolkit.registering.layout import WORDS, Export

MOST_SHARED = 500_000


def sites_of_several(exports: Sequence[Export]) -> list[str]:
    """Sites with more than one export."""
    named = pd.Series([site for one in exports for site in one.sites], dtype="str").value_counts()
    return [str(site) for site in named[named > 1].index]


def set_aside_between(engine: Engine, table: Any, sites: Sequence[str]) -> pd.DataFrame:
    """Rows that another export says too or contradicts: export, place, site, reason, remedy, readings.

    Parameters
    ----------
    table
        All stored readings. `sites`: those with more than one export.
    """
    columns = ["export", "place", "site", "file", "row", "reason", "remedy", "readings"]
    if not sites:
        return pd.DataFrame(columns=columns)
    here = table.filter(table.site.isin(list(sites)))
    spans = here.group_by("session_id").agg(first=here.export.min(), last=here.export.max(), n=here.count())
    shared = spans.filter(spans.first != spans.last)
    n = engine.frame(shared.agg(rows=shared.n.sum()))["rows"].iloc[0]
    if pd.isna(n) or not n:
        return pd.DataFrame(columns=columns)
    if n > MOST_SHARED:
        raise RegistryError(
            f"{int(n):,} rows stand in sessions that two exports of one site hold. That is no overlap but one export "
            "stored in two versions: take one of them out (move its note away from the folder exports)."
        )
    rows = engine.frame(here.semi_join(shared, "session_id"))
    rows = rows.sort_values(["export", "place"], ignore_index=True)
    return judged(rows)[columns]


def judged(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows that do not stay, by the checks of a single export."""
    rows = rows.assign(readings=rows[list(READING_FIELDS)].notna().sum(axis=1))
    words = {name: from_texts(rows[name].fillna("").tolist()) for name in WORDS}
    frame = rows.assign(**words, date=pd.to_datetime(rows["date"]), day=0, wide_id=rows.index)
    ledger = Ledger()
    kept = set_contradictions_aside(set_repeats_aside(frame, ledger), ledger)
    gone = rows.loc[~rows.index.isin(kept.index)]
    if gone.empty:
        return gone.assign(reason="", remedy="")
    told = ledger.set_aside_frame().drop_duplicates("wide_id").set_index("wide_id")[["reason", "remedy"]]
    return gone.join(told)
