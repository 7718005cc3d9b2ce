"""The intervals of the measurement room and the simulated studies they are tried on.

MDC90 and MDC95 are the SEM times a constant, ICC(·,k) a rising function of ICC(·,1): their coverage is that of the
SEM and of ICC(·,1). Where clients are repeated, half of the variance between sides and days is the client's own.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from interval_coverage import Entry, noise, visits

from toolkit.errors import NotEnoughError
from toolkit.stats.agreement import limits_of_agreement, limits_of_agreement_repeated, proportional_bias
from toolkit.stats.generalisability import icc_of_design, sem_of_design, variance_shares
from toolkit.stats.intraclass import concordance, icc_of
from toolkit.stats.rating_agreement import fleiss_of_counts, kappa_of_table
from toolkit.stats.ratings import Ratings
from toolkit.stats.reading_error import reading_error
from toolkit.stats.sem import sem_agreement, sem_consistency, within_person

KNOWN_TO_MISS = {
    "kappa": "few answers in few categories: coverage moves in steps, and the adjusted interval errs on the wide side",
    "large-sample": "shown beside the adjusted interval because it is the published one",
}

PEOPLE_SD = 2.0  # between sides and days; the error of one reading has SD 1, so ICC = 4/5


def _ends(estimate):
    return estimate.ci_low, estimate.ci_high


# ------------------------------------------------------------------ before and before_2


def two_readings(rng, n, shape, repeated):
    client = visits(n, repeated)
    size = len(client)
    own = noise(rng, shape, n)[client] if repeated else np.zeros(size)
    day = noise(rng, shape, size)
    true = PEOPLE_SD * ((own + day) / np.sqrt(2) if repeated else day)
    return true + noise(rng, shape, size), true + noise(rng, shape, size), client


def of_two_readings(data):
    one, two, client = data
    error = reading_error(one, two, client, measure="m", unit="deg")
    return {
        "ICC(2,1), read twice": _ends(error.icc),
        "SEM, read twice": _ends(error.sem),
        "MDC95, read twice": _ends(error.mdc95),
        "shift, read twice": _ends(error.shift),
    }


def truth_of_two_readings(shape, repeated):
    return {
        "ICC(2,1), read twice": 0.8,
        "SEM, read twice": 1.0,
        "MDC95, read twice": 1.96 * np.sqrt(2),
        "shift, read twice": 0.0,
    }


# ------------------------------------------------------------------ limits of agreement


def of_pairs(data):
    one, two, client = data
    if len(client) == client.max() + 1:
        agreement = limits_of_agreement(one, two, unit="deg")
        return {
            "bias": _ends(agreement.bias),
            "lower limit of agreement, exact": _ends(agreement.lower),
            "upper limit of agreement, exact": _ends(agreement.upper),
            "lower limit of agreement, approximate": _ends(agreement.lower_approximate),
            "SD of differences": _ends(agreement.sd),
            "proportional bias": _ends(proportional_bias(one, two)),
            "concordance correlation": _ends(concordance(one, two)),
        }
    agreement = limits_of_agreement_repeated(one, two, client, unit="deg")
    return {
        "bias, several pairs a person": _ends(agreement.bias),
        "lower limit of agreement, several pairs a person": _ends(agreement.lower),
        "upper limit of agreement, several pairs a person": _ends(agreement.upper),
        "SD of differences, several pairs a person": _ends(agreement.sd),
    }


def truth_of_pairs(shape, repeated):
    limit, sd = 1.96 * np.sqrt(2), np.sqrt(2)
    if repeated:
        return {
            "bias, several pairs a person": 0.0,
            "lower limit of agreement, several pairs a person": -limit,
            "upper limit of agreement, several pairs a person": limit,
            "SD of differences, several pairs a person": sd,
        }
    return {
        "bias": 0.0,
        "lower limit of agreement, exact": -limit,
        "upper limit of agreement, exact": limit,
        "lower limit of agreement, approximate": -limit,
        "SD of differences": sd,
        "proportional bias": 0.0,
        "concordance correlation": 0.8,
    }


# ------------------------------------------------------------------ several readers


READERS = 4
READER_SD = 0.5


def _study(rng, n, shape, gaps):
    value = (
        PEOPLE_SD * noise(rng, shape, (n, 1))
        + READER_SD * rng.standard_normal(READERS)
        + noise(rng, shape, (n, READERS))
    )
    subject, reader = np.divmod(np.arange(n * READERS), READERS)
    kept = np.sort(rng.permutation(n * READERS)[: n * READERS - (n * READERS // 5 if gaps else 0)])
    subject = np.unique(subject[kept], return_inverse=True)[1]
    return Ratings(
        value=value.ravel()[kept],
        subject=subject,
        reader=reader[kept],
        n_subjects=int(subject.max()) + 1,
        n_readers=READERS,
        n_set_aside=0,
    )


def of_readers(study):
    table = icc_of(study)
    suffix = "" if study.complete else ", with gaps"
    return {
        f"ICC(2,1){suffix}": _ends(table.icc_2_1),
        f"ICC(3,1){suffix}": _ends(table.icc_3_1),
        f"SEM, consistency{suffix}": _ends(sem_consistency(table, unit="deg")),
        f"SEM, agreement{suffix}": _ends(sem_agreement(table, unit="deg")),
    }


def truth_of_readers(suffix):
    people, readers = PEOPLE_SD**2, READER_SD**2
    return {
        f"ICC(2,1){suffix}": people / (people + readers + 1),
        f"ICC(3,1){suffix}": people / (people + 1),
        f"SEM, consistency{suffix}": 1.0,
        f"SEM, agreement{suffix}": np.sqrt(readers + 1),
    }


# ------------------------------------------------------------------ the same reader again and again


def scatter(rng, n, shape, repeated):
    counts = np.resize([2, 3, 5], n)
    subject = np.repeat(np.arange(n), counts)
    value = PEOPLE_SD * noise(rng, shape, n)[subject] + noise(rng, shape, len(subject))
    return pd.DataFrame({"subject": subject, "reader": np.concatenate([np.arange(c) for c in counts]), "value": value})


def of_scatter(rows):
    study = Ratings(
        value=rows["value"].to_numpy(),
        subject=rows["subject"].to_numpy(),
        reader=rows["reader"].to_numpy(),
        n_subjects=rows["subject"].nunique(),
        n_readers=5,
        n_set_aside=0,
    )
    scattered = within_person(rows, unit="deg")
    return {
        "ICC(1,1), unequal numbers": _ends(icc_of(study).icc_1_1),
        "within-person SD": _ends(scattered.sd),
        "repeatability coefficient": _ends(scattered.repeatability),
    }


# ------------------------------------------------------------------ readers × days


def two_facets(rng, n, shape, repeated):
    grid = np.array([(s, r, o) for s in range(n) for r in range(4) for o in range(3)])
    s, r, o = grid.T
    value = (
        PEOPLE_SD * noise(rng, shape, n)[s]
        + READER_SD * rng.standard_normal(4)[r]
        + 0.5 * noise(rng, shape, (n, 4))[s, r]
        + 0.5 * noise(rng, shape, (n, 3))[s, o]
        + noise(rng, shape, len(s))
    )
    return pd.DataFrame({"subject": s, "reader": r, "occasion": o, "value": value})


def of_two_facets(rows):
    shares = variance_shares(rows, unit="deg", rng=1)
    table = shares.components.set_index("source")
    limits = {
        f"variance share of {name}": (table.loc[name, "share_low"], table.loc[name, "share_high"])
        for name in ("subject", "residual")
    }
    return limits | {
        "SEM of a design": _ends(sem_of_design(shares)),
        "SEM of a design, mean of 2 readers": _ends(sem_of_design(shares, average={"reader": 2})),
        "ICC of a design": _ends(icc_of_design(shares)),
    }


def truth_of_two_facets(shape, repeated):
    people, reader, by_reader, by_day = PEOPLE_SD**2, READER_SD**2, 0.25, 0.25
    error = reader + by_reader + by_day + 1
    return {
        "variance share of subject": people / (people + error),
        "variance share of residual": 1 / (people + error),
        "SEM of a design": np.sqrt(error),
        "SEM of a design, mean of 2 readers": np.sqrt((reader + by_reader + 1) / 2 + by_day),
        "ICC of a design": people / (people + error),
    }


# ------------------------------------------------------------------ signs and grades


CUTS = {"sign": [0.0], "rare sign": [0.9], "grades": [-0.8, 0.0, 0.8]}


def _answers(rng, n, shape, readers=2):
    return PEOPLE_SD * noise(rng, shape, (n, 1)) + 0.7 * noise(rng, shape, (n, readers))


def _count(grades, cuts):
    table = np.zeros((len(cuts) + 1, len(cuts) + 1))
    np.add.at(table, (grades[:, 0], grades[:, 1]), 1.0)
    return table


def of_answers(latent):
    limits = {}
    for kind, cuts in CUTS.items():
        grades = np.searchsorted(np.array(cuts) * PEOPLE_SD, latent)
        weights = "quadratic" if kind == "grades" else "none"
        try:
            result = kappa_of_table(_count(grades[:, :2], cuts), weights=weights)
        except NotEnoughError:
            continue
        limits[f"kappa, {kind}"] = _ends(result.estimate)
        limits[f"kappa, {kind}, large-sample"] = _ends(result.large_sample)
    return limits


def of_three_readers(latent):
    present = (latent > 0).sum(axis=1)
    counts = np.column_stack([present, latent.shape[1] - present])
    return {"Fleiss' kappa, sign": _ends(fleiss_of_counts(counts).estimate)}


@cache
def truth_of_answers(shape, repeated):
    latent = _answers(np.random.default_rng(99), 2_000_000, shape)
    truths = {}
    for kind, cuts in CUTS.items():
        grades = np.searchsorted(np.array(cuts) * PEOPLE_SD, latent)
        weights = "quadratic" if kind == "grades" else "none"
        value = kappa_of_table(_count(grades, cuts), weights=weights).estimate.value
        truths |= {f"kappa, {kind}": value, f"kappa, {kind}, large-sample": value}
    return truths


ENTRIES = (
    Entry(
        name="two readings before treatment",
        simulate=two_readings,
        intervals=of_two_readings,
        truths=truth_of_two_readings,
    ),
    Entry(name="two methods on each person", simulate=two_readings, intervals=of_pairs, truths=truth_of_pairs),
    Entry(
        name="four readers",
        simulate=lambda rng, n, shape, repeated: _study(rng, n, shape, gaps=False),
        intervals=of_readers,
        truths=lambda shape, repeated: truth_of_readers(""),
        repeated=(False,),
    ),
    Entry(
        name="four readers, a fifth of the readings missing",
        simulate=lambda rng, n, shape, repeated: _study(rng, n, shape, gaps=True),
        intervals=of_readers,
        truths=lambda shape, repeated: truth_of_readers(", with gaps"),
        repeated=(False,),
    ),
    Entry(
        name="one reader, two to five readings a person",
        simulate=scatter,
        intervals=of_scatter,
        truths=lambda shape, repeated: {
            "ICC(1,1), unequal numbers": 0.8,
            "within-person SD": 1.0,
            "repeatability coefficient": 1.96 * np.sqrt(2),
        },
        repeated=(False,),
    ),
    Entry(
        name="four readers on three days",
        simulate=two_facets,
        intervals=of_two_facets,
        truths=truth_of_two_facets,
        repeated=(False,),
    ),
    Entry(
        name="signs and grades by two readers",
        simulate=lambda rng, n, shape, repeated: _answers(rng, n, shape),
        intervals=of_answers,
        truths=truth_of_answers,
        repeated=(False,),
    ),
    Entry(
        name="a sign by three readers",
        simulate=lambda rng, n, shape, repeated: _answers(rng, n, shape, readers=3),
        intervals=of_three_readers,
        truths=lambda shape, repeated: {"Fleiss' kappa, sign": truth_of_answers(shape, repeated)["kappa, sign"]},
        repeated=(False,),
    ),
)
