"""The report: one page that says what the records allow, with the figures, the tables and where each came from.

It computes nothing. Every sentence of a claim comes from `findings`; every number is shown with its unit, its
interval, its n and its method. The page needs no network, prints on A4 or Letter, and reads on a phone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.looks import report_details as details
from toolkit.looks import report_tables as tables
from toolkit.looks.html import ReportFigure, ReportTable, template_environment, with_words, write_table
from toolkit.looks.plot_data import PlotData
from toolkit.looks.report_figures import (
    agreement_of,
    balance_of,
    before_after_of,
    forest_of,
    moved_of,
    order_of,
    overlap_of,
    picture_of,
    sessions_by_arm_of,
    steps_of,
)
from toolkit.looks.words import LEVEL_WORDS, capital, clean, is_missing, sentence, spaced
from toolkit.safe_text import printable

IN_FULL = 3  # answers shown in full where nothing was declared; the others stand in a table, their details folded away
PRINTED_MEASURES = 3  # by region and intervention: more measures are on screen only
JUDGEMENT = "Follow local codes and the judgement of a licensed professional."


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One finding as the page shows it."""

    anchor: str
    title: str
    level: str
    declared: bool
    sentence: str
    may_say: str
    may_not_say: str
    to_say_more: str
    cautions: list[str]
    numbers: ReportTable
    effects: ReportTable
    adjustment_steps: ReportTable
    explanations: ReportTable
    explanation_states: list[str]
    drawn: bool
    held: str
    held_table: ReportTable
    moved: str
    moved_figure: ReportFigure | None
    draw: str
    flow: str
    flow_table: ReportTable
    order_figure: ReportFigure | None
    flow_figure: ReportFigure | None
    balance: str
    balance_table: ReportTable
    balance_figure: ReportFigure | None
    overlap_figure: ReportFigure | None
    picture: ReportFigure | None
    steps_figure: ReportFigure | None
    before_after_figure: ReportFigure | None


@dataclass(frozen=True, kw_only=True)
class ByMeasure:
    """One measure by region and intervention; `lacking` says why there is neither figure nor table."""

    figure: ReportFigure | None
    table: ReportTable | None
    model: list[tuple[str, str]]
    lacking: str


def write_report(findings: Mapping[str, Any], folder: Path, *, plot_data: PlotData) -> None:
    """Write report.html, figures/*.svg and tables/*.csv into a folder.

    Args:
        findings: what the audit found, of the form findings/2.
        folder: where to write; made where it does not exist.
        plot_data: the frames that the figures are drawn from.
    """
    ordered = answers_in_order(findings["findings"])
    full = max(IN_FULL, sum(finding["claim"]["declared"] for finding in ordered))
    answers = [
        _answer(finding, place, plot_data, drawn=place <= full)
        for place, finding in enumerate(ordered, start=1)
        if place <= full or finding["attributable"] is not None
    ]
    regions = by_measure(findings)
    agreement = _agreement(findings, plot_data)
    page = _page(findings, ordered=ordered, answers=answers, regions=regions, agreement=agreement)
    for inner in ("figures", "tables"):
        (folder / inner).mkdir(parents=True, exist_ok=True)
    (folder / "report.html").write_text(printable(page), encoding="utf-8", newline="\n")
    for figure in _figures(answers, regions, agreement):
        (folder / "figures" / f"{figure.key}.svg").write_text(printable(figure.file), encoding="utf-8", newline="\n")
    for table in _files(findings, ordered):
        write_table(table, folder / "tables")


