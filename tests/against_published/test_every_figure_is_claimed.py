"""Every figure of `expected.json` is checked by one test module, or listed with the reason why not."""

from collections import Counter

from published_figures import all_figures, out_of_scope, test_modules


def _claims() -> list[tuple[str, str]]:
    return [(figure, name) for name, module in test_modules().items() for figure in module.CHECKS]


def test_every_figure_is_checked_or_listed_with_a_reason():
    claimed = {figure for figure, _ in _claims()}
    assert sorted(set(all_figures()) - claimed - set(out_of_scope())) == []


def test_no_figure_is_claimed_by_two_modules():
    counted = Counter(figure for figure, _ in _claims())
    assert {figure: [name for f, name in _claims() if f == figure] for figure, n in counted.items() if n > 1} == {}


def test_every_claim_is_a_figure_of_the_file():
    assert [claim for claim in _claims() if claim[0] not in all_figures()] == []


def test_a_claimed_figure_is_no_longer_listed_as_out_of_scope():
    listed = out_of_scope()
    stale = {figure: name for figure, name in _claims() if figure in listed}
    assert stale == {}, "delete these lines from out_of_scope.csv"


def test_each_figure_out_of_scope_is_listed_once_and_says_why():
    listed = out_of_scope()
    assert set(listed) <= set(all_figures())
    assert [figure for figure, reason in listed.items() if len(reason) < 10] == []
