"""Models fitted by R beside ours: which rows and formula, and R's values (tests/against_published/mixed_models_r/)."""

from functools import cache
from pathlib import Path

import pandas as pd

from toolkit.mixed.mixed import fit_mixed

HERE = Path(__file__).parents[1] / "against_published" / "mixed_models_r"
CROSSED = "change ~ region * intervention + baseline"
ADDITIVE = "change ~ region + intervention + baseline"
BOTH = ("client", "practitioner")
MODELS = {
    "crossed_reml": ("crossed", CROSSED, BOTH, {}),
    "crossed_ml": ("crossed", CROSSED, BOTH, {"reml": False}),
    "crossed_weighted": ("crossed", ADDITIVE, BOTH, {"weights": "weight"}),
    "few_reml": ("few", ADDITIVE, BOTH, {}),
    "zero_reml": ("zero", ADDITIVE, BOTH, {}),
    "zero_ml": ("zero", ADDITIVE, BOTH, {"reml": False}),
    "slope_correlated": ("slope", "change ~ treated + baseline", BOTH, {"slope": "treated"}),
    "slope_independent": ("slope", "change ~ treated + baseline", BOTH, {"slope": "treated", "correlated": False}),
    "slope_ml": ("slope", "change ~ treated + baseline", BOTH, {"slope": "treated", "reml": False}),
    "larger_reml": ("larger", CROSSED, BOTH, {}),
    "larger_slope": ("larger", "change ~ treated + region + baseline", BOTH, {"slope": "treated"}),
    "larger_slope_baseline": ("larger", "change ~ treated + baseline", ("client",), {"slope": "baseline"}),
}
WITH_KR = [name for name in MODELS if not name.endswith("_ml") and name != "crossed_weighted"]


@cache
def fitted(model):
    file, formula, groups, options = MODELS[model]
    return fit_mixed(pd.read_csv(HERE / f"{file}.csv"), formula=formula, groups=groups, **options)


@cache
def reference():
    return pd.read_csv(HERE / "values.csv", keep_default_na=False, dtype={"value": float})


def from_r(model, what):
    every = reference()
    found = every[(every["model"] == model) & (every["what"] == what)]
    return dict(zip(found["term"], found["value"], strict=True))
