"""Two protocols compared from records: who got which, how far they differ, what else could explain it.

The number that is quoted is that of the one engine (`toolkit.effect`), the same that an audit gives a question whose
comparison is the other intervention. Beside it stand the other ways of counting and what a clinic's owner looks at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

import numpy as np
import pandas as pd

from toolkit.claim.question import Question, read_question
from toolkit.comparing import views
from toolkit.comparing.export import as_dict
from toolkit.comparing.figures import ways_figure
from toolkit.comparing.found import Found, quoted_estimate
from toolkit.comparing.page import write_comparison
from toolkit.comparing.road import road
from toolkit.comparing.verdict import (
    Evidence,
    Told,
    advice_of,
    disagreeing,
    sentence_of,
    verdict_of,
)
from toolkit.comparing.ways_of_counting import other_ways
from toolkit.effect.allocation import Allocation, allocation, characteristics
from toolkit.effect.comparison import Compared, between_interventions, only_treated
from toolkit.effect.estimate import bounded, estimate, sessions_of
from toolkit.errors import NotEnoughError, QuestionError
from toolkit.findings.ask import checked_question
from toolkit.looks.words import amount, number, spaced, with_labels
from toolkit.records.account import Records
from toolkit.records.records import load_records
from toolkit.records.same_order import in_order_of_content
from toolkit.registering.by_sums import answer_by_sums
from toolkit.registering.fetched import records_for
from toolkit.registering.registry import Registry
from toolkit.result import Estimate, Result, standard_frame
from toolkit.stats.sample_size import clients_for_width

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KNOWN_BEFORE = ("first", "visit", "practitioner", "position", "tissue_length", "treated_side", "site")
BLINDED_ENOUGH = 0.8
Data = str | Path | Sequence[str | Path] | Mapping[str, Any] | pd.DataFrame | Records


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Comparison(Found):
    """What `compare` hands out: it shows, draws, saves and writes itself. The first row of `frame` is to be quoted.

    Attributes
    ----------
    rows : pandas.DataFrame
        What `frame` gives: the difference to quote, then the other ways of counting.
    says, title, advice : str
        The sentence; A less B and the measure; what a clinic can do next.
    names : tuple of str
        Protocol A, protocol B and the measure in words.
    notes : tuple of str
        Ways of counting that could not be had, and why.
    groups, detail, draw
        Of every `Result`; not used here.
    question : Question
        What was asked: `intervention` is protocol A, `comparison` protocol B.
    verdict : str
        One of `toolkit.comparing.verdict.VERDICTS`; `claims` says whether it claims a difference.
    drawn : bool
        Did chance decide, and do the records bear it out? `draw_says`: how that was checked, in words.
    tied_to : str
        "site" or "practitioner" where none of them used both; "" otherwise.
    compared : Compared
        The rows of both arms, one frame.
    complete, attributable : Attributable
        The one estimate without and with the bound for missing readings.
    sessions : pandas.DataFrame
        One row a session: got_a, y, change, first, score, weight, client, practitioner, site.
    ways : tuple of Estimate
        The other ways of counting.
    allocation : Allocation
        Balance of what was known before, overlap weights, effective numbers.
    e_value : tuple of float or None
        How strong an unmeasured cause must be (for the difference, for its limit nearer 0); None where nothing is
        claimed or chance decided.
    n_to_tell : int or None
        Clients needed to tell a difference that matters, recorded as now.
    records : Records
        What was read.
    """

    def plot(self) -> Figure:
        """The difference, each other way of counting and each site, with their intervals."""
        return ways_figure(self)

    def to_dict(self) -> dict[str, Any]:
        """The comparison as data, format comparison/1 (shared/schemas)."""
        return as_dict(self)

    def write(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write comparison.html, comparison.json and tables/*.csv into a folder; returns the page's path."""
        return write_comparison(self, Path(folder), replace=replace)


@overload
def compare(
    data: Registry,
    *,
    measure: str,
    between: tuple[str, str],
    region: str | None = None,
    drawn: bool = False,
    smallest_change_that_matters: float | None = None,
    better: str | None = None,
    level: float = 0.95,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    rng: np.random.Generator | int = 0,
) -> Comparison | Result: ...


@overload
def compare(
    data: Data,
    *,
    measure: str,
    between: tuple[str, str],
    region: str | None = None,
    drawn: bool = False,
    smallest_change_that_matters: float | None = None,
    better: str | None = None,
    level: float = 0.95,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    rng: np.random.Generator | int = 0,
) -> Comparison: ...


