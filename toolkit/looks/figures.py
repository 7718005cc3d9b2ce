"""All figures, each with the words that stand for it where it cannot be seen.

Every function takes a tidy frame and returns a matplotlib figure; its `alt_text_…` makes the alternative text from
the same frame. `as_svg` turns a figure into text for a page.

before_after_figure    every client before and after, with the mean difference and its interval
steps_figure           from the usual answer to what is left, one step an explanation
forest_figure          by region and intervention
agreement_figure       two readings of the same side, and the limits of agreement
responders_figure      who moved beyond measurement error
one_client_figure      one client's course
balance_figure         were the groups alike; overlap_figure: do they overlap
planning_figure        how many clients for an answer
funnel_figure          many sites around what they say together; drift_figure: over the years
"""

from toolkit.looks.client_plots import (
    alt_text_before_after,
    alt_text_responders,
    before_after_figure,
    responders_figure,
)
from toolkit.looks.design_plots import (
    alt_text_balance,
    alt_text_overlap,
    alt_text_planning,
    balance_figure,
    overlap_figure,
    planning_figure,
)
from toolkit.looks.reading_plots import agreement_figure, alt_text_agreement, alt_text_one_client, one_client_figure
from toolkit.looks.site_plots import alt_text_drift, alt_text_funnel, drift_figure, funnel_figure
from toolkit.looks.steps_and_forest import (
    alt_text_forest,
    alt_text_steps,
    answer_picture,
    forest_figure,
    steps_figure,
)
from toolkit.looks.style import NARROW, WIDE, as_svg, as_svg_file

__all__ = [
    "NARROW",
    "WIDE",
    "agreement_figure",
    "alt_text_agreement",
    "alt_text_balance",
    "alt_text_before_after",
    "alt_text_drift",
    "alt_text_forest",
    "alt_text_funnel",
    "alt_text_one_client",
    "alt_text_overlap",
    "alt_text_planning",
    "alt_text_responders",
    "alt_text_steps",
    "answer_picture",
    "as_svg",
    "as_svg_file",
    "balance_figure",
    "before_after_figure",
    "drift_figure",
    "forest_figure",
    "funnel_figure",
    "one_client_figure",
    "overlap_figure",
    "planning_figure",
    "responders_figure",
    "steps_figure",
]
