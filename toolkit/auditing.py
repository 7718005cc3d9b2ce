"""The main job on one screen: records in, an `Audit` out.

from toolkit import audit
found = audit("sessions.csv", question="question.toml")
found                      # in a notebook: the claims, the adjustment steps
found.to_dict()            # what findings.json holds
found.write("my-audit")    # report.html, findings.json, tables, figures, rows_set_aside.csv
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

import numpy as np
import pandas as pd

from toolkit.claim.declared import declared_status
from toolkit.claim.look_log import look_of
from toolkit.claim.question import Question, read_question
from toolkit.claim.seal import check_seal
from toolkit.effect.estimate import Attributable, model_behind
from toolkit.errors import NotEnoughError
from toolkit.findings.ask import checked_question, questions_in
from toolkit.findings.assemble import assemble, check_findings
from toolkit.findings.balance import known_before, overlap_scores
from toolkit.findings.finding import Judged, judge, with_family
from toolkit.findings.finding_dict import claim_parts
from toolkit.findings.measured import Ruler, limits_before, pairs_before, ruler_of
from toolkit.findings.moved import client_frame, session_changes
from toolkit.looks.plot_data import AgreementPairs, PlotData
from toolkit.looks.reading_plots import agreement_lines
from toolkit.records.account import Records
from toolkit.records.coded_texts import with_categories
from toolkit.records.records import load_records
from toolkit.records.same_order import in_order_of_content
from toolkit.registering.registry import Registry
from toolkit.result import Result, Shown, standard_frame
from toolkit.safe_text import printable
from toolkit.writing import table_maker, write_folder

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.mixed.mixed_fit import MixedFit

Source = str | Path | Sequence[str | Path] | pd.DataFrame
Asked = str | Path | Mapping[str, Any] | Question | Sequence[str | Path | Mapping[str, Any] | Question]


_ASKED = ("measure", "region", "intervention")


def _effect(found: Attributable | None) -> dict[str, Any]:
    """A treatment effect as columns of a frame, or the word that there is none."""
    if found is None:
        return {"method": "nothing to compare with"}
    names = {"estimate": found.mean, "level": found.confidence_level}
    same = ("ci_low", "ci_high", "df", "p", "method", "n_clients", "n_sessions")
    return names | {key: getattr(found, key) for key in same}


@dataclass(frozen=True, eq=False, kw_only=True)
class Audit(Shown):
    """What an export allows to be said; `audit` makes it.

    Attributes
    ----------
    records : Records
        What was read: `audit(...).records.readings` is the frame to go on with.
    judged : tuple of Judged
        The typed findings, one a question, in the order of `findings`: question, rows compared, estimates.
    declared : tuple of Question
        The questions as they were asked; empty where none was.
    rulers : tuple of Ruler
        The measurement error of each measure asked about.
    missing : str
        Sites of a registry that this answer lacks, and why; "" where none is missing.
    findings : dict
        What findings.json holds; `to_dict()` gives a copy.
    claims, plot_data
        The claims alone; what the figures draw.

    Examples
    --------
    >>> from toolkit import demo
    >>> asked = {"measure": "ankle_dorsiflexion_lunge", "region": "soleus", "intervention": "percussive_release"}
    >>> found = audit(demo(), question=asked)
    >>> found.frame["what"].tolist(), sorted(found.data()["arm"].unique().tolist())
    (['treatment effect'], [0.0, 1.0])
    """

    records: Records
    judged: tuple[Judged, ...]
    declared: tuple[Question, ...]
    rulers: tuple[Ruler, ...]
    missing: str = ""

    @cached_property
    def findings(self) -> dict[str, Any]:
        """What findings.json holds, put together when it is first asked for."""
        sheets = [one.as_dict() for one in self.declared]
        several = {"format": "question/1", "questions": sheets} if sheets else None
        found = assemble(
            self.records,
            list(self.judged),
            list(self.rulers),
            question=sheets[0] if len(sheets) == 1 else several,
            file=", ".join(dict.fromkeys(self.records.source.files["file"].astype(str))),
        )
        found["notes"] += [self.missing] if self.missing else []
        return found

    @cached_property
    def plot_data(self) -> PlotData:
        """What the figures draw."""
        return _plot_data(self.records, list(self.judged), self.findings)

    @cached_property
    def claims(self) -> list[dict[str, Any]]:
        """The claims alone, one a question in the order of `findings`: known before all else is put together."""
        return [claim_parts(one, self.records) for one in self.judged]

    def to_dict(self) -> dict[str, Any]:
        """What findings.json holds, as a copy."""
        return dict(json.loads(json.dumps(self.findings)))

    def sentence(self) -> str:
        """The claim on the first question, in one sentence; then the sites it lacks, where there are such."""
        return f"{self.claims[0]['claim']['sentence']} {self.missing}".strip()

    def table(self) -> pd.DataFrame:
        """One row a question: the treatment effect (technique minus comparison) with its interval, and the claim.

        Columns as of every result (`estimate`, `ci_low` …) after `measure`, `region`, `intervention`; then
        `n_sessions`, `claim`, `declared`. Clients and sessions are those the effect rests on, or else those treated.
        """
        rows = [
            {
                **{key: finding[key] for key in _ASKED},
                "what": "treatment effect",
                "n_clients": finding["n_clients"],
                "n_rows": len(self.data(place)),
                "unit": finding["unit"],
                "n_sessions": finding["n_sessions"],
                **_effect(one.attributable),
                "claim": finding["claim"]["level"],
                "declared": "yes" if finding["claim"]["declared"] else "no",
            }
            for place, (finding, one) in enumerate(zip(self.findings["findings"], self.judged, strict=True))
        ]
        return standard_frame(rows, groups=_ASKED)

    def data(self, question: int = 0) -> pd.DataFrame:
        """The rows behind one question's treatment effect, both arms, or the treated rows where none is compared.

        Columns `client`, `session_id`, `practitioner`, `arm` (1 technique, 0 comparison), `base` (reading before) and
        `y` (change, better is positive), and what was known before.
        """
        one = self.judged[question]
        return (one.technique if one.compared is None else one.compared.rows).copy()

    def model(self, question: int = 0) -> MixedFit:
        """The fitted mixed model behind one question's treatment effect; `technique` is its coefficient.

        The effect itself is taken from it with an interval robust over clients, and with every client weighing the same
        where weighing by sessions would flatter the technique (`judged[0].complete.method` says so): it may differ.

        Raises
        ------
        NotEnoughError
            Nothing is compared, or the effect was not estimated by a mixed model; how it was is said.
        """
        one = self.judged[question]
        if one.compared is None or one.complete is None:
            raise NotEnoughError(f"There is no model: {one.why_no_comparison}.")
        if not one.complete.method.startswith("mixed model"):
            raise NotEnoughError(f"This effect was not estimated by a mixed model but by {one.complete.method}.")
        return model_behind(one.compared)

    def figures(self, question: int = 0) -> dict[str, Figure]:
        """One question's figures by name: steps, before_after, beyond_error, balance, order, flow."""
        from toolkit.looks.report_figures import figures_of

        return figures_of(self.findings["findings"][question], self.plot_data)

    def plot(self) -> Figure:
        """The first answer's adjustment steps, from the usual answer to what is left."""
        from toolkit.looks.report_figures import steps_figure

        return steps_figure(self.findings["findings"][0])

    def write(self, folder: str | Path, *, replace: bool = False, with_text: bool = False) -> Path:
        """Write the audit's folder: all of it or nothing. Returns the path of the report.

        Parameters
        ----------
        folder
            A new one.
        replace
            Or one that holds an older audit in which nothing was changed or added.

        Raises
        ------
        WritingError
            Something is there that would be lost, or the folder cannot be written.
        """
        from toolkit.looks.report import write_report

        aside = self.records.set_aside if with_text else self.records.shown_set_aside()

        check_findings(self.findings)

        def make(place: Path) -> None:
            text = json.dumps(self.findings, indent=1, ensure_ascii=False)
            (place / "findings.json").write_text(printable(text) + "\n", encoding="utf-8")
            table_maker(aside)(place / "rows_set_aside.csv")
            write_report(self.findings, place, plot_data=self.plot_data)

        return write_folder(folder, make, replace=replace) / "report.html"


