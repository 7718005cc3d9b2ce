"""What one site may give away: counts, means and the difference, no row and no code (format summary/1).

Rows that may not leave a clinic need not: each site sums up its own, and only the summaries are pooled
(`toolkit.comparing.pooled`). Nothing stands in a summary that fewer than `FEWEST_CLIENTS` clients gave; a count of
fewer is left out and said to be.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit import __version__
from toolkit.claim.question import Question, read_question
from toolkit.comparing.plain import plain
from toolkit.comparing.road import Road, road
from toolkit.comparing.views import tied_to
from toolkit.effect.comparison import Compared, between_interventions, find_comparison, only_treated
from toolkit.effect.estimate import Attributable, sessions_of
from toolkit.effect.unwritten import with_unwritten
from toolkit.errors import NotEnoughError, QuestionError, ToolkitError
from toolkit.findings.ask import checked_question
from toolkit.findings.measured import ruler_of
from toolkit.quantiles import t_quantile
from toolkit.records.account import Records
from toolkit.records.records import load_records
from toolkit.records.same_order import in_order_of_content
from toolkit.resources import shared_file
from toolkit.result import Shown
from toolkit.writing import write_file

FORMAT = "summary/1"
FEWEST_CLIENTS = 5
FEW = f"fewer than {FEWEST_CLIENTS} clients"
ASKED_OF_SESSIONS = ("wait", "other_side", "measured_only", None)


@dataclass(frozen=True, kw_only=True, eq=False)
class SiteSummary(Shown):
    """One site's summary: `content` is what the file holds, format summary/1 (`shared/schemas`)."""

    content: dict[str, Any]

    @property
    def site(self) -> str:
        """The site's name."""
        return str(self.content["site"])

    def sentence(self) -> str:
        """What leaves the site, in one sentence."""
        found, arms = self.content["estimate"], self.content["arms"]
        clients = " and ".join(str(arm["clients"]) for arm in arms)
        return (
            f"{self.site}: {arms[0]['protocol']} less {arms[1]['protocol']} {found['value']:.2f} "
            f"{self.content['unit']} (SE {found['se']:.2f}), from {clients} clients; no row and no code of anybody."
        )

    def table(self) -> pd.DataFrame:
        """The two arms, a row each; a count that stays at the site is said to."""
        arms = pd.DataFrame(self.content["arms"])
        said = {"missing_after": FEW, "sessions_with_adverse_event": f"nothing written, or {FEW}"}
        counts = {name: arms[name].astype(object).where(arms[name].notna(), words) for name, words in said.items()}
        return arms.assign(**counts)

    def to_dict(self) -> dict[str, Any]:
        """What the file holds, as a copy."""
        return dict(json.loads(json.dumps(self.content)))

    def write(self, path: str | Path, *, replace: bool = False) -> Path:
        """Write the summary as JSON."""
        return write_file(path, json.dumps(self.content, indent=1, ensure_ascii=False) + "\n", replace=replace)


def summarise(
    data: Any,
    *,
    question: str | Path | Mapping[str, Any] | Question,
    site: str,
    drawn: bool = False,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
) -> SiteSummary:
    """Sum up one site's records for pooling with others: nothing of fewer than five clients, no codes.

    Parameters
    ----------
    data
        The site's export (as `load_records` takes it), or `Records`.
    question
        A question sheet or mapping, the same at every site. Its comparison is "wait", "measured_only", "other_side" or
        another intervention.
    site
        The site's name, as it will stand in the forest plot.
    drawn
        Did chance decide between the two interventions?
    columns, codebook
        As in `load_records`.

    Returns
    -------
    SiteSummary
        Counts and means by arm, flow, the one estimate with standard error and df, variances, measurement error, and
        whether the records bear out the draw.

    Raises
    ------
    NotEnoughError
        An arm has fewer than five clients, or the two cannot be compared here.
    QuestionError
        The records do not answer the question.

    Examples
    --------
    >>> from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
    >>> rows = simulate_protocols(ProtocolDials(choice="drawn_client"), rng=1).drop(columns="visit")
    >>> asked = {"measure": "ankle_dorsiflexion_lunge", "intervention": "long_hold", "comparison": "short_hold"}
    >>> summarise(rows, question=asked, site="north", drawn=True).content["format"]
    'summary/1'
    """
    if not site.strip():
        raise ToolkitError("Name the site: it stands in the forest plot of all sites.")
    read = data if isinstance(data, Records) else load_records(data, columns=columns, codebook=codebook)
    records = Records(**{**read.__dict__, "rows": in_order_of_content(read.rows)})
    asked = checked_question(question if isinstance(question, Question) else read_question(question), records)
    compared = _compared(records, asked, drawn=drawn)
    _refuse_small(compared)
    sessions = sessions_of(compared.rows.dropna(subset=["y"]))
    if tied := tied_to(sessions):
        raise NotEnoughError(f"No {tied} used both, so at this site the two cannot be told from the {tied}s.")
    content = _content(records, asked, road(records, asked, compared), site=site.strip())
    check_summary(content)
    return SiteSummary(content=content)


