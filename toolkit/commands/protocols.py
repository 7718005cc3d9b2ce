"""Two protocols on the command line: compared, summed up for others, and pooled from several sites' summaries."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from toolkit.commands.options import PATH, codebook_option, columns_option, replace_option, say
from toolkit.commands.screen import table_lines
from toolkit.errors import ToolkitError
from toolkit.resources import dataset_file
from toolkit.writing import check_free, check_free_folder

if TYPE_CHECKING:
    from toolkit.comparing.compare import Comparison

site_option = click.option(
    "--site", "sites", multiple=True, metavar="NAME=FOLDER", help="One site's folder; repeat it."
)


def named_sites(sites: tuple[str, ...], exports: tuple[Path, ...]) -> Any:
    """What to read: the sites named, or the exports; exports beside named sites are refused."""
    if not sites:
        return list(exports)
    if exports:
        raise ToolkitError("Name either files or sites (--site NAME=FOLDER), not both.")
    pairs = [one.partition("=") for one in sites]
    wrong = [name for name, equals, folder in pairs if not (name.strip() and equals and folder.strip())]
    if wrong or len({name.strip() for name, _, _ in pairs}) < len(pairs):
        raise ToolkitError("Write each site once as NAME=FOLDER, for example  --site north=exports/north")
    return {name.strip(): Path(folder.strip()) for name, _, folder in pairs}


def asked_by(sheet: Path) -> tuple[str, tuple[str, str], str | None, float | None]:
    """Measure, the two, region and size that matters, from a question sheet that compares two ways of working."""
    from toolkit.claim.question import read_question
    from toolkit.comparing.site_summary import ASKED_OF_SESSIONS

    asked = read_question(sheet)
    if asked.comparison is None or asked.comparison in ASKED_OF_SESSIONS:
        raise ToolkitError(f'{sheet.name} names no second way of working: write it as  comparison = "…".')
    region = None if asked.region == "any" else asked.region
    return asked.measure, (asked.intervention, str(asked.comparison)), region, asked.smallest_change_that_matters


def demo_comparison(*, smallest: float | None = None, drawn: bool = False) -> Comparison:
    """Two ways of working on the calf, compared in the demo clinic."""
    from toolkit.comparing.compare import compare as compare_records

    return compare_records(
        dataset_file("demo/sessions.csv"),
        measure="ankle_dorsiflexion_lunge",
        between=("percussive_release", "manual_release"),
        region="soleus",
        drawn=drawn,
        smallest_change_that_matters=3.0 if smallest is None else smallest,
    )


@click.command()
@click.argument("exports", nargs=-1, metavar="EXPORT…", type=PATH)
@site_option
@click.option("--question", type=PATH, help="A question sheet in place of the four that follow.")
@click.option("--measure", help="Codebook name of what is compared.")
@click.option("--between", nargs=2, metavar="A B", help="The two interventions, as recorded.")
@click.option("--region", help="One region; all regions if absent.")
@click.option("--drawn", is_flag=True, help="Who got which was drawn at random.")
@click.option("--smallest", type=float, help="Smallest difference that matters, in the measure's unit.")
@click.option("--out", type=PATH, default=Path("comparison"), show_default=True, help="The folder to write.")
@columns_option
@codebook_option
@replace_option
def compare(
    exports: tuple[Path, ...],
    sites: tuple[str, ...],
    question: Path | None,
    measure: str | None,
    between: tuple[str, str] | None,
    region: str | None,
    drawn: bool,
    smallest: float | None,
    out: Path,
    columns: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Compare two protocols and write a page with its tables and comparison.json.

    EXPORT is a file, several, a folder, or a registry; a folder of folders is read as a site each. Without one, two
    ways of working on the calf are compared in the demo clinic.
    """
    from toolkit.comparing.compare import Comparison
    from toolkit.comparing.compare import compare as compare_records
    from toolkit.registering.layout import is_registry
    from toolkit.registering.open_registry import registry
    from toolkit.result import Result

    source = named_sites(sites, exports)
    if question is not None:
        if measure or between or region or smallest is not None:
            raise ToolkitError("Name either a question sheet or what to compare (--measure, --between …), not both.")
        measure, between, region, smallest = asked_by(question)
    if source and (measure is None or between is None):
        raise ToolkitError(
            "Say what to compare: --measure NAME --between A B, with names as the records hold them (or --question)."
        )
    check_free_folder(out, replace=replace)
    found: Comparison | Result
    if not source or measure is None or between is None:
        found = demo_comparison(smallest=smallest, drawn=drawn)
    else:
        data = source if isinstance(source, dict) or len(source) > 1 else source[0]
        found = compare_records(
            registry(data) if isinstance(data, Path) and is_registry(data) else data,
            measure=measure,
            between=between,
            region=region,
            drawn=drawn,
            smallest_change_that_matters=smallest,
            columns=columns,
            codebook=codebook,
        )
    if not isinstance(found, Comparison):
        say(found)
        return
    say(f"{found.records.sentence()}\n\n{found.sentence()}\n\n{found.advice}")
    if len(found.tables["losses"]):
        say("", table_lines(found.tables["losses"]))
    written = found.write(out, replace=replace)
    say(f"\nThe page: {written.resolve()}")


