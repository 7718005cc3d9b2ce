"""Draw the README's picture of the validity benchmark anew: `.venv/bin/python -m scripts.validity_picture`.

Reads `tests/benchmarks/validity.csv`; writes `shared/pictures/validity.png` and, to be read, `validity.md` beside the
table.
"""

import sys
from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from statsmodels.stats.proportion import proportion_confint

from toolkit.looks import style
from toolkit.resources import shared_file

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "benchmarks"))

from validity import HERE
from validity_clinics import DRAWN, SCENARIOS
from validity_targets import KNOWN_TO_MISS, TARGETS, missed

PANELS = {0.0: "The technique does nothing", 3.0: "It truly adds 3°"}
RULES = {
    "rows_t": "paired t-test over rows",
    "first_rule": "a rule that believes what is written",
    "claimed": "this toolkit",
}
LOOKS = {name: style.SERIES[place] for name, place in zip(RULES, (1, 2, 0), strict=True)}
ROW = 0.235
PERCENT = {
    "rows_t": "t, rows",
    "clients_t": "t, clients",
    "mixed_z": "mixed, z",
    "first_rule": "first rule",
    "knows_design": "knows the design",
    "moved_enough": "moved enough",
    "moved": "moved",
    "probably_moved": "probably moved",
    "no_better_than_waiting": "no better",
    "worse_than_waiting": "worse",
    "readings_changed": "readings changed",
    "not_enough": "not enough",
    "covers": "interval holds truth",
    "bound_covers": "with the bound",
    "caught": "draw found wanting",
}


def named(scenario: str) -> str:
    """A scenario's name; with a star where nothing was drawn, so that “probably moved” is the most that can be said."""
    return scenario + ("" if SCENARIOS[scenario].dials.design in DRAWN else " *")


def picture(table: pd.DataFrame) -> Figure:
    """Share of clinics in which each rule says that the technique works, by scenario, without and with an effect."""
    names = list(SCENARIOS)
    figure = style.new_figure(9.3, 0.75 + ROW * len(names) + 0.75)
    left, width = 3.25, 2.75
    for place, (effect, title) in enumerate(PANELS.items()):
        axes = style.axes_at(figure, left=left + place * (width + 0.3), top=0.68, width=width, height=ROW * len(names))
        _panel(axes, table[table["effect"] == effect].set_index("scenario").loc[names], title)
        axes.set_yticks(range(len(names)), [named(name) for name in names] if place == 0 else [])
    handles = [
        figure.axes[0].plot([], [], ls="", marker=look.marker, color=look.colour, mfc=_fill(look), label=RULES[rule])[0]
        for rule, look in LOOKS.items()
    ]
    figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.01, 0.995), ncols=3, frameon=False, fontsize=style.TEXT
    )
    clinics = int(table["clinics"].min())
    style.write(
        figure.axes[0],
        -left / width + 0.02,
        -0.42,
        f"Share of {clinics} simulated clinics or more in which each rule says “it works” (60 clients, order drawn, "
        "re-measured blind, unless the\nname says otherwise), with Wilson's 95 % interval for this toolkit. * nothing "
        "drawn: “probably moved” counts.",
        size=style.SMALL,
        colour=style.QUIET,
        transform=style.inches_above(figure.axes[0]),
    )
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, title: str) -> None:
    """One dot a scenario and rule."""
    axes.set_title(title, fontsize=style.TEXT, fontweight="bold", loc="left", color=style.INK)
    for rule, look in LOOKS.items():
        axes.plot(
            100 * rows[rule],
            range(len(rows)),
            ls="",
            marker=look.marker,
            ms=6.5,
            color=look.colour,
            mfc=_fill(look),
            clip_on=False,
            zorder=4 if rule == "claimed" else 3,
        )
    low, high = proportion_confint((rows["claimed"] * rows["clinics"]).round(), rows["clinics"], method="wilson")
    axes.hlines(range(len(rows)), 100 * low, 100 * high, color=LOOKS["claimed"].colour, lw=1.6, zorder=2)
    for row in range(0, len(rows), 2):
        axes.axhspan(row - 0.5, row + 0.5, color=style.BAND, zorder=0, lw=0)
    axes.set_xlim(-3, 103)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xticks([0, 25, 50, 75, 100], ["0 %", "25 %", "50 %", "75 %", "100 %"])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _fill(look: style.Series) -> str:
    return look.colour if look.filled else "white"