def _compared(records: Records, question: Question, *, drawn: bool) -> Compared:
    """The rows of both arms, exactly as asked."""
    better = str(question.better)
    rows = records.rows
    relation = records.codebook.limits(question.region, question.measure) or ""
    if question.comparison not in ASKED_OF_SESSIONS:
        if question.region == "any":
            rows = only_treated(rows, measure=question.measure, better=better, relation=records.codebook.limits)
        found = between_interventions(rows, question=question, relation=relation, drawn=drawn)
    else:
        found = find_comparison(
            rows,
            measure=question.measure,
            region=question.region,
            intervention=question.intervention,
            better=better,
            comparison=question.comparison,
            relation=relation,
            side_rule=question.side_rule,
        )
        if found is not None:
            about = {"region": question.region, "intervention": question.intervention}
            found = with_unwritten(found, rows, **about, lost=records.lost)
        wanted = {"wait": "randomised_order", "measured_only": "comparison_sessions"}.get(str(question.comparison))
        if found is not None and wanted is not None and found.basis != wanted:
            found = None
    if found is None:
        raise QuestionError(
            f"At this site the records hold nothing to compare {question.intervention} with as asked "
            f"({question.comparison or 'any comparison'})."
        )
    return found


def _refuse_small(compared: Compared) -> None:
    clients = compared.rows.dropna(subset=["y"]).groupby("arm")["client"].nunique().reindex([1.0, 0.0], fill_value=0)
    if clients.min() < FEWEST_CLIENTS:
        raise NotEnoughError(
            f"{clients[1.0]} and {clients[0.0]} clients have readings before and after; a summary leaves the site only "
            f"from {FEWEST_CLIENTS} clients in each arm on."
        )


def _content(records: Records, question: Question, found: Road, *, site: str) -> dict[str, Any]:
    compared, complete, whole = found.borne.compared, found.borne.complete, found.borne.attributable
    if complete is None or whole is None:
        raise NotEnoughError(f"At this site the two cannot be compared: {found.borne.why_none}")
    source, sign = records.source, 1.0 if question.better == "higher" else -1.0
    asked = {name: value for name, value in question.as_dict().items() if name != "format"}
    ruler = ruler_of(records.rows, measure=question.measure, unit=str(question.unit))
    own = ruler.own
    return {
        "format": FORMAT,
        "toolkit_version": __version__,
        "site": site,
        "question": asked,
        "unit": str(question.unit),
        "better": str(question.better),
        "basis": compared.basis,
        "drawn": found.kept,
        "draw": {"said": bool(found.draw_says), "borne_out": found.kept, "broken": found.broken},
        "clients_with_both": _with_both(compared),
        "allowance_for_the_reader": plain(found.allowance),
        "second_baseline": compared.has_second_baseline,
        "flow": {
            "rows_read": source.rows_read,
            "rows_kept": source.rows_kept,
            "rows_set_aside": source.rows_set_aside,
        },
        "arms": [_arm(compared, records, arm, name, sign) for arm, name in _arms(question, compared)],
        "practitioners": int(compared.rows["practitioner"].nunique()),
        "estimate": _estimate(whole, complete),
        "estimate_as_written_down": _estimate(complete, complete),
        "measurement_error": {
            "sem": plain(ruler.sem),
            "source": ruler.source if own is None or own.n_clients >= FEWEST_CLIENTS else "fewer than five clients",
            "n_clients": own.n_clients if own is not None and own.n_clients >= FEWEST_CLIENTS else None,
        },
        "suppressed_below": FEWEST_CLIENTS,
    }


