"""The sheet for the coming weeks: an XLSX workbook to type sessions into, which later loads without any mapping."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from toolkit.errors import SheetError
from toolkit.records.cautions import cautions_for
from toolkit.records.codebook import Codebook, Measure
from toolkit.records.lexicon import close_names
from toolkit.writing import check_free

COLUMNS = (
    *("session_id", "client", "practitioner", "site", "date", "region", "treated_side", "intervention", "order"),
    *("measure", "measured_side", "unit", "before", "before_2", "after_wait", "after"),
    *("examiner", "examiner_blinded", "side_drawn", "comfort", "adverse_event"),
    *("position", "tissue_length", "head", "setting", "minutes"),
)
"""The columns of the sheet: the wide layout, in the order in which a session is written down."""

SEALED = ("client", "session", "season", "seal")
READINGS = ("before", "before_2", "after_wait", "after")
COMPARISON = "measured_only"
ORDERS = ("technique_first", "wait_first")
_SIDES = ("left", "right", "both", "none")
_MOST_ROWS = 100_000


def write_entry_sheet(
    path: str | Path,
    *,
    codebook: Codebook,
    measures: Sequence[str],
    regions: Sequence[str],
    interventions: Sequence[str],
    clients: Sequence[str] | None = None,
    schedule: pd.DataFrame | None = None,
    rows: int = 200,
    replace: bool = False,
) -> Path:
    """Write a workbook to record sessions in, in the wide layout: one row is one measured side of one measure.

    Parameters
    ----------
    path
        Where to write; ends in .xlsx, and must not exist yet (a filled-in sheet is never overwritten).
    codebook
        For units, plausible ranges, instructions and drop-downs.
    measures
        Codebook names of what will be read.
    regions
        Codebook names of what will be treated.
    interventions
        Codebook names or one's own; `measured_only` is always offered.
    clients
        Pseudonyms for the drop-down.
    schedule
        A drawn and sealed schedule with the columns client, session (1, 2, …), season and seal; its
        sessions are written into the sheet, one row for each measure and side.
    rows
        Empty rows below the scheduled ones.
    replace
        Over a workbook that the toolkit wrote and nobody typed into.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    SheetError
        An unknown measure or region, a schedule that is not sealed, or not complete.
    WritingError
        A file that exists already, or a folder that cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> from toolkit.records.codebook import load_codebook
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_entry_sheet(f"{folder}/sessions.xlsx", codebook=load_codebook(),
    ...         measures=["cervical_rotation"], regions=["upper_trapezius"], interventions=["stretching"], rows=5)
    ...     written.name
    'sessions.xlsx'
    """
    from toolkit.records.entry_workbook import save_workbook

    target = _free_path(Path(path), replace=replace)
    read = [codebook.measure(name) for name in _some(measures, "measure")]
    _known_regions(_some(regions, "region"), codebook)
    if not 0 <= rows <= _MOST_ROWS:
        raise SheetError(f"rows = {rows}: ask for between 0 and {_MOST_ROWS} empty rows.")
    planned = pd.DataFrame(columns=list(COLUMNS))
    if schedule is not None:
        planned = planned_rows(schedule, read, always=_only_ones(regions, interventions))
    people = list(dict.fromkeys([*(clients or ()), *planned["client"]]))
    lists = _lists(read, regions, [*dict.fromkeys([*interventions, COMPARISON])], people, codebook)
    return save_workbook(
        target,
        planned=planned,
        empty_rows=rows,
        lists=lists,
        measures=read,
        instructions=instructions(read, regions),
        sealed=None if schedule is None else _checked_schedule(schedule),
        replace=replace,
    )


def _only_ones(regions: Sequence[str], interventions: Sequence[str]) -> dict[str, str]:
    """Region and intervention where only one is named: then there is nothing to choose in any row."""
    named = {"region": list(dict.fromkeys(regions)), "intervention": list(dict.fromkeys(interventions))}
    return {column: names[0] for column, names in named.items() if len(names) == 1}


def planned_rows(
    schedule: pd.DataFrame, measures: Sequence[Measure], *, always: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """The rows of the sheet for a drawn schedule: each session once for every measure and side.

    Parameters
    ----------
    schedule
        Client, session, season and seal.
    measures
        What will be read; a sided measure takes two rows.
    always
        Cells that are the same in every row.

    Returns
    -------
    pd.DataFrame
        A frame with the sheet's columns, empty texts where the practitioner types.

    Raises
    ------
    SheetError
        Missing columns, another order, a client's session that comes twice.
    """
    plan = _checked_schedule(schedule)
    lines: list[dict[str, str]] = []
    for client, session in plan[["client", "session"]].itertuples(index=False):
        for measure in measures:
            for side in ("left", "right") if measure.sided else ("none",):
                planned = {"session_id": f"{client}-{session}", "client": client}
                read = {"measure": measure.name, "measured_side": side, "unit": measure.unit}
                lines.append(dict.fromkeys(COLUMNS, "") | dict(always or {}) | planned | read)
    return pd.DataFrame(lines, columns=list(COLUMNS))


def instructions(measures: Sequence[Measure], regions: Sequence[str]) -> list[tuple[str, list[str]]]:
    """What the second tab says: (heading, lines) of how to record, how each measure is read, and the cautions."""
    how = [
        "One row is one measured side of one measure in one session. Rows of one session share session_id and date.",
        "Use a pseudonym for the client, never a name; keep the list of names elsewhere, locked.",
        "Read twice before anything is done: before, then again as before_2. The two show how good the ruler is.",
        "wait_first: rest as long as the treatment takes, read after_wait, then treat and read after.",
        "technique_first: treat, read after; rest as long again and leave after_wait empty unless it was read.",
        "Where the order is drawn, its line is opened at the start of the session and not before (open-order); write "
        "down under order what was done. Do not swap clients; leave out a session that cannot keep it.",
        "measured_only: measured twice, not treated. These sessions are the comparison.",
        "Write down every reading after, above all where nothing moved. An empty cell means: not taken.",
        "Numbers only (34 or 34.5), no unit in the cell. Signs: yes or no.",
        "Several regions or interventions at once: join them with +, for example upper_trapezius + levator_scapulae.",
        "Best is a second person who re-measures and does not know what was done: examiner_blinded yes.",
        "adverse_event: none, or what happened. Ask after every session.",
        "Leave the rows of planned sessions that did not take place as they are; they are reported as set aside.",
    ]
    readings = [
        f"{one.name}: {one.how_taken} Unit {one.unit}, plausible {one.low:g} to {one.high:g}, "
        f"read to {one.resolution:g}; {one.better} is better."
        for one in measures
    ]
    return [("How to record", how), ("How to read", readings), ("Cautions", cautions_for(regions))]


def _lists(
    measures: Sequence[Measure],
    regions: Sequence[str],
    interventions: Sequence[str],
    clients: Sequence[str],
    codebook: Codebook,
) -> dict[str, list[str]]:
    """What each drop-down offers, by column."""
    fields = codebook.protocol_fields.set_index("field")["allowed"]
    choices = {name: str(fields[name]).split("|") for name in ("position", "tissue_length", "head") if name in fields}
    return {
        "client": list(clients),
        "region": list(regions),
        "treated_side": list(_SIDES),
        "intervention": list(interventions),
        "order": list(ORDERS),
        "measure": [one.name for one in measures],
        "measured_side": list(_SIDES),
        "unit": list(dict.fromkeys(one.unit for one in measures)),
        "examiner_blinded": ["yes", "no", "unknown"],
        "side_drawn": ["yes", "no"],
        **choices,
    }


def _some(names: Sequence[str], what: str) -> Sequence[str]:
    """`names`, refused when empty or when a single text was given in place of a list."""
    if isinstance(names, str) or not names:
        raise SheetError(f"Name at least one {what}, as a list: [“…”].")
    return names


def _known_regions(regions: Sequence[str], codebook: Codebook) -> None:
    """Refuse regions that the codebook lacks."""
    known = set(codebook.regions["region"])
    for name in regions:
        if name not in known:
            like = ", ".join(close_names(name, known)) or "none close"
            raise SheetError(
                f"The codebook has no region called “{name}” (closest: {like}). Use a name from "
                "shared/codebook/regions.csv, or add your own region in a codebook extension file."
            )


def _checked_schedule(schedule: pd.DataFrame) -> pd.DataFrame:
    """client, session and order as texts and whole numbers, sorted as drawn."""
    missing = [name for name in SEALED if name not in schedule]
    if missing:
        raise SheetError(
            f"The schedule lacks {', '.join(missing)}. It needs client, session (1, 2, …), season and seal, one row a "
            "session: the orders stay sealed until their session begins (python3 start.py draw-order)."
        )
    plan = schedule[list(SEALED)].reset_index(drop=True)
    if plan.isna().any(axis=None):
        raise SheetError("The schedule has empty cells. Every session needs a client, a number, a season and a seal.")
    twice = plan[plan.duplicated(["client", "session"])]
    if len(twice):
        raise SheetError(f"Session {twice['session'].iloc[0]} of client {twice['client'].iloc[0]} is scheduled twice.")
    return plan.astype({"client": str, "season": str, "seal": str})


def _free_path(path: Path, *, replace: bool) -> Path:
    """`path`, refused where it is no .xlsx, its folder is missing, or a file stands there already."""
    if path.suffix.lower() != ".xlsx":
        raise SheetError(f"{path.name}: the sheet is a workbook; let its name end in .xlsx.")
    check_free(path, replace=replace)
    return path
