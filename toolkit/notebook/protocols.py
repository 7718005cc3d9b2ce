"""What a notebook shows of two protocols: readings first, the answer, and what an owner looks at beside it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from toolkit.comparing import figures as drawn
from toolkit.comparing import page
from toolkit.comparing.ways_of_counting import USUAL
from toolkit.errors import NotEnoughError, QuestionError, ToolkitError
from toolkit.looks import figures
from toolkit.looks.html import ReportTable
from toolkit.looks.words import amount, capital, counted, sentence, threshold, with_interval
from toolkit.notebook.pieces import Drawing, Several, Words, drawing, words

if TYPE_CHECKING:
    from toolkit.comparing.compare import Comparison
    from toolkit.comparing.site_summary import SiteSummary
    from toolkit.notebook.choosers import Guess, PairChooser
    from toolkit.records.account import Records


def compare(records: Records, chooser: PairChooser, *, drawn: str) -> Comparison:
    """The two protocols chosen, compared.

    Parameters
    ----------
    records, chooser
        What was read, and what was chosen.
    drawn
        "chosen" or "drawn".

    Raises
    ------
    ToolkitError
        `drawn` is neither word.
    NotEnoughError
        Too few sessions of either.
    """
    from toolkit.comparing.compare import compare as compare_records

    if drawn not in ("chosen", "drawn"):
        raise ToolkitError(
            f'DRAWN is “{drawn}”: write DRAWN = "chosen" if somebody chose who got which, '
            'and DRAWN = "drawn" only if chance decided.'
        )
    asked = chooser.question
    region = None if asked["region"] == "any" else str(asked["region"])
    try:
        return compare_records(
            records,
            measure=str(asked["measure"]),
            between=(str(asked["protocol_a"]), str(asked["protocol_b"])),
            region=region,
            drawn=drawn == "drawn",
            smallest_change_that_matters=chooser.smallest_change,
        )
    except NotEnoughError as why:
        said = str(why)
        of = {"measure": "measure", "region": "region", "protocol_a": "intervention", "protocol_b": "intervention"}
        for field, what in of.items():
            said = said.replace(str(asked[field]), chooser.name_of(what, asked[field]))
        raise NotEnoughError(capital(said)) from None


def raw_readings(found: Comparison) -> Several:
    """Readings as they were written, by site and protocol: before anything is computed."""
    figure = drawn.readings_figure(found)
    said = drawn.label_of(figure, "Readings before and after, by site and protocol.")
    parts: list[Drawing | ReportTable | Words] = [drawing(figure, "Readings before and after", said)]
    parts.append(page.readings_table(found))
    losses = page.losses_table(found)
    if losses.rows:
        parts.append(losses)
    return Several(parts=tuple(parts))


def two_protocols(found: Comparison) -> Several:
    """The difference to quote and the other ways of counting it."""
    rows = drawn.ways_rows(found)
    title = f"{capital(found.names[0])} less {found.names[1]}"
    said = drawn.forest_words(found, rows, "The difference, and other ways of counting it")
    return Several(
        parts=(
            drawing(drawn.forest(found, rows), title, said),
            words(f"To the right of the line, sessions with {found.names[0]} went better."),
            page.ways_table(found),
        )
    )


def who_got_which(found: Comparison) -> Several:
    """Were those who got the one like those who got the other? How many sessions that leaves."""
    balance = found.tables["balance"]
    parts: list[Drawing | ReportTable | Words] = [words(page.overlap_said(found))]
    if not balance.empty:
        picture = figures.balance_figure(balance)
        parts.append(drawing(picture, "Were the two groups alike?", figures.alt_text_balance(balance)))
    return Several(parts=tuple(parts))


def by_site(found: Comparison) -> Several:
    """The difference within each site, and how far sites differ; a sentence where there is one site."""
    table = page.groups_table(found, "by_site", "Difference within each site", "Site")
    if not table.rows:
        return Several(parts=(words("The records are of one site."),))
    rows = drawn.group_rows(found.tables["by_site"], whole=found.frame.iloc[0])
    parts: list[Drawing | ReportTable | Words] = [words(page.sites_said(found)), table]
    if not rows.empty:
        title = "The difference within each site"
        parts.insert(0, drawing(drawn.forest(found, rows), title, drawn.forest_words(found, rows, title)))
    return Several(parts=tuple(parts))


def by_practitioner(found: Comparison) -> Several:
    """The difference with each practitioner, drawn towards all and in alphabetical order; and without each."""
    rows = drawn.shrunken_rows(found.tables["by_practitioner"])
    parts: list[Drawing | ReportTable | Words] = [words(page.hands_said(found)), page.hands_table(found)]
    parts.append(page.groups_table(found, "without_practitioner", "One practitioner left out", "Left out"))
    if not rows.empty:
        title = "The difference with each practitioner, drawn towards all"
        parts.insert(0, drawing(drawn.forest(found, rows), title, drawn.forest_words(found, rows, title)))
    return Several(parts=tuple(parts))


def over_the_calendar(found: Comparison) -> Several:
    """Does the difference drift over the year?"""
    return Several(parts=(words(page.time_said(found)), page.quarters_table(found)))


def dose_harm_comfort(found: Comparison) -> Several:
    """How much of each, what went wrong, how it felt."""
    return Several(parts=(page.dose_table(found), page.harm_table(found), page.comfort_table(found)))


def summaries_of_sites(found: Comparison) -> list[SiteSummary]:
    """What each site would give away of these records; sites that cannot (too few clients) are left out."""
    from toolkit.comparing.site_summary import summarise

    rows, summaries = found.records.rows, []
    for name in sorted(name for name in rows["site"].astype(str).unique() if name):
        part = replace(found.records, rows=rows[rows["site"].astype(str) == name])
        with suppress(NotEnoughError, QuestionError):
            summaries.append(summarise(part, question=found.question, site=name, drawn=found.drawn))
    return summaries


def pooled_sites(summaries: list[SiteSummary]) -> Several:
    """The sites' summaries pooled: forest, how far they differ, one left out at a time."""
    from toolkit.comparing import pooled_figures, pooled_page
    from toolkit.comparing.pooled import pool

    if len(summaries) < 2:
        return Several(parts=(words("Fewer than two sites can give a summary, so there is nothing to pool."),))
    together = pool(summaries)
    rows, title = pooled_figures.forest_rows(together), "The difference at each site and together"
    said = figures.alt_text_forest(rows, unit=together.unit, about=title)
    return Several(
        parts=(
            words(together.sentence()),
            drawing(pooled_figures.pooled_forest(together), title, said),
            pooled_page.spread_table(together),
            pooled_page.left_out_table(together),
        )
    )


