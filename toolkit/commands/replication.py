"""Published analyses on the command line."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.options import PATH, replace_option, say


@click.command()
@click.argument("path", required=False, metavar="SHEET", type=PATH)
@click.option("--write", is_flag=True, help="Write result.csv beside each sheet; with --paper, a page beside it.")
@click.option(
    "--format",
    "explain",
    is_flag=False,
    flag_value="",
    metavar="[METHOD]",
    help="Explain the sheet, or one method (or step) with an example that runs.",
)
@click.option("--new", "method", metavar="METHOD", help="Write a commented sheet for a method into SHEET.")
@click.option("--data", metavar="FILE", help="With --new: the data file, as seen from the sheet.")
@click.option("--paper", type=PATH, metavar="FILE", help="Check a table of printed numbers among each other.")
@replace_option
def replicate(
    path: Path | None,
    write: bool,
    explain: str | None,
    method: str | None,
    data: str | None,
    paper: Path | None,
    replace: bool,
) -> int:
    """See whether a published analysis comes out again; all the shipped ones without SHEET.

    \b
    replicate SHEET                             your own sheet, every figure
    replicate --format                          what a sheet may hold; --format paired_t for one method
    replicate --new paired_t --data d.csv SHEET a commented sheet to fill in
    replicate --paper printed.csv               does a paper hang together?
    """
    from toolkit import replicating

    if explain is not None:
        click.echo(replicating.format_page(explain or None))  # lines to copy: not folded
        return 0
    if paper is not None:
        page = replicating.hangs_together(paper)
        say(page.sentence())
        for line in page.lines():
            say(f"  {line}")
        if write:
            written = page.save(paper.with_name(f"{paper.stem}_checked.docx"), replace=replace)
            say(f"written: {written}")
        return 1 if page.unexplained else 0
    if method is not None:
        from toolkit.writing import write_file

        target = path or Path("replication.toml")
        text = replicating.new_sheet(method, data=data, beside=target.parent)
        say(f"written: {write_file(target, text, replace=replace)}")
        say(f"Fill in what is marked …, then: replicate {target}")
        return 0
    return 1 if replicating.replicate_command(path, write=write, replace=replace, say=say) else 0