@overload
def audit(
    source: Registry,
    *,
    question: Asked | None = None,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    schedule: pd.DataFrame | None = None,
    rng: np.random.Generator | int = 0,
) -> Audit | Result: ...


@overload
def audit(
    source: Source | Records,
    *,
    question: Asked | None = None,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    schedule: pd.DataFrame | None = None,
    rng: np.random.Generator | int = 0,
) -> Audit: ...


def audit(
    source: Source | Records | Registry,
    *,
    question: Asked | None = None,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    schedule: pd.DataFrame | None = None,
    rng: np.random.Generator | int = 0,
) -> Audit | Result:
    """Judge session records: what moved, what else could explain it, what may be said.

    Parameters
    ----------
    source
        An export (file, files, folder), a DataFrame in one of the three layouts, loaded records, or a registry.
    question
        A question sheet (path or mapping), several, or None: then every measure × region × intervention is judged with
        Holm's correction and marked undeclared.
    columns
        A columns.toml or a mapping with the same content.
    codebook
        The user's own codebook extension.
    schedule
        The sealed schedule, opened (`opened` of `toolkit.planning.order_schedule`): client, session (1, 2, …), order,
        and `opened` where it is noted which lines were. Every opened line is accounted for, and the comparison goes by
        what was drawn.
    rng
        Numpy Generator or seed, for redraws.

    Returns
    -------
    Audit
        An `Audit`: show it, `to_dict()`, `write(folder)`. Of a registry that holds too many rows of one question a
        `Result` from the engine's sums: the effect, and in its notes what was not looked at.

    Raises
    ------
    ToolkitError
        The records or the question cannot be used; the message says what, where, and what to do.

    Examples
    --------
    >>> from toolkit.simulate import ClinicDials, simulate_clinic
    >>> rows = simulate_clinic(ClinicDials(n_clients=30, effect=4.0), rng=1).rows
    >>> asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "comparison": "wait",
    ...     "intervention": "percussive_release", "smallest_change_that_matters": 5.0, "unit": "deg"}
    >>> audit(rows, question=asked).findings["findings"][0]["claim"]["level"]
    'moved'
    """
    missing = source.what_is_left_out() if isinstance(source, Registry) else ""
    if isinstance(source, Registry):
        from toolkit.registering.by_sums import answer_by_sums
        from toolkit.registering.fetched import records_for

        asked_of = _questions(question)
        fetched = records_for(source, [one.measure for one in asked_of])
        if fetched is None:
            return answer_by_sums(source, asked_of[0])
        source = fetched
    records = _loaded(source, columns, codebook)
    if records.rows.empty:
        raise NotEnoughError(
            f"None of the {records.source.rows_read} rows can be used. {_first_reason(records)} "
            "See rows_set_aside.csv, or the `check` command, for each row's reason."
        )
    declared = [checked_question(one, records) for one in _questions(question)]
    asked = declared or [checked_question(one, records) for one in questions_in(records)]
    if not asked:
        raise NotEnoughError("The records hold no session with an intervention, so there is nothing to judge.")
    rulers = _rulers(records, asked)
    each = [_judge(records, one, rulers, declared=bool(declared), rng=rng, schedule=schedule) for one in asked]
    undeclared = bool(declared) and not all(one.declared for one in each)
    judged = with_family(each, at_least=len(questions_in(records)) if undeclared else 1)
    return Audit(
        records=records, judged=tuple(judged), declared=tuple(declared), rulers=tuple(rulers.values()), missing=missing
    )