def answers_in_order(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Declared questions first, then what can be compared, then most clients; never by how good the answer is."""
    return sorted(
        findings,
        key=lambda one: (not one["claim"]["declared"], one["attributable"] is None, -one["n_clients"]),
    )


def _answer(finding: Mapping[str, Any], place: int, plot_data: PlotData, *, drawn: bool) -> Answer:
    """A finding as the page shows it; figures only for those shown in full."""
    claim = finding["claim"]
    return Answer(
        anchor=f"answer-{place}",
        title=tables.title_of(finding),
        level=LEVEL_WORDS[claim["level"]],
        declared=claim["declared"],
        sentence=sentence(claim["sentence"]),
        may_say=sentence(claim.get("may_say") or claim["sentence"]),
        may_not_say=sentence(claim.get("may_not_say") or "Anything beyond that sentence"),
        to_say_more=sentence(claim.get("to_say_more") or claim["next_step"]),
        cautions=[sentence(one) for one in finding.get("cautions", [])],
        numbers=tables.numbers_table(finding),
        effects=tables.effects_table(finding),
        adjustment_steps=tables.steps_table(finding),
        explanations=tables.explanations_table(finding),
        explanation_states=details.explanation_states(finding),
        drawn=bool((finding.get("balance") or {}).get("drawn")),
        held=details.held_sentence(finding),
        held_table=details.held_table(finding),
        moved=details.moved_sentence(finding),
        moved_figure=moved_of(finding, plot_data, key=f"who_moved_{place}") if drawn else None,
        draw=details.draw_sentence(finding),
        flow=details.flow_sentence(finding),
        flow_table=details.flow_table(finding),
        order_figure=order_of(finding, plot_data, key=f"order_{place}") if drawn else None,
        flow_figure=sessions_by_arm_of(finding, key=f"flow_{place}") if drawn else None,
        balance=details.balance_sentence(finding),
        balance_table=details.balance_table(finding),
        balance_figure=balance_of(finding, plot_data, key=f"balance_{place}") if drawn else None,
        overlap_figure=overlap_of(finding, plot_data, key=f"overlap_{place}") if drawn else None,
        picture=picture_of(finding, key=f"answer_{place}") if drawn else None,
        steps_figure=steps_of(finding, key=f"steps_{place}") if drawn else None,
        before_after_figure=before_after_of(finding, plot_data, key=f"before_after_{place}") if drawn else None,
    )


def by_measure(findings: Mapping[str, Any]) -> list[ByMeasure]:
    """Each measure by region and intervention: figure, table, and what the model says of itself."""
    out: list[ByMeasure] = []
    for part in model_parts(findings):
        model = part["model"] or {}
        rows = pd.DataFrame(part["rows"])
        if rows.empty:
            out.append(ByMeasure(figure=None, table=None, model=_flat(model), lacking=_lacking(model, findings)))
            continue
        for key in ("measure", "unit"):
            if key not in rows:
                rows[key] = _only(key, model, findings["findings"])
        for place, ((_, unit), same) in enumerate(rows.groupby(["measure", "unit"], sort=False)):
            out.append(
                _one_measure(
                    tables.labelled(findings["findings"], same),
                    unit=str(unit),
                    model=_flat(model) if place == 0 else [],
                    key=f"by_region_and_intervention_{len(out) + 1}",
                )
            )
    return out


def _one_measure(rows: pd.DataFrame, *, unit: str, model: list[tuple[str, str]], key: str) -> ByMeasure:
    """One measure's figure and table."""
    name = str(rows["measure"].iloc[0])
    figure = forest_of(rows, unit=unit, measure=name, key=key)
    return ByMeasure(figure=figure, table=tables.model_table(rows, measure=name, unit=unit), model=model, lacking="")


def model_parts(findings: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The models by region and intervention: the first, and those of other measures where there are any."""
    first = findings["by_region_and_intervention"]
    return [part for part in (first, *first.get("other_measures", [])) if part["rows"] or part["model"]]


def _lacking(model: Mapping[str, Any], findings: Mapping[str, Any]) -> str:
    """Why a measure has no rows."""
    names = {finding["measure"]: tables.name_of(finding, "measure") for finding in findings["findings"]}
    code = model.get("measure", "")
    why = sentence(model.get("not_fitted") or "Too few regions, interventions or clients to tell apart")
    return f"{capital(names.get(code, spaced(code)))}: not estimated. {why}" if code else f"Not estimated. {why}"


def _only(key: str, model: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> str:
    """The measure or unit of the model's rows where they do not say it: the model's own, or the only one there is."""
    found = {finding[key] for finding in findings}
    return str(model.get(key) or (found.pop() if len(found) == 1 else ""))


def _agreement(findings: Mapping[str, Any], plot_data: PlotData) -> list[ReportFigure]:
    """An agreement figure for each measure whose pairs are at hand."""
    known = {finding["measure"]: tables.name_of(finding, "measure") for finding in findings["findings"]}
    names = {
        ruler["measure"]: (ruler["unit"], known.get(ruler["measure"]) or ruler.get("label") or spaced(ruler["measure"]))
        for ruler in findings["measurement"]
    }
    return [
        agreement_of(plot_data.agreement[measure], unit=unit, measure=clean(name), key=f"agreement_{place}")
        for place, (measure, (unit, name)) in enumerate(names.items(), start=1)
        if measure in plot_data.agreement
    ]


def _agreement_table(findings: Mapping[str, Any]) -> ReportTable:
    """How two readings agree, with the measures' human names."""
    names = {finding["measure"]: tables.name_of(finding, "measure") for finding in findings["findings"]}
    return details.agreement_table(findings["measurement"], names)


def _page(
    findings: Mapping[str, Any],
    *,
    ordered: Sequence[Mapping[str, Any]],
    answers: Sequence[Answer],
    regions: Sequence[ByMeasure],
    agreement: Sequence[ReportFigure],
) -> str:
    """The whole page, each hard word explained at the end of the section where it first stands."""
    in_full = [answer for answer in answers if answer.steps_figure]
    listed = len(ordered) > len(in_full)
    return with_words(
        template_environment()
        .get_template("report.html.jinja")
        .render(
            export={"readings_read": None, **findings["export"]},
            created=clean(findings["created"])[:10],
            version=findings["toolkit_version"],
            in_full=in_full,
            others=answers[len(in_full) :],
            overview=tables.overview_table(ordered if listed else []),
            printed_measures=PRINTED_MEASURES if not listed else 1,
            tally=tables.tally(findings["findings"]),
            by_measure=regions,
            measurement=tables.measurement_table(findings["measurement"], findings["findings"]),
            agreement=agreement,
            agreement_table=_agreement_table(findings),
            set_aside=tables.set_aside_table(findings.get("rows_set_aside_by_reason", [])),
            flags=tables.flags_table(findings.get("flags", [])),
            record_next=findings.get("record_next", []),
            notes=[sentence(note) for note in findings.get("notes", [])],
            cautions=details.caution_groups(findings),
            to_add=details.to_add(findings),
            checklist=details.checklist_table(findings),
            judgement=JUDGEMENT,
            methods=findings["methods"],
            methods_used=details.methods_table(findings.get("methods_used", [])),
        )
    )


def _flat(model: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What the model says of itself, as name and words."""
    out = []
    for name, value in model.items():
        if isinstance(value, Mapping):
            out += [(f"{spaced(name)}: {inner}", words) for inner, words in _flat(value)]
        elif isinstance(value, (list, tuple)):
            out.append((spaced(name), "; ".join(_in_one_line(part) for part in value) or "none"))
        elif isinstance(value, bool):
            out.append((spaced(name), "yes" if value else "no"))
        elif isinstance(value, (int, float)) or value is None:
            out.append((spaced(name), "not available" if is_missing(value) else f"{value:.4g}".replace("-", "−")))
        else:
            out.append((spaced(name), clean(value)))
    return out


def _in_one_line(part: Any) -> str:
    """One entry of a list, a mapping written as name and words."""
    if isinstance(part, Mapping):
        return ", ".join(f"{name} {words}" for name, words in _flat(part))
    return clean(part)


def _figures(
    answers: Sequence[Answer], regions: Sequence[ByMeasure], agreement: Sequence[ReportFigure]
) -> list[ReportFigure]:
    """Every figure of the page."""
    of_answers = [
        figure
        for answer in answers
        for figure in (
            answer.picture,
            answer.steps_figure,
            answer.before_after_figure,
            answer.moved_figure,
            answer.order_figure,
            answer.flow_figure,
            answer.balance_figure,
            answer.overlap_figure,
        )
    ]
    return [figure for figure in (*of_answers, *(part.figure for part in regions), *agreement) if figure is not None]


# file of a table -> key of the findings
_TABLES_OF_FINDINGS = {"adjustment_steps": "ladder", "explanations": "rivals", "effect_sizes": "effect_sizes"}


def _files(findings: Mapping[str, Any], ordered: Sequence[Mapping[str, Any]]) -> list[ReportTable]:
    """The tables written beside the page, at full precision."""
    parts = [
        ReportTable(key=name, caption="", columns=(), rows=[], full=tables.stacked(ordered, part))
        for name, part in _TABLES_OF_FINDINGS.items()
    ]
    rows = pd.DataFrame(
        [
            {"measure": (part["model"] or {}).get("measure"), **row}
            for part in model_parts(findings)
            for row in part["rows"]
        ]
    )
    parts.append(ReportTable(key="by_region_and_intervention", caption="", columns=(), rows=[], full=rows))
    parts.append(tables.answers_table(ordered))
    parts.append(tables.measurement_table(findings["measurement"], findings["findings"]))
    parts.append(_agreement_table(findings))
    parts.append(details.methods_table(findings.get("methods_used", [])))
    parts.append(details.checklist_table(findings))
    parts.append(tables.set_aside_table(findings.get("rows_set_aside_by_reason", [])))
    return parts
