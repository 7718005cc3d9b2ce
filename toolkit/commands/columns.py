"""What each column of a sheet means: shown, asked where only the person knows, written as a columns.toml."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from toolkit.commands.options import PATH, codebook_option, replace_option, say
from toolkit.safe_text import printable
from toolkit.writing import check_free, write_file

if TYPE_CHECKING:
    from toolkit.records.questions import Question


@click.command()
@click.argument("export", type=PATH)
@click.option("--out", type=PATH, help="The file to write; columns.toml beside the export if absent.")
@click.option("--yes", is_flag=True, help="Ask nothing: write what was understood, for scripts.")
@click.option("--ask/--no-ask", default=None, help="Ask although (or do not ask because) nobody types here.")
@codebook_option
@replace_option
def columns(export: Path, out: Path | None, yes: bool, ask: bool | None, codebook: Path | None, replace: bool) -> None:
    """Show what each column of an export is taken for, ask what is left open, write columns.toml."""
    from toolkit.records.choices import as_lines, columns_shown, preview
    from toolkit.records.codebook import load_codebook
    from toolkit.records.propose import propose_columns
    from toolkit.records.questions import with_answers
    from toolkit.records.reading_files import read_file

    target = out or export.parent / "columns.toml"
    asking = not yes and (sys.stdin.isatty() if ask is None else ask)
    if out is not None or yes or asking:
        check_free(target, replace=replace)
    book = load_codebook(codebook)
    proposal = propose_columns(export, codebook=book)
    say(f"{proposal.sentence()}\n\n{as_lines(columns_shown(proposal, read_file(export), codebook=book))}\n")
    said: dict[str, Any] = tomllib.loads(proposal.to_toml())
    answers: list[tuple[str, str]] = []
    for number, question in enumerate(proposal.mapping.asked, start=1):
        asked = fill(f"Question {number} of {len(proposal.mapping.asked)}. {question.text}", 79)
        say(f"{asked}\n")
        answers += _answer(question) if asking else []
    said = with_answers(said, answers)
    if not proposal.mapping.asked:
        click.echo("Nothing has to be asked.")
    say(f"\nThe first readings are then:\n{as_lines(preview(export, said))}\n")
    if asking and not click.confirm(f"Write this to {printable(target.name)} beside the export?", default=True):
        return
    if not (asking or yes or out is not None):
        say(f"To keep it: the same command with --yes, or --out {target}. To answer: --ask.")
        return
    write_file(target, toml_of(said, proposal.to_toml()), replace=replace)
    say(f"Written: {target}. It is read together with {export.name} from now on.")


def _answer(question: Question) -> list[tuple[str, str]]:
    """The settings of the answer typed; none where it is left open."""
    for number, choice in enumerate(question.choices, start=1):
        say(f"   {number}  {choice.label}")
    hint = "number" + (", or your own answer" if question.free else "") if question.choices else "your answer"
    while True:
        typed = click.prompt(f"   {hint}; Enter leaves it open", default="", show_default=False).strip()
        if not typed:
            return []
        if typed.isdigit() and 0 < int(typed) <= len(question.choices):
            return list(question.choices[int(typed) - 1].settings)
        if question.free:
            return [(question.free, typed)]
        click.echo(f"   Please type a number from 1 to {len(question.choices)}.")


def toml_of(said: dict[str, Any], proposed: str) -> str:
    """The content of a columns.toml as text; comments on what is not understood are kept from the proposal."""
    from toolkit.records.mapping import read_mapping
    from toolkit.records.propose import mapping_toml

    comments = [line for line in proposed.splitlines() if line.startswith("# not understood")]
    written = mapping_toml(read_mapping(said))
    return "\n".join([*comments, written]) if comments else written