def judge_question(
    source: Source | Records,
    question: str | Path | Mapping[str, Any] | Question,
    *,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    rng: np.random.Generator | int = 0,
) -> Judged:
    """The estimates for one declared question, without writing them out and without counting as a look."""
    records = _loaded(source, columns, codebook)
    asked = replace(checked_question(_questions(question)[0], records), sheet=None)
    return _judge(records, asked, _rulers(records, [asked]), declared=True, rng=rng)


def _loaded(source: Source | Records, columns: Any, codebook: str | Path | None) -> Records:
    """The records with their rows in an order that hangs on nothing but what they say."""
    records = source if isinstance(source, Records) else load_records(source, columns=columns, codebook=codebook)
    return replace(records, rows=in_order_of_content(with_categories(records.rows)))


def _rulers(records: Records, asked: list[Question]) -> dict[str, Ruler]:
    """The ruler of each measure asked about."""
    return {
        name: ruler_of(records.rows, measure=name, unit=records.codebook.measure(name).unit)
        for name in dict.fromkeys(one.measure for one in asked)
    }


def _questions(question: Asked | None) -> list[Question]:
    if question is None:
        return []
    several = question if isinstance(question, Sequence) and not isinstance(question, str) else [question]
    asked = [one if isinstance(one, Question) else read_question(one) for one in several]
    for one in asked:
        if one.sheet is not None:
            check_seal(one.sheet)
    return asked


