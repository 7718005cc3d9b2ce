"""Live cells: they follow what they read, in order, and mark what is out of date until it is done."""

import pytest
from IPython.core.interactiveshell import InteractiveShell

from toolkit.errors import ToolkitError
from toolkit.notebook import live
from toolkit.notebook.errors_in_words import after_the_live_cell, in_words, readers_part
from toolkit.notebook.kernel import figure_html, load_ipython_extension
from toolkit.progress import bar


class Shown:
    """Stands for a display: what was shown first, then each update."""

    def __init__(self, bundle):
        self.bundles = [bundle]

    def update(self, bundle, *, raw):
        assert raw
        self.bundles.append(bundle)


@pytest.fixture
def shell(monkeypatch):
    InteractiveShell.clear_instance()
    shell = InteractiveShell.instance()
    shell.user_ns.clear()
    load_ipython_extension(shell)
    monkeypatch.setattr("IPython.display.display", lambda bundle, **_: Shown(bundle))
    yield shell
    InteractiveShell.clear_instance()


def run(shell, code):
    shell.live_cells.run_cell("", code)
    return shell.live_cells._cells[code]


def plain(cell):
    return [bundle["text/plain"] for bundle in cell.handle.bundles]


def test_a_live_cell_shows_prints_and_its_last_line_and_keeps_its_names(shell):
    cell = run(shell, "a = 2\nprint('said')\na + 1")
    assert plain(cell) == ["said\n3"]
    assert shell.user_ns["a"] == 2


def test_only_cells_that_read_what_changed_are_computed_again_in_order(shell):
    shell.user_ns["x"] = 1
    cells = [run(shell, code) for code in ("y = x + 1\ny", "z = 10\nz", "y * 2")]
    shell.user_ns["x"] = 5
    shell.live_cells.follow(["x"])
    assert [plain(cell)[-1] for cell in cells] == ["6", "10", "12"]
    assert [len(plain(cell)) for cell in cells] == [3, 1, 3]


def test_an_old_answer_stays_pale_and_marked_until_the_new_one_is_there(shell):
    shell.user_ns["x"] = 1
    cell = run(shell, "x")
    shell.user_ns["x"] = 2
    shell.live_cells.follow(["x"])
    before, marked, after = cell.handle.bundles
    assert marked["text/plain"].startswith(live.OUT_OF_DATE)
    assert "1" in before["text/plain"]
    assert "opacity:.35" in marked["text/html"]
    assert "out-of-date" not in after["text/html"]


def test_every_cell_that_follows_is_marked_before_the_first_is_computed(shell):
    shell.user_ns["x"] = 1
    second_seen, cells = [], []
    shell.user_ns["look"] = lambda: second_seen.append(plain(cells[1])[-1]) if len(cells) > 1 else None
    cells += [run(shell, code) for code in ("look()\ny = x", "y")]
    shell.live_cells.follow(["x"])
    assert second_seen[-1].startswith(live.OUT_OF_DATE)


def test_a_failure_after_a_choice_is_said_and_what_follows_stays_out_of_date(shell):
    shell.user_ns["x"] = 1
    first, second = run(shell, "y = 1 / x\ny"), run(shell, "y + 1")
    shell.user_ns["x"] = 0
    shell.live_cells.follow(["x"])
    assert plain(first)[-1].startswith("ZeroDivisionError: division by zero")
    assert "y = 1 / x" in plain(first)[-1]
    assert plain(second)[-1].startswith(live.STOPPED)
    shell.user_ns["x"] = 4
    shell.live_cells.follow(["x"])
    assert (plain(first)[-1], plain(second)[-1]) == ("0.25", "1.25")


def test_a_failure_in_the_first_run_fails_the_cell(shell):
    with pytest.raises(ZeroDivisionError):
        run(shell, "1 / 0")


def test_a_last_line_with_a_semicolon_is_done_and_not_shown(shell):
    shell.user_ns["done"] = []
    run(shell, "done.append(1) or 'shown';")
    assert shell.user_ns["done"] == [1]
    assert not any("shown" in str(cell.shown) for cell in shell.live_cells._cells.values())


def test_a_long_cell_says_in_its_own_place_how_far_it_is(shell):
    shell.user_ns["bar"] = bar
    cell = run(shell, "told = bar(3, 'seasons')\ntold.update(3)\n'the answer'")
    assert plain(cell) == ["0 of 3 seasons done.", "3 of 3 seasons done.", "'the answer'"]
    assert "<progress value='3' max='3'" in cell.handle.bundles[1]["text/html"]
    assert "progress" not in cell.handle.bundles[-1].get("text/html", "")


def test_a_long_cell_computed_again_says_how_far_it_is_above_its_old_answer(shell):
    shell.user_ns |= {"bar": bar, "x": 1}
    cell = run(shell, "told = bar(2, 'seasons')\ntold.update(2)\nx")
    shell.user_ns["x"] = 2
    shell.live_cells.follow(["x"])
    assert "2 of 2 seasons done.\n1" in plain(cell)
    assert plain(cell)[-1] == "2"


