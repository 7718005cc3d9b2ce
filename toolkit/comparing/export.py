"""A comparison as data: comparison.json, format comparison/1 (`shared/schemas/comparison-1.schema.json`)."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from toolkit import __version__
from toolkit.comparing.plain import plain, rows_of
from toolkit.errors import ToolkitError
from toolkit.records.cautions import cautions_for
from toolkit.resources import shared_file

if TYPE_CHECKING:
    from toolkit.comparing.found import Found
    from toolkit.stats.pooling import PooledSites

FORMAT = "comparison/1"
METHODS = (
    "Mixed model with Kenward–Roger degrees of freedom (Kenward & Roger 1997, Biometrics 53:983–997)",
    "Stiffness calibrated for reading error (Carroll, Ruppert, Stefanski & Crainiceanu 2006, ch. 4)",
    "Change score and baseline-adjusted score as brackets (Ding & Li 2019, Political Analysis 27:605–615)",
    "Overlap weights (Li, Morgan & Zaslavsky 2018, Journal of the American Statistical Association 113:390–400)",
    "Doubly robust estimate (Robins, Rotnitzky & Zhao 1994, J. American Statistical Association 89:846–866)",
    "Leaving out one client at a time (Efron & Stein 1981, Annals of Statistics 9:586–596)",
    "Random effects between sites and practitioners (Hartung & Knapp 2001, Statistics in Medicine 20:3875–3889)",
    "Shrinking towards all (Morris 1983, Journal of the American Statistical Association 78:47–55)",
    "Wilson interval of a share (Wilson 1927, J. American Statistical Association 22:209–212)",
    "Strength of an unmeasured cause (VanderWeele & Ding 2017, Annals of Internal Medicine 167:268–274)",
)


def as_dict(found: Found) -> dict[str, Any]:
    """The comparison as plain data; null where there is no number, numbers never rounded."""
    source = found.records.source
    return {
        "format": FORMAT,
        "toolkit_version": __version__,
        "export": {
            "sha256": source.sha256,
            "rows_read": source.rows_read,
            "rows_kept": source.rows_kept,
            "rows_set_aside": source.rows_set_aside,
            "by_site": rows_of(found.records.sites),
        },
        "question": found.question.as_dict(),
        "unit": found.question.unit,
        "better": found.question.better,
        "names": {"a": found.names[0], "b": found.names[1], "measure": found.names[2]},
        "drawn": found.drawn,
        "draw": found.draw_says,
        "verdict": found.verdict,
        "claims": found.claims,
        "tied_to": found.tied_to or None,
        "sentence": found.sentence(),
        "advice": found.advice,
        "estimates": rows_of(found.frame),
        "n_missing_after": int(found.compared.rows["y"].isna().sum()),
        "effective_n": list(found.allocation.effective_n),
        "between_sites": _spread(found.between_sites),
        "between_practitioners": _spread(found.between_practitioners),
        "e_value": None if found.e_value is None else dict(zip(("difference", "limit"), found.e_value, strict=True)),
        "n_to_tell": found.n_to_tell,
        "tables": {name: rows_of(frame) for name, frame in found.tables.items()},
        "cautions": list(cautions_for(regions_of(found))),
        "methods": list(METHODS),
    }


def regions_of(found: Found) -> list[str]:
    """The regions that were treated."""
    asked = found.question.region
    return [asked] if asked != "any" else sorted(set(found.records.rows["region"].astype(str)) - {""})


def as_json(found: Found) -> str:
    """comparison.json, checked against its schema."""
    content = as_dict(found)
    check_comparison(content)
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def check_comparison(content: Mapping[str, Any]) -> None:
    """Refuse what is not of the form comparison/1, naming the first places.

    Raises
    ------
    ToolkitError
        A key is missing or of the wrong type.
    """
    from jsonschema import Draft202012Validator

    schema = json.loads(shared_file("schemas/comparison-1.schema.json").read_text(encoding="utf-8"))
    wrong = [f"{error.json_path}: {error.message}" for error in Draft202012Validator(schema).iter_errors(content)]
    if wrong:
        raise ToolkitError(f"This comparison is not of the form {FORMAT}: {'; '.join(wrong[:3])}.")


def _spread(found: PooledSites | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "pooled": plain(found.pooled.value),
        "ci_low": plain(found.pooled.ci_low),
        "ci_high": plain(found.pooled.ci_high),
        "sd_between": math.sqrt(found.tau2),
        "i2": found.i2,
        "q": found.q,
        "q_df": found.q_df,
        "q_p": found.q_p,
        "prediction": None if found.prediction is None else list(found.prediction),
    }