def _judge(
    records: Records,
    question: Question,
    rulers: dict[str, Ruler],
    *,
    declared: bool,
    rng: np.random.Generator | int,
    schedule: pd.DataFrame | None = None,
) -> Judged:
    """One question judged; whether it counts as declared is settled by the sessions it is judged on."""
    look = look_of(question, records) if declared else 1
    relation = records.codebook.limits(question.region, question.measure) or ""
    found = judge(
        records.rows,
        replace(question, better=question.better or records.codebook.measure(question.measure).better),
        declared=declared,
        ruler=rulers[question.measure],
        relation=relation,
        look=look,
        rng=rng,
        lost=records.lost,
        schedule=schedule,
    )
    if not declared:
        return found
    seal = check_seal(question.sheet) if question.sheet is not None else None
    rows = found.compared.rows if found.compared is not None else found.technique
    days = rows.drop_duplicates(["client", "session_id"])["date"]
    status = declared_status(question, days, sealed_on=seal.sealed if seal else None)
    return replace(found, declared=status.yes, declared_says=status.says, sealed=seal is not None)


def _plot_data(records: Records, judged: list[Judged], findings: dict[str, Any]) -> PlotData:
    """Frames for the figures: readings by client, by finding id; pairs of readings, by measure."""
    frames = {one["id"]: client_frame(each) for one, each in zip(findings["findings"], judged, strict=True)}
    balance = {one["id"]: pd.DataFrame(one["balance"]["rows"]) for one in findings["findings"] if one["balance"]}
    return PlotData(
        before_after=frames,
        sessions={one["id"]: session_changes(each) for one, each in zip(findings["findings"], judged, strict=True)},
        agreement=_agreement(records, findings["measurement"]),
        balance=balance,
        overlap=_overlap(records, judged, findings),
        draws={
            one["id"]: each.borne.draw.units[["label", "visit", "when"]]
            for one, each in zip(findings["findings"], judged, strict=True)
            if each.borne is not None and each.borne.draw is not None
        },
    )


def _overlap(records: Records, judged: list[Judged], findings: dict[str, Any]) -> dict[str, pd.DataFrame]:
    """Where a comparison was not drawn: each session's chance to be one of the comparison, by finding id."""
    found = {}
    for one, each in zip(findings["findings"], judged, strict=True):
        compared, question = each.compared, each.question
        if compared is not None and one["balance"] and compared.basis == "comparison_sessions":
            known, units = known_before(compared, records.rows, unit=str(question.unit), better=str(question.better))
            found[one["id"]] = overlap_scores(known, list(units))
    return found


def _agreement(records: Records, measurement: list[dict[str, Any]]) -> dict[str, AgreementPairs]:
    """Pairs of readings before, and their lines, of each measure that has limits of agreement."""
    found = {}
    for ruler in measurement:
        measure, unit = ruler["measure"], ruler["unit"]
        if ruler["agreement"] is not None:
            lines = agreement_lines(limits_before(records.rows, measure=measure, unit=unit))
            found[measure] = AgreementPairs(pairs=pairs_before(records.rows, measure=measure), lines=lines)
    return found


def _first_reason(records: Records) -> str:
    if records.set_aside.empty:
        return ""
    first = records.shown_set_aside().iloc[0]
    return f"The first, row {first['row']}: {first['reason']}. {first['remedy']}"