def compare(
    data: Data | Registry,
    *,
    measure: str,
    between: tuple[str, str],
    region: str | None = None,
    drawn: bool = False,
    smallest_change_that_matters: float | None = None,
    better: str | None = None,
    level: float = 0.95,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
    rng: np.random.Generator | int = 0,
) -> Comparison | Result:
    """Compare two ways of working on one measure.

    Parameters
    ----------
    data
        An export (file, files, folder; a folder a site; {site: folder}), a frame in one of the layouts, `Records`, or
        a registry.
    measure, between, region
        Codebook name of what was read; the two interventions A and B as recorded; one region, or None for all.
    drawn
        Did chance decide who got which? The records are asked whether they bear it out.
    smallest_change_that_matters
        In the measure's unit; without it "alike" cannot be said.
    better
        "higher" or "lower" where the codebook is not to decide.
    level
        Confidence level of the intervals.
    columns, codebook
        As in `load_records`.
    rng
        Generator or seed for re-randomisation (fewer than 20 clients, drawn).

    Returns
    -------
    Comparison or Result
        `.frame` (first row: the one to quote), `.sentence()`, `.plot()`, `.tables`, `.write()`, `.to_dict()`.
        Of a registry that holds more rows than can be fetched a `Result` from the engine's sums.

    Raises
    ------
    NotEnoughError
        Fewer than 5 sessions or 3 clients of either protocol have readings before and after.
    QuestionError
        The records hold no such measure, region or intervention; or the two are the same.

    Examples
    --------
    >>> from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
    >>> rows = simulate_protocols(ProtocolDials(choice="drawn_client", effect=4.0), rng=1).drop(columns="visit")
    >>> found = compare(rows, measure="ankle_dorsiflexion_lunge", between=("long_hold", "short_hold"), drawn=True)
    >>> quoted = found.frame.iloc[0]
    >>> found.verdict, bool(quoted["ci_low"] < 4.0 < quoted["ci_high"])
    ('did_better', True)
    """
    missing = data.what_is_left_out() if isinstance(data, Registry) else ""
    asked: dict[str, Any] = {"measure": measure, "region": region or "any", "intervention": between[0]}
    asked |= {"comparison": between[1], "better": better}
    if smallest_change_that_matters is not None:
        asked["smallest_change_that_matters"] = float(smallest_change_that_matters)
    plain = read_question({name: value for name, value in asked.items() if value is not None})
    if isinstance(data, Registry):
        fetched = records_for(data, [measure])
        if fetched is None:
            return answer_by_sums(data, plain, drawn=drawn, level=level)
        data = fetched
    read = data if isinstance(data, Records) else load_records(data, columns=columns, codebook=codebook)
    records = replace(read, rows=in_order_of_content(read.rows))
    question = checked_question(plain, records)
    _refuse_same(question, records)
    compared = _compared(records, question, drawn=drawn)
    found = _comparison(records, question, compared, level=level, rng=rng)
    return replace(found, notes=(*found.notes, missing)) if missing else found


def _refuse_same(question: Question, records: Records) -> None:
    if question.comparison == question.intervention:
        raise QuestionError(f"“{question.intervention}” is compared with itself. Name two different interventions.")
    held = set(records.rows["intervention"].astype(str))
    if question.comparison not in held:
        some = ", ".join(sorted(name for name in held if name)[:8])
        raise QuestionError(f"There are no records of “{question.comparison}”. The records hold: {some}.")


def _compared(records: Records, question: Question, *, drawn: bool) -> Compared:
    """The rows of both, or a refusal that counts them."""
    rows, better = records.rows, str(question.better)
    if question.region == "any":
        rows = only_treated(rows, measure=question.measure, better=better, relation=records.codebook.limits)
    relation = records.codebook.limits(question.region, question.measure) or ""
    found = between_interventions(rows, question=question, relation=relation, drawn=drawn)
    counts = {1.0: (0, 0), 0.0: (0, 0)}
    if found is not None:
        complete = found.rows.dropna(subset=["y"])
        for arm, part in complete.groupby("arm"):
            counts[float(str(arm))] = part["session_id"].nunique(), part["client"].nunique()
    fewest = min(n for n, _ in counts.values()), min(n for _, n in counts.values())
    if found is None or fewest[0] < 5 or fewest[1] < 3:
        (n_a, clients_a), (n_b, clients_b) = counts[1.0], counts[0.0]
        raise NotEnoughError(
            f"{question.intervention} has {n_a} sessions of {clients_a} clients with readings before and after of "
            f"{question.measure} on {question.region} region, {question.comparison} {n_b} of {clients_b}; at least "
            "5 sessions of 3 clients each are needed."
        )
    return found


