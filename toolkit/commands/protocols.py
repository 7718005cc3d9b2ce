"""Two protocols on the command line."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.options import PATH, replace_option
from toolkit.errors import ToolkitError
from toolkit.resources import dataset_file
from toolkit.writing import check_free


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