def test_a_readers_own_error_in_a_live_cell_shows_the_readers_lines_first(shell):
    result = None
    try:
        run(shell, "def half(x):\n    return x / 0\nhalf(1)")
    except ZeroDivisionError as error:
        result = after_the_live_cell(error.__traceback__)
    names = []
    while result is not None:
        names.append((result.tb_frame.f_globals.get("__name__"), result.tb_frame.f_code.co_name))
        result = result.tb_next
    assert [function for _, function in names] == ["<module>", "half"]
    assert all(module != "toolkit.notebook.live" for module, _ in names)


def test_how_far_a_cell_was_goes_when_it_fails(shell, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda bundle, **_: shown.append(Shown(bundle)) or shown[-1])
    shell.user_ns["bar"] = bar
    with pytest.raises(ZeroDivisionError):
        run(shell, "bar(3, 'seasons')\n1 / 0")
    assert [bundle["text/plain"] for bundle in shown[0].bundles] == ["0 of 3 seasons done.", ""]


def test_a_cell_changed_and_run_again_takes_the_place_of_the_old_one(shell):
    shell.get_parent = lambda: {"metadata": {"cellId": "one"}}
    shell.user_ns["x"] = 1
    shell.live_cells.run_cell("", "x")
    shell.live_cells.run_cell("", "x + 1")
    assert [cell.code for cell in shell.live_cells._cells.values()] == ["x + 1"]


def test_a_chooser_that_changes_computes_its_cells_again(shell):
    from toolkit.notebook.choosers import choose

    chooser = shell.user_ns["which"] = choose("Which", ["a", "b"])
    cell = run(shell, "print(which.value)")
    chooser.widget.children[0].value = "b"
    assert plain(cell)[-1] == "b"


@pytest.mark.parametrize(
    ("code", "reads", "makes"),
    [
        (
            "chosen = choose(records)\nchosen",
            {"choose", "records"},
            {"chosen"},
        ),
        ("x += 1", {"x"}, {"x"}),
        ("import seaborn as sns\nsns.histplot(mine)", {"mine"}, {"sns"}),
        ("mine = rows.query('measure == @which.value')", {"rows", "which"}, {"mine"}),
        ("for part in parts:\n    print(part)", {"parts", "print", "part"}, {"part"}),
    ],
)
def test_a_cell_reads_what_it_did_not_make_itself_before(code, reads, makes):
    found = live.names_of(code)
    assert (set(found[0]), set(found[1])) == (reads, makes)


def test_what_may_come_later_lets_the_other_cells_go_first_where_a_browser_looks(shell, monkeypatch):
    import asyncio

    monkeypatch.setenv(live.DEFERS, "1")
    monkeypatch.setattr(live, "QUIET", 0.02)
    shell.user_ns["order"] = order = []

    async def notebook():
        shell.live_cells.run_cell("later", "order.append('figure')\n'drawn'")
        shell.live_cells.run_cell("", "order.append('answer')")
        marked = plain(next(iter(shell.live_cells._cells.values())))
        await asyncio.sleep(0.2)
        return marked

    assert asyncio.run(notebook()) == [live.WAITING]
    assert order == ["answer", "figure"]
    assert plain(next(iter(shell.live_cells._cells.values())))[-1] == "'drawn'"


def test_elsewhere_every_cell_is_computed_in_its_turn(shell, monkeypatch):
    monkeypatch.delenv(live.DEFERS, raising=False)
    shell.live_cells.run_cell("later", "'drawn'")
    assert plain(shell.live_cells._cells["'drawn'"]) == ["'drawn'"]


def test_figures_of_ours_and_of_pyplot_are_shown_with_words(shell):
    from toolkit.looks.style import described, new_figure

    own = described(new_figure(2, 2), title="Changes", description="Two clients rose.")
    assert "Two clients rose." in figure_html(own)
    assert figure_html(new_figure(2, 2)) is None or "without words" in figure_html(new_figure(2, 2))
    shell.user_ns["figure"] = own
    assert "<desc" in run(shell, "figure").handle.bundles[0]["text/html"]


def test_the_reader_sees_the_own_lines_of_an_error(shell):
    def ours():
        raise ToolkitError("the file is empty.")

    shell.user_ns["ours"] = ours
    with pytest.raises(ToolkitError) as caught:
        exec("a = 1\nours()", shell.user_ns)
    assert in_words(caught.value) == "This cannot go on. The file is empty."
    step = readers_part(caught.value)
    assert (step.tb_frame.f_globals is shell.user_ns, step.tb_lineno, step.tb_next) == (True, 2, None)


def test_a_python_without_the_libraries_is_told_how_to_open_a_notebook(monkeypatch):
    from toolkit.notebook import kernel

    monkeypatch.setattr(kernel, "find_spec", lambda name: None if name == "scipy" else object())
    with pytest.raises(ToolkitError, match=r"lacks scipy.*start.py lab"):
        kernel.start()