def _comparison(
    records: Records,
    question: Question,
    compared: Compared,
    *,
    level: float,
    rng: np.random.Generator | int,
) -> Comparison:
    """Everything about two protocols, put together."""
    unit, better, names = str(question.unit), str(question.better), _names(question, records)
    found = road(records, question, compared, level=level, rng=rng)
    borne, kept = found.borne, found.kept
    compared = borne.compared
    sessions = _sessions(compared, records)
    tied = views.tied_to(sessions.rename(columns={"got_a": "arm"}))
    complete, whole = borne.complete, borne.attributable
    if tied:
        complete = estimate(_untied(compared), confidence_level=level, rng=rng)
        whole = bounded(_untied(compared), complete, rng=rng)
    if complete is None or whole is None:
        raise NotEnoughError(f"{names[0]} and {names[1]} cannot be compared: {borne.why_none}")
    known = characteristics(sessions, fields=tuple(name for name in KNOWN_BEFORE if name in sessions))
    allotted = allocation(known, sessions["got_a"].to_numpy(dtype=float))
    sessions = sessions.assign(score=allotted.score, weight=allotted.weight)
    ways, lacking = other_ways(sessions, known, unit=unit, level=level)
    quoted = quoted_estimate(whole, unit=unit)
    worst, left = _imbalance_left(allotted)
    evidence = Evidence(
        low=quoted.ci_low,
        high=quoted.ci_high,
        drawn=kept,
        smallest=question.smallest_change_that_matters,
        tied_to=tied,
        disagreeing=disagreeing(quoted, ways),
        imbalance_left=left,
        draw_broken=found.broken,
        allowance=found.allowance,
    )
    verdict = verdict_of(evidence)
    n_to_tell = _clients_to_tell(quoted, question.smallest_change_that_matters)
    told = _told(names, quoted, sessions, compared, allotted, unit=unit, better=better, worst=worst)
    told = replace(told, draw=found.draw_says, different_people=found.people)
    return Comparison(
        rows=standard_frame(_frame_rows(quoted, ways, sessions)),
        says=sentence_of(verdict, evidence, told),
        title=f"{names[0]} less {names[1]}, {names[2]}",
        notes=lacking,
        question=question,
        verdict=verdict,
        drawn=kept,
        draw_says=found.draw_says,
        compared=compared,
        complete=complete,
        attributable=whole,
        sessions=sessions,
        ways=ways,
        allocation=allotted,
        e_value=e_values(quoted, sd=float(sessions["y"].std(ddof=1))) if verdict == "went_with_more" else None,
        n_to_tell=n_to_tell,
        tied_to=tied,
        advice=advice_of(verdict, drawn=kept, n=quoted.n, n_to_tell=n_to_tell, tied_to=tied),
        names=names,
        records=records,
    )


def _untied(compared: Compared) -> Compared:
    """The rows as if one practitioner at one site had worked: all that is left where nobody used both."""
    return replace(compared, rows=compared.rows.assign(site="", practitioner=""))


def _sessions(compared: Compared, records: Records) -> pd.DataFrame:
    """One row a session with its change and what was known before."""
    sessions = sessions_of(compared.rows.dropna(subset=["y"])).rename(columns={"arm": "got_a"})
    sessions = sessions.assign(first=sessions["base"] + sessions["gap"], change=sessions["y"] - sessions["gap"])
    rows = records.rows.assign(session_id=records.rows["session_id"].astype(str))
    extra = [name for name in KNOWN_BEFORE if name in rows and name not in sessions]
    return sessions.merge(rows.drop_duplicates("session_id")[["session_id", *extra]], on="session_id", how="left")


def _frame_rows(quoted: Estimate, ways: Sequence[Estimate], sessions: pd.DataFrame) -> list[dict[str, Any]]:
    rows = []
    for one in (quoted, *ways):
        statistic = one.value / one.se if one.se else None
        rows.append(one.standard_row(statistic=statistic, n_rows=len(sessions)))
    return rows


