"""Clients counted more than once: rows of the same client repeat each other, so they hold less than they seem to."""

from __future__ import annotations

from toolkit.quantiles import standard_error, t_quantile
from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, amount, client_sums, jackknife
from toolkit.rivals.chance import mean_over_clients


def repeated_clients(case: Case) -> Rival:
    """Extra half-width of the interval when every client counts once instead of every row."""
    name = "clients counted more than once"
    change = case.changes()
    sums, counts = client_sums(change)
    if len(counts) and counts.max() == 1:
        return Rival(
            rival=name,
            status="not_applicable",
            size=None,
            says=f"Each of the {len(counts)} clients counts once already.",
            what_would_close_it="",
        )
    close = "Nothing to change in the records: the client's pseudonym in every row lets each client count once."
    fair = jackknife(sums, counts, mean_over_clients, name="mean", unit=case.unit, method="client means")
    if fair is None:
        says = f"Only {len(counts)} clients have readings before and after, so their repeats cannot be weighed."
        return Rival(rival=name, status="open", size=None, says=says, what_would_close_it=close)
    rows = change["change"].to_numpy(dtype=float)
    naive = float(t_quantile(0.975, len(rows) - 1) * standard_error(rows))
    half = (fair.ci_high - fair.ci_low) / 2
    extra = half - naive
    size = Estimate(
        name="extra half-width of the interval",
        value=extra,
        ci_low=extra,
        ci_high=extra,
        unit=case.unit,
        n=fair.n,
        method="95 % half-width over client means less 95 % half-width over rows, both by t",
    )
    says = (
        f"{len(rows)} rows come from {fair.n} clients; with every client counted once the interval reaches "
        f"± {amount(half, case.unit)}, not ± {amount(naive, case.unit)}."
    )
    return Rival(rival=name, status="adjusted", size=size, says=says, what_would_close_it=close)
