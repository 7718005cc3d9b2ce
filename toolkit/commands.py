"""The commands beyond the audit: ruler, compare, deidentify, and those that plan the next season."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import TYPE_CHECKING

import click

from toolkit.errors import ToolkitError
from toolkit.writing import check_free, table_maker, write_file

if TYPE_CHECKING:
    import pandas as pd

PATH = click.Path(path_type=Path)


replace_option = click.option(
    "--replace", is_flag=True, help="Write over an earlier output of this toolkit that nobody changed."
)


def opened_schedule(schedule: Path | None, key: Path | None) -> pd.DataFrame | None:
    """A drawn and sealed order, opened; None where there is none."""
    from toolkit.planning.order_schedule import opened
    from toolkit.privacy.pseudonyms import key_from

    if schedule is None:
        return None
    if key is None or not key.exists():
        raise ToolkitError("A drawn order is opened by its key:  --key FILE")
    return opened(sealed_lines(schedule), key=key_from(key, away_from=[schedule]))


def sealed_lines(schedule: Path) -> pd.DataFrame:
    """The lines of a sealed order."""
    import pandas as pd

    try:
        lines = pd.read_csv(schedule, dtype={"client": str, "seal": str})
        return lines[["client", "session", "seal"]]
    except (OSError, ValueError, KeyError) as problem:
        raise ToolkitError(
            f"{schedule.name} is not an order drawn by this toolkit (client, session, seal)."
        ) from problem


@click.command()
@click.argument("study", required=False, type=PATH)
@click.option("--measure", help="Codebook name of what was read; needed for a study of your own.")
@click.option("--unit", default="deg", show_default=True)
@click.option("--subject", default="subject", show_default=True, help="Column of who was read.")
@click.option("--reader", default="reader", show_default=True, help="Column of who, or which instrument, read.")
@click.option("--reading", default="reading", show_default=True, help="Column that numbers repeated readings.")
@click.option("--value", default="value", show_default=True, help="Column of the readings.")
def ruler(
    study: Path | None, measure: str | None, unit: str, subject: str, reader: str, reading: str, value: str
) -> None:
    """How good is the ruler: ICC, SEM and MDC95 of a reliability STUDY (CSV, one row a reading).

    Without STUDY the open goniometer study is shown, the published figures beside it.
    """
    from toolkit.stats.reliability_study import knee_goniometer_ruler
    from toolkit.stats.reliability_study import ruler as ruler_of_study

    if study is None:
        click.echo(knee_goniometer_ruler())
        return
    found = ruler_of_study(
        study, measure=measure or study.stem, unit=unit, subject=subject, reader=reader, reading=reading, value=value
    )
    click.echo(found)


@click.command()
@click.argument("exports", nargs=-1, metavar="EXPORT…", type=PATH)
@click.option("--measure", help="Codebook name of what is compared.")
@click.option("--between", nargs=2, metavar="A B", help="The two interventions, as recorded.")
@click.option("--region", default="any", show_default=True)
@click.option("--drawn", is_flag=True, help="Who got which was drawn at random.")
@click.option("--smallest", type=float, help="Smallest difference that matters, in the measure's unit.")
@click.option("--out", type=PATH, default=Path("comparison.html"), show_default=True)
@click.option("--columns", type=PATH, help="What your columns mean.")
@click.option("--codebook", type=PATH, help="Your own additions to the codebook.")
@replace_option
def compare(
    exports: tuple[Path, ...],
    measure: str | None,
    between: tuple[str, str] | None,
    region: str,
    drawn: bool,
    smallest: float | None,
    out: Path,
    columns: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Compare two protocols and write one page.

    Without EXPORT two ways of working on the calf are compared in the demo clinic.
    """
    from toolkit.comparing.compare import compare_protocols
    from toolkit.effect.comparison import only_treated
    from toolkit.looks.protocol_page import write_protocol_page
    from toolkit.records.cautions import cautions_for
    from toolkit.records.records import load_records
    from toolkit.resources import dataset_file

    if exports and (measure is None or between is None):
        raise ToolkitError("Say what to compare: --measure NAME --between A B, with names as the records hold them.")
    check_free(out, replace=replace)
    source = list(exports) or [dataset_file("demo/sessions.csv")]
    measure = measure or "ankle_dorsiflexion_lunge"
    first, second = between or ("percussive_release", "manual_release")
    region = region if exports else "soleus"
    smallest = smallest if exports or smallest is not None else 3.0
    records = load_records(source, columns=columns, codebook=codebook)
    known = records.codebook.measure(measure)
    found = compare_protocols(
        only_treated(records.rows, measure=measure, better=known.better, relation=records.codebook.limits),
        measure=measure,
        unit=known.unit,
        better=known.better,
        protocol_a=records.codebook.find_intervention(first) or first,
        protocol_b=records.codebook.find_intervention(second) or second,
        region=region,
        drawn="drawn" if drawn else "chosen",
        smallest_change_that_matters=smallest,
    )
    click.echo(f"{records.sentence()}\n\n{found}\n\n{found.advice()}")
    about = f"{', '.join(path.name for path in source)}. {records.sentence()}"
    regions = [region] if region != "any" else sorted(set(records.rows["region"].astype(str)))
    written = write_protocol_page(found, out, about=about, cautions=cautions_for(regions), replace=replace)
    click.echo(f"\nThe page: {written.resolve()}")