@click.command()
@click.argument("exports", nargs=-1, required=True, metavar="EXPORT…", type=PATH)
@click.option("--question", required=True, type=PATH, help="The question sheet, the same at every site.")
@click.option("--site", required=True, help="The site's name, as the forest plot will show it.")
@click.option("--drawn", is_flag=True, help="Which of two interventions was drawn at random.")
@click.option("--out", type=PATH, help="The summary to write (JSON); SITE.json if absent.")
@columns_option
@codebook_option
@replace_option
def summarise(
    exports: tuple[Path, ...],
    question: Path,
    site: str,
    drawn: bool,
    out: Path | None,
    columns: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Sum up one site's records for pooling: no row, no code, nothing of fewer than five clients."""
    from toolkit.comparing.site_summary import summarise as sum_up

    out = out or Path(re.sub(r"[^\w-]+", "-", site) + ".json")
    check_free(out, replace=replace)
    source = list(exports) if len(exports) > 1 else exports[0]
    found = sum_up(source, question=question, site=site, drawn=drawn, columns=columns, codebook=codebook)
    written = found.write(out, replace=replace)
    say(f"{found}\n\nWritten: {written}. Read it through before it leaves the site: it is plain text.")


@click.command()
@click.argument("summaries", nargs=-1, required=True, metavar="SUMMARY…", type=PATH)
@click.option("--question", type=PATH, help="Of a registry: the question sheet that every site is asked.")
@click.option("--drawn", is_flag=True, help="Of a registry: which of two interventions was drawn at random.")
@click.option("--out", type=PATH, default=Path("pooled"), show_default=True, help="The folder to write.")
@replace_option
def pool(summaries: tuple[Path, ...], question: Path | None, drawn: bool, out: Path, replace: bool) -> None:
    """Pool several sites into one answer and write a page.

    SUMMARY is a site's summary (JSON, made by summarise); or the one folder of a registry, whose sites are then summed
    up each by itself.
    """
    from toolkit.comparing.pooled import pool as pool_summaries
    from toolkit.registering.layout import is_registry
    from toolkit.registering.open_registry import registry

    check_free_folder(out, replace=replace)
    if is_registry(summaries[0]):
        if len(summaries) > 1 or question is None:
            raise ToolkitError("Of a registry name its folder alone, and what to ask: --question QUESTION.toml.")
        found = pool_summaries(registry(summaries[0]), question=question, drawn=drawn)
        say(found.sentence())
        if found.asymmetry is not None:  # of fewer than ten sites a funnel says little
            say("", found.funnel().sentence())
    else:
        if question is not None or drawn:
            raise ToolkitError("--question and --drawn are of a registry; summaries hold their question already.")
        found = pool_summaries(list(summaries))
        say(found.sentence())
    say(f"\nThe page: {found.write(out, replace=replace).resolve()}")