def _names(question: Question, records: Records) -> tuple[str, str, str]:
    """Protocol A, protocol B and the measure in words."""
    book = records.codebook
    words = [with_labels(book, spaced(name)) for name in (question.intervention, question.comparison, question.measure)]
    labels = dict(zip(book.interventions["intervention"], book.interventions["label"], strict=True))
    measures = dict(zip(book.measures["measure"], book.measures["label"], strict=True))
    first = labels.get(question.intervention, words[0])
    other = labels.get(str(question.comparison), words[1])
    return _small(str(first)), _small(str(other)), _small(str(measures.get(question.measure, words[2])))


def _small(words: str) -> str:
    """A label inside a sentence: its first letter small unless the word is an abbreviation."""
    return words if words[:2].isupper() else words[:1].lower() + words[1:]


def _imbalance_left(allotted: Allocation) -> tuple[str, float]:
    """The characteristic with most imbalance after weighting, and how much in SDs."""
    balance = allotted.balance
    if balance.empty:
        return "", 0.0
    left = balance["adjusted_difference"].abs()
    place = int(left.to_numpy().argmax())
    return str(balance["characteristic"].iloc[place]), float(left.iloc[place])


def _told(
    names: tuple[str, str, str],
    quoted: Estimate,
    sessions: pd.DataFrame,
    compared: Compared,
    allotted: Allocation,
    *,
    unit: str,
    better: str,
    worst: str,
) -> Told:
    means = sessions.groupby("got_a")["first"].mean()
    sd = float(np.sqrt(sessions.groupby("got_a")["first"].var().mean()))
    gap = float(means[1.0] - means[0.0]) * (1.0 if better == "higher" else -1.0)
    imbalance = ""
    if np.isfinite(sd) and sd > 0:
        side = "lower" if gap < 0 else "higher"
        imbalance = (
            f"sessions with {names[0]} read {amount(abs(gap), unit)} {side} before "
            f"({number(abs(gap) / sd, decimals=2)} SD)"
        )
    worth = " and ".join(f"{n:.0f}" for n in allotted.effective_n)
    counts = [int((sessions["got_a"] == arm).sum()) for arm in (1, 0)]
    blinded = compared.rows.dropna(subset=["y"]).groupby("arm")["blinded"].apply(lambda said: (said == "yes").mean())
    return Told(
        first=names[0],
        other=names[1],
        measure=names[2],
        unit=unit,
        found=quoted,
        n_sessions=len(sessions),
        n_practitioners=int(sessions["practitioner"].nunique()),
        n_sites=int(sessions["site"].nunique()) if "site" in sessions else 1,
        n_missing=int(compared.rows["y"].isna().sum()),
        imbalance=imbalance,
        overlap=f"made alike by weights, {counts[0]} and {counts[1]} sessions are worth {worth}",
        draw="",
        unblinded=bool(blinded.min() < BLINDED_ENOUGH),
        most_imbalanced=worst,
    )


def e_values(found: Estimate, *, sd: float) -> tuple[float, float] | None:
    """How strongly an unmeasured cause would have to go with both protocol and outcome to explain the difference.

    As risk ratios: for the estimate, and for the limit nearer to 0 (1 = the interval holds 0 already). The difference
    over the SD is turned into an approximate risk ratio, exp(0.91 d) (VanderWeele & Ding 2017, Annals of Internal
    Medicine 167:268–274).

    Parameters
    ----------
    found, sd
        The difference; the SD of the changes, in the same unit.

    Examples
    --------
    >>> one = Estimate(name="x", value=1.0, ci_low=0.5, ci_high=1.5, unit="deg", n=9, method="t")
    >>> [round(v, 2) for v in e_values(one, sd=1.0)]
    [4.4, 2.53]
    """
    if not sd > 0:
        return None

    def strength(d: float) -> float:
        ratio = float(np.exp(0.91 * abs(d) / sd))
        return ratio + float(np.sqrt(ratio * (ratio - 1)))

    near = 0.0 if found.ci_low <= 0 <= found.ci_high else min(abs(found.ci_low), abs(found.ci_high))
    return strength(found.value), strength(near)


def _clients_to_tell(found: Estimate, smallest: float | None) -> int | None:
    """Clients needed for a half-width of half the smallest change that matters, recorded as now."""
    half = (found.ci_high - found.ci_low) / 2
    return clients_for_width(found.n, half_width=half, wanted=smallest / 2) if smallest else None
