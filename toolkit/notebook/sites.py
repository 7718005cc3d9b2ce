"""What a notebook shows of many clinics' answer: beside the guess, for a paper, and what may be said of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from toolkit.comparing.verdict import CLAIMS
from toolkit.looks.words import amount, counted, number, p_words, sentence, threshold, with_interval
from toolkit.notebook.pieces import ToCopy, Words, words

if TYPE_CHECKING:
    from toolkit.comparing.pooled import PooledSummaries
    from toolkit.notebook.choosers import Guess


def expected_of_sites(guess: Guess, found: PooledSummaries, *, truth: float | None = None) -> Words:
    """What the reader expected, beside what the sites say together and what another site may expect.

    Parameters
    ----------
    guess, found
        The reader's number, and the pooled answer.
    truth
        The mean of the true effects, where the clinics are simulated.
    """
    unit, row = found.unit, found.frame.iloc[0]
    own = "not said yet: write it into the box above" if guess.value is None else threshold(guess.value, unit)
    lines = [
        ("You expected", f"{own}."),
        ("All sites together", f"{with_interval(row['estimate'], row['ci_low'], row['ci_high'], unit)}."),
    ]
    if found.between.prediction is not None:
        low, high = (amount(end, unit, signed=True) for end in found.between.prediction)
        lines.append(("Another site may expect", f"between {low} and {high}."))
    if truth is not None:
        lines.append(("True on average", f"{amount(truth, unit, signed=True)}, for these clinics are simulated."))
    return words(*lines)


def paper_of_sites(found: PooledSummaries) -> ToCopy:
    """The pooled answer as papers report it: estimate, interval, p, sites, clients, spread between sites, method."""
    row, between, unit = found.frame.iloc[0], found.between, found.unit
    value = with_interval(row["estimate"], row["ci_low"], row["ci_high"], unit, level=float(row["level"]), signed=False)
    spread = f"SD between sites {amount(math.sqrt(between.tau2), unit)}, I² = {number(between.i2, decimals=0)} %"
    q = f"Q({between.q_df}) = {number(between.q, decimals=1)}, {p_words(between.q_p)}"
    expects = ""
    if between.prediction is not None:
        low, high = (amount(end, unit) for end in between.prediction)
        expects = f"; 95 % prediction interval {low} to {high}"
    many = f"{counted(len(found.summaries), 'site')}, {counted(int(row['n_clients']), 'client')}"
    aside = len(found.doubted) + len(found.not_summed_up)
    said = f"Pooled mean difference {value}, {p_words(row['p'])}; {many}; {row['method']}; {spread}; {q}{expects}."
    if aside:
        said += f" {counted(aside, 'site')} not included (draw not borne out by the records, or nothing to compare)."
    return ToCopy(text=said.replace("interval", "CI", 1))


def may_say_of_sites(found: PooledSummaries) -> Words:
    """What may be said of many sites' answer, what not, and what to do next."""
    claimed = found.verdict in CLAIMS
    lines: list[Any] = [("One may say", sentence(found.sentence()))]
    lines.append(("One may not say", "That a site outside the funnel works better or worse: it does not say why."))
    lines.append(("Nor", "That every site has this effect, or every client: it is an average of these sites."))
    todo = "Look into the sites named as doubted or outside, with them, and record who read and with which instrument."
    more = "" if claimed else " More sites, or more sessions a site, would narrow the interval."
    return words(*lines, ("To do next", f"{todo}{more}"))
