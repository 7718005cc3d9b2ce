"""The form that findings keep to."""

import pytest

from toolkit.errors import ToolkitError
from toolkit.findings.assemble import check_findings

TOP = ["format", "toolkit_version", "created", "export", "question", "measurement", "findings"]
TOP += ["by_region_and_intervention", "cautions", "methods"]
OF_A_FINDING = ["measure", "region", "intervention", "unit", "better", "n_clients", "n_sessions", "n_sides"]
OF_A_FINDING += ["n_missing_after", "change", "effect_sizes", "beyond_measurement_error", "ladder", "attributable"]
OF_A_FINDING += ["rivals", "claim"]


def test_the_example_keeps_to_the_form(findings):
    check_findings(findings)


@pytest.mark.parametrize("key", TOP)
def test_no_key_may_be_left_out(findings, key):
    del findings[key]
    with pytest.raises(ToolkitError, match=f"'{key}' is a required property"):
        check_findings(findings)


@pytest.mark.parametrize("key", OF_A_FINDING)
def test_no_key_of_a_finding_may_be_left_out(findings, key):
    del findings["findings"][0][key]
    with pytest.raises(ToolkitError, match=rf"findings\[0\].*'{key}' is a required property"):
        check_findings(findings)


def test_more_keys_are_welcome(findings):
    findings["findings"][0]["something_new"] = {"n": 1}
    check_findings(findings)


def test_a_level_of_another_rule_is_refused(findings):
    findings["findings"][0]["claim"]["level"] = "proven"
    with pytest.raises(ToolkitError, match="'proven' is not one of"):
        check_findings(findings)


def test_a_number_written_as_text_is_refused(findings):
    findings["findings"][0]["change"]["mean"] = "3.1"
    with pytest.raises(ToolkitError, match=r"change\.mean"):
        check_findings(findings)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_json_cannot_hold_is_refused(findings, value):
    findings["findings"][0]["change"]["mean"] = value
    with pytest.raises(ToolkitError, match="null is meant where there is none"):
        check_findings(findings)


def test_a_folder_in_the_file_name_is_refused(findings):
    findings["export"]["file"] = "home/someone/year.csv"
    with pytest.raises(ToolkitError, match=r"export\.file"):
        check_findings(findings)


def test_rows_that_do_not_add_up_are_refused(findings):
    findings["export"]["rows_kept"] -= 1
    with pytest.raises(ToolkitError, match="do not add up"):
        check_findings(findings)
