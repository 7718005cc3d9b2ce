"""The coming season on the command line: a sheet to fill in, a drawn order, a sealed question, how many clients."""

from __future__ import annotations

import io
import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from toolkit.commands.options import PATH, codebook_option, replace_option, say
from toolkit.commands.screen import table_lines, typed
from toolkit.errors import ToolkitError
from toolkit.resources import dataset_file
from toolkit.settings import read_text
from toolkit.writing import check_free, table_maker, write_file

if TYPE_CHECKING:
    import pandas as pd

SHOWN = ["clients", "seen", "ci_low", "ci_high"]  # of a plan, on the screen


def sealed_lines(schedule: Path) -> pd.DataFrame:
    """The lines of a sealed order."""
    import pandas as pd

    text = read_text(schedule)
    try:
        lines = pd.read_csv(io.StringIO(text), dtype={"client": str, "season": str, "seal": str}, keep_default_na=False)
        return lines[["client", "session", "season", "seal"]].astype({"session": int})
    except (ValueError, KeyError, OverflowError) as problem:
        raise ToolkitError(
            f"{schedule.name} is not an order drawn by this toolkit (client, session, season, seal). Name the file "
            "that draw-order wrote."
        ) from problem


@click.command()
@click.argument("workbook", type=PATH)
@click.option("--measure", "measures", multiple=True, required=True, help="Codebook name of what is read; repeat it.")
@click.option("--region", "regions", multiple=True, required=True, help="Codebook name of what is treated; repeat it.")
@click.option("--intervention", "interventions", multiple=True, help="What is done; repeat it.")
@click.option("--client", "clients", multiple=True, help="A client's pseudonym for the drop-down; repeat it.")
@click.option("--rows", default=200, show_default=True, help="Empty rows.")
@click.option("--schedule", type=PATH, help="A drawn order (see draw-order): its sessions, sealed.")
@codebook_option
@replace_option
def sheet(
    workbook: Path,
    measures: tuple[str, ...],
    regions: tuple[str, ...],
    interventions: tuple[str, ...],
    clients: tuple[str, ...],
    rows: int,
    schedule: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Write a WORKBOOK (XLSX) to record the coming weeks in; the toolkit reads it back as it is."""
    from toolkit.records.codebook import load_codebook
    from toolkit.records.entry_sheet import write_entry_sheet

    written = write_entry_sheet(
        workbook,
        codebook=load_codebook(codebook),
        measures=measures,
        regions=regions,
        interventions=interventions,
        clients=clients,
        schedule=None if schedule is None else sealed_lines(schedule),
        rows=rows,
        replace=replace,
    )
    say(f"Written: {written}")
    if schedule is not None:
        say("The orders in it are sealed: each is opened at the start of its session (open-order).")


@click.command(name="seal-question")
@click.argument("question", type=PATH)
def seal_question(question: Path) -> None:
    """Seal a question sheet before looking: its hash and the day, written beside it."""
    from toolkit.claim.seal import seal_path
    from toolkit.claim.seal import seal_question as seal_sheet

    made = seal_sheet(question)
    say(f"Sealed at {made.sealed}: {made.sha256}\nWritten: {seal_path(question)}. Send this line to somebody.")


@click.command(name="draw-order")
@click.option("--client", "clients", multiple=True, required=True, help="A client's pseudonym; repeat it.")
@click.option("--sessions", default=10, show_default=True, help="Coming sessions of each.")
@click.option("--key", type=PATH, required=True, help="The key's file, kept by somebody who does not treat.")
@click.option("--out", type=PATH, default=Path("order.csv"), show_default=True)
@click.option("--new-key", is_flag=True, help="Make the key's file; without it a missing key is a mistake.")
@click.option("--season", help="A label that enters each seal; today's date if absent.")
@click.option("--between", nargs=2, metavar="A B", help="Draw one of two protocols instead of who waits first.")
@click.option("--seed", type=int, help="For a draw that can be repeated; drawn by the computer if absent.")
def draw_order(
    clients: tuple[str, ...],
    sessions: int,
    key: Path,
    out: Path,
    new_key: bool,
    season: str | None,
    between: tuple[str, str] | None,
    seed: int | None,
) -> None:
    """Draw who waits first (or which of two protocols) in the coming sessions, and seal each line."""
    from toolkit.planning.order_schedule import draw_orders, seal, season_of_two
    from toolkit.privacy.keys import key_from

    check_free(out)
    label = season or datetime.now(UTC).date().isoformat()
    label = label if between is None else season_of_two(label, between)
    drawn = draw_orders(list(clients), sessions=sessions, rng=secrets.randbits(64) if seed is None else seed)
    secret = key_from(key, away_from=[out], new=new_key)
    write_file(out, table_maker(seal(drawn, key=secret, season=label)))
    say(f"{len(drawn)} sessions of {len(clients)} clients drawn and sealed. Written: {out}")
    say("Whoever keeps the key opens one line at a time:")
    say(f"  {typed('open-order')} SCHEDULE --client A --session 1 --key KEY")


@click.command(name="open-order")
@click.argument("schedule", type=PATH)
@click.option("--client", help="The client's pseudonym.")
@click.option("--session", "number", type=int, help="The client's session number.")
@click.option("--key", type=PATH, required=True)
@click.option("--list", "listed", type=PATH, help="Instead: the whole list to this file, for one who does not treat.")
@replace_option
def open_order(
    schedule: Path, client: str | None, number: int | None, key: Path, listed: Path | None, replace: bool
) -> None:
    """Open one line of a drawn order, at the start of its session; when is noted beside the schedule."""
    from toolkit.planning.opened_lines import note_opened
    from toolkit.planning.order_schedule import drawn_words, opened
    from toolkit.planning.order_schedule import open_order as opened_line
    from toolkit.privacy.keys import key_from

    lines, secret = sealed_lines(schedule), key_from(key, away_from=[schedule])
    if listed is not None:
        whole = opened(lines, key=secret)
        said = [
            drawn_words(*pair) for pair in zip(lines["season"].astype(str), whole["order"].astype(str), strict=True)
        ]
        write_file(listed, table_maker(whole.assign(drawn=said)), replace=replace)
        say(f"Written: {listed}. It belongs to somebody who does not treat and does not re-measure.")
        return
    if client is None or number is None:
        raise ToolkitError("Say whose line:  --client A --session 1   (or --list FILE for a second person).")
    order = opened_line(lines, client=client, session=number, key=secret)
    note_opened(schedule, client=client, session=number)
    say(drawn_words(str(lines["season"].iloc[0]), order))


@click.command()
@click.argument("export", required=False, type=PATH)
@click.option("--question", type=PATH, help="The question sheet; the demo clinic's first if EXPORT is absent.")
@click.option("--effect", type=float, help="True effect to plan for; the smallest change that matters if absent.")
@click.option("--seasons", default=40, show_default=True, help="Simulated seasons for each line.")
@click.option("--columns", type=PATH, help="What your columns mean.")
@click.option("--codebook", type=PATH, help="Your own additions to the codebook.")
def plan(
    export: Path | None,
    question: Path | None,
    effect: float | None,
    seasons: int,
    columns: Path | None,
    codebook: Path | None,
) -> None:
    """How many clients the next season needs, and which change of record-keeping buys most."""
    from toolkit.season_planning import plan_season

    if export is not None and question is None:
        raise ToolkitError("Name the question sheet to plan for:  --question question.toml")
    found = plan_season(
        export or dataset_file("demo/sessions.csv"),
        question=question or dataset_file("demo/questions/stretching.toml"),
        effect=effect,
        n_seasons=seasons,
        columns=columns,
        codebook=codebook,
    )
    for note in found.notes:
        say(f"Note: {note}.")
    planned, ranked = found.clients, found.record_keeping
    say(planned.sentence(), "", table_lines(planned.frame[SHOWN]), "", ranked.sentence(), "")
    say(table_lines(ranked.frame[["change", *SHOWN[1:], "gain"]]))