def _arms(question: Question, compared: Compared) -> list[tuple[float, str]]:
    other = question.comparison if question.comparison not in ASKED_OF_SESSIONS else compared.against
    return [(1.0, question.intervention), (0.0, str(other))]


def _arm(compared: Compared, records: Records, arm: float, name: str, sign: float) -> dict[str, Any]:
    """One arm: counts, means and SDs in the records' own direction; counts of fewer than five clients left out."""
    mine = compared.rows[compared.rows["arm"] == arm]
    complete = mine.dropna(subset=["y"])
    means = complete.groupby("client")[["base", "y"]].mean()
    missing = mine[mine["y"].isna()]
    events = _events(mine, records)
    return {
        "protocol": name,
        "sessions": int(complete["session_id"].nunique()),
        "clients": int(complete["client"].nunique()),
        "before_mean": sign * float(means["base"].mean()),
        "before_sd": float(means["base"].std(ddof=1)),
        "change_mean": float(means["y"].mean()),
        "change_sd": float(means["y"].std(ddof=1)),
        "missing_after": _unless_few(len(missing), missing["client"].nunique()),
        "sessions_with_adverse_event": events,
        "blinded_share": plain(float((complete["blinded"] == "yes").mean())),
    }


def _events(mine: pd.DataFrame, records: Records) -> int | None:
    """Sessions with an adverse event; None where nobody wrote any, or fewer than five clients had one."""
    rows = records.rows.assign(session_id=records.rows["session_id"].astype(str)).drop_duplicates("session_id")
    said = mine["session_id"].map(rows.set_index("session_id")["adverse_event"]).astype(str)
    said = said.replace({"nan": "", "<NA>": "", "None": ""})
    if not (said != "").any():
        return None
    had = mine[((said != "") & (said.str.casefold() != "none")).to_numpy()]
    return _unless_few(had["session_id"].nunique(), had["client"].nunique())


def _with_both(compared: Compared) -> int | None:
    """Clients who stand on both sides; None for one to four of them."""
    arms = compared.rows.dropna(subset=["y"]).groupby("client")["arm"].nunique()
    both = int((arms > 1).sum())
    return _unless_few(both, both)


def _unless_few(count: int, clients: int) -> int | None:
    """A count, unless it is of fewer than five clients; nobody at all may be told."""
    return int(count) if count == 0 or clients >= FEWEST_CLIENTS else None


def _estimate(found: Attributable, complete: Attributable) -> dict[str, Any]:
    """Value, standard error, df and interval; the error is as wide as the interval that is quoted."""
    at = found.at_level(0.95)
    df = found.df if found.df is not None else float(found.n_clients - 1)
    se = (at.ci_high - at.ci_low) / 2 / float(t_quantile(0.975, df))
    if not np.isfinite(se) or se <= 0:
        raise NotEnoughError("The interval has no end, so this site cannot be pooled: more sessions are needed.")
    return {
        "value": complete.mean,
        "se": se,
        "df": df,
        "ci_low": at.ci_low,
        "ci_high": at.ci_high,
        "level": 0.95,
        "n_clients": complete.n_clients,
        "n_sessions": complete.n_sessions,  # how many were filled in may be a count of fewer than five clients
        "method": complete.method + ("; missing readings filled in both ways" if found.n_filled else ""),
    }


def check_summary(content: Mapping[str, Any], *, name: str = "This summary") -> None:
    """Refuse what is not of the form summary/1, naming the first places.

    Raises
    ------
    ToolkitError
        A key is missing or of the wrong type, or a cell holds fewer than five clients.
    """
    from jsonschema import Draft202012Validator

    schema = json.loads(shared_file("schemas/summary-1.schema.json").read_text(encoding="utf-8"))
    wrong = [f"{error.json_path}: {error.message}" for error in Draft202012Validator(schema).iter_errors(content)]
    if wrong:
        raise ToolkitError(f"{name} is not of the form {FORMAT}: {'; '.join(wrong[:3])[:600]}.")