@click.command()
@click.argument("exports", nargs=-1, required=True, metavar="EXPORT…", type=PATH)
@click.option("--out", type=PATH, required=True, help="The file to write (CSV).")
@click.option("--key", type=PATH, required=True, help="The key's file, kept away from the data; made where absent.")
@click.option("--client", multiple=True, help="The column that says who the client is; found by its header if absent.")
@click.option("--date", default="", help="The column with the date; found by its header if absent.")
@click.option("--date-order", default="", help="day_first, month_first or year_first, where the dates do not say.")
@click.option("--keep", multiple=True, help="A column to keep that looks like free text; repeat it.")
@replace_option
def deidentify(
    exports: tuple[Path, ...],
    out: Path,
    key: Path,
    client: tuple[str, ...],
    date: str,
    date_order: str,
    keep: tuple[str, ...],
    replace: bool,
) -> None:
    """Make an office export fit for analysis: no names, pseudonyms by a key, days instead of dates. Ask local law."""
    from toolkit.privacy.files import deidentify_files

    done = deidentify_files(
        list(exports), out, key=key, client=client, date=date, date_order=date_order, keep=keep, replace=replace
    )
    click.echo(f"{done}\n\nWritten: {out}")


@click.command(name="seal-question")
@click.argument("question", type=PATH)
def seal_question(question: Path) -> None:
    """Seal a question sheet before looking: its hash and the day, written beside it."""
    from toolkit.claim.seal import seal_path
    from toolkit.claim.seal import seal_question as seal_sheet

    made = seal_sheet(question)
    click.echo(f"Sealed at {made.sealed}: {made.sha256}\nWritten: {seal_path(question)}. Send this line to somebody.")


@click.command(name="draw-order")
@click.option("--client", "clients", multiple=True, required=True, help="A client's pseudonym; repeat it.")
@click.option("--sessions", default=10, show_default=True, help="Coming sessions of each.")
@click.option("--key", type=PATH, required=True, help="The key's file, kept by somebody who does not treat.")
@click.option("--out", type=PATH, default=Path("order.csv"), show_default=True)
@click.option("--seed", type=int, help="For a draw that can be repeated; drawn by the computer if absent.")
def draw_order(clients: tuple[str, ...], sessions: int, key: Path, out: Path, seed: int | None) -> None:
    """Draw who waits first in the coming sessions, and seal each line."""
    from toolkit.planning.order_schedule import draw_orders, seal
    from toolkit.privacy.pseudonyms import key_from

    check_free(out)
    drawn = draw_orders(list(clients), sessions=sessions, rng=secrets.randbits(64) if seed is None else seed)
    write_file(out, table_maker(seal(drawn, key=key_from(key, away_from=[out]))))
    click.echo(f"{len(drawn)} sessions of {len(clients)} clients drawn and sealed. Written: {out}")
    click.echo("Whoever keeps the key opens one line at a time:  open-order SCHEDULE --client A --session 1 --key KEY")


@click.command(name="open-order")
@click.argument("schedule", type=PATH)
@click.option("--client", required=True)
@click.option("--session", "number", type=int, required=True, help="The client's session number.")
@click.option("--key", type=PATH, required=True)
def open_order(schedule: Path, client: str, number: int, key: Path) -> None:
    """Open one line of a drawn order, at the start of its session."""
    from toolkit.planning.order_schedule import open_order as opened
    from toolkit.privacy.pseudonyms import key_from

    if not key.exists():
        raise ToolkitError(f"There is no key {key.name}; without it a seal cannot be opened.")
    order = opened(sealed_lines(schedule), client=client, session=number, key=key_from(key, away_from=[schedule]))
    click.echo(order.replace("_", " "))


@click.command()
@click.argument("export", required=False, type=PATH)
@click.option("--question", type=PATH, help="The question sheet; the demo clinic's first if EXPORT is absent.")
@click.option("--effect", type=float, help="True effect to plan for; the smallest change that matters if absent.")
@click.option("--seasons", default=60, show_default=True, help="Simulated seasons for each line.")
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
    from toolkit.auditing import judge_question
    from toolkit.planning.season import dials_from, plan_clients, rank_record_keeping
    from toolkit.resources import dataset_file

    if export is not None and question is None:
        raise ToolkitError("Name the question sheet to plan for:  --question question.toml")
    source = export or dataset_file("demo/sessions.csv")
    judged = judge_question(
        source, question or dataset_file("demo/questions/stretching.toml"), columns=columns, codebook=codebook
    )
    dials, notes = dials_from(judged)
    smallest = judged.question.smallest_change_that_matters
    size = effect if effect is not None else smallest
    if size is None:
        raise ToolkitError("Name the true effect to plan for:  --effect 3   (in the measure's unit)")
    for note in notes:
        click.echo(f"Note: {note}.")
    numbers = sorted({max(6, round(dials.n_clients * factor)) for factor in (0.5, 1, 2, 4)})
    click.echo(plan_clients(dials, effect=size, smallest=smallest, n_clients=numbers, n_seasons=seasons))
    click.echo(f"\n{rank_record_keeping(dials, effect=size, smallest=smallest, n_seasons=seasons)}")


COMMANDS = (ruler, compare, deidentify, seal_question, draw_order, open_order, plan)