def expected_of_two(guess: Guess, found: Comparison) -> Words:
    """What the reader expected, beside the usual answer and the one to quote."""
    unit, frame = str(found.question.unit), found.frame
    own = "not said yet: write it into the box above" if guess.value is None else threshold(guess.value, unit)
    usual = frame[frame["what"] == USUAL]
    lines = [("You expected", f"{own}.")]
    for name, row in [
        ("What a colleague would fit", usual.iloc[0] if len(usual) else None),
        ("To quote", frame.iloc[0]),
    ]:
        if row is not None:
            lines.append((name, f"{with_interval(row['estimate'], row['ci_low'], row['ci_high'], unit)}."))
    return words(*lines)


def keep_comparison(found: Comparison, folder: str = "comparison-of-my-clinic") -> Words:
    """Write the comparison's folder and say where it is; where it cannot be written, say why, and all else goes on."""
    try:
        written = found.write(folder, replace=True)
    except ToolkitError as why:
        said = str(why).replace("Name a new folder", 'Name a new folder in the cell above, for example "my-comparison"')
        return words(("Not written", said), "Everything else in this notebook holds without it.")
    return words(("Page", f"open {written.parent.name}/{written.name} in a browser."))


def hidden_cause(found: Comparison) -> Words:
    """How strong something that nobody wrote down would have to be; only where that means something."""
    if found.drawn:
        return words("Chance decided who got which, so what was not written down is spread over both by chance.")
    said = page.unmeasured(found)
    return words(said or "Nothing is claimed, so there is nothing that a hidden cause would have to explain.")


def may_say_of_two(found: Comparison) -> Words:
    """What may be said of the two, what not, and what to do next."""
    lines: list[Any] = [("One may say", sentence(found.sentence()))]
    lines.append(("One may not say", "That one of the two is better for a given client, or in another measure."))
    if not found.drawn:
        lines.append(("Nor", "That the protocol made the difference: somebody chose who got which."))
    if found.n_to_tell is not None and found.verdict == "not_told":
        size = amount(found.question.smallest_change_that_matters, str(found.question.unit))
        lines.append(("How many", f"About {counted(found.n_to_tell, 'client')} would tell a difference of {size}."))
    lines.append(("To do next", found.advice))
    return words(*lines)
