"""Does a published analysis come out again? Replication sheets, and checks of papers that print no data."""

from toolkit.replicating.compare import Compared, Replication, compare_sheet, outcome_of
from toolkit.replicating.format_page import example_sheet, format_page
from toolkit.replicating.methods import METHODS, method_table
from toolkit.replicating.new_sheet import columns_of, filled_sheet, new_sheet
from toolkit.replicating.paper import PaperPage, hangs_together
from toolkit.replicating.printed import Printed, read_printed
from toolkit.replicating.run import replicate, replicate_command, shipped_sheets, write_result
from toolkit.replicating.schema import sheet_schema
from toolkit.replicating.sheet import Sheet, read_sheet
from toolkit.replicating.sheet_figures import Figure
from toolkit.replicating.summary_effects import (
    effect_from_t,
    effects_for_unknown_correlation,
    group_effect_from_summary,
    paired_effects_from_summary,
)
from toolkit.replicating.summary_possible import mean_possible, percentage_fits, sd_possible, sd_within_scale
from toolkit.replicating.summary_spread import correlation_from_change_sd, sd_from_interval, sd_from_se
from toolkit.replicating.summary_tests import check_p, p_from_statistic
from toolkit.replicating.verdict import Verdict, verdict

__all__ = [
    "METHODS",
    "Compared",
    "Figure",
    "PaperPage",
    "Printed",
    "Replication",
    "Sheet",
    "Verdict",
    "check_p",
    "columns_of",
    "compare_sheet",
    "correlation_from_change_sd",
    "effect_from_t",
    "effects_for_unknown_correlation",
    "example_sheet",
    "filled_sheet",
    "format_page",
    "group_effect_from_summary",
    "hangs_together",
    "mean_possible",
    "method_table",
    "new_sheet",
    "outcome_of",
    "p_from_statistic",
    "paired_effects_from_summary",
    "percentage_fits",
    "read_printed",
    "read_sheet",
    "replicate",
    "replicate_command",
    "sd_from_interval",
    "sd_from_se",
    "sd_possible",
    "sd_within_scale",
    "sheet_schema",
    "shipped_sheets",
    "verdict",
    "write_result",
]