def as_text(table: pd.DataFrame) -> str:
    """The whole table for reading, with the targets that a cell misses and why."""
    shown = table[["scenario", "effect"]].rename(columns={"effect": "true effect, °"})
    for column, title in PERCENT.items():
        shown[title] = [" " if pd.isna(v) else f"{100 * v:.1f}" for v in table[column]]
    shown["mean estimate, °"] = [" " if pd.isna(v) else f"{v:.2f}" for v in table["estimate"]]
    shown["filled in against it, °"] = [" " if pd.isna(v) else f"{v:.2f}" for v in table["against"]]
    shown.insert(2, "clinics", table["clinics"])
    clinics = int(table["clinics"].min())
    return (
        f"# Can a claim be believed?\n\nPercent of {clinics} simulated clinics or more a row; what the columns are: "
        "`validity.py`; the targets: `validity_targets.py`.\n\n"
        f"{shown.to_markdown(index=False)}\n\n## The ten cells with most false claims\n\n{_worst(table)}\n\n"
        f"## Targets missed by more than chance, and why\n\n{_misses(table)}\n\n"
        f"## On the wrong side of a target, within chance\n\nWith {clinics} clinics a cell one clinic is "
        f"{100 / clinics:.1f} %: these cells neither keep a target nor break it until more are played.\n\n"
        f"{_within_chance(table)}\n"
    )


def _worst(table: pd.DataFrame) -> str:
    """The ten cells without an effect in which the technique was most often said to have done something."""
    none = table[table["effect"] == 0]
    share = none["moved"] + none["moved_enough"] + none["probably_moved"]
    lines = []
    for place in share.sort_values(ascending=False, kind="stable").index[:10]:
        n = int(none.loc[place, "clinics"])
        k = round(share[place] * n)
        low, high = proportion_confint(k, n, method="wilson")
        said = f"{k} of {n} ({100 * k / n:.1f} %; {100 * low:.1f} to {100 * high:.1f} %, Wilson)"
        lines.append(f"- {none.loc[place, 'scenario']}: {said}")
    return "\n".join(lines)


def _misses(table: pd.DataFrame) -> str:
    """One line a cell and target missed."""
    lines = [
        f"- {row['scenario']}, true effect {row['effect']:g}°: {target}. "
        f"{KNOWN_TO_MISS.get((row['scenario'], row['effect'], target), 'No reason known.')}"
        for row in table.to_dict("records")
        for target in missed(row, by_chance=0.001)
    ]
    return "\n".join(lines) or "None."


def _within_chance(table: pd.DataFrame) -> str:
    """One line a cell and target whose share lies on the wrong side of it, but not by more than chance."""
    lines = []
    for row in table.to_dict("records"):
        dials, far = SCENARIOS[row["scenario"]].dials, missed(row, by_chance=0.001)
        for target in TARGETS:
            over = target.share(row) - target.limit(row)
            wrong = over > 0 if target.side == "at most" else over < 0
            if wrong and target.applies(dials, row["effect"]) and target.name not in far:
                share = f"{100 * target.share(row):.0f} %"
                lines.append(f"- {row['scenario']}, true effect {row['effect']:g}°: {share} ({target.name})")
    return "\n".join(lines) or "None."


def main() -> None:
    """Write picture and table."""
    table = pd.read_csv(HERE / "validity.csv")
    picture(table).savefig(shared_file("pictures") / "validity.png", dpi=130)
    (HERE / "validity.md").write_text(as_text(table), encoding="utf-8")


if __name__ == "__main__":
    main()
