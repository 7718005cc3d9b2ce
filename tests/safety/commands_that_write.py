"""Every command that writes, in a folder made for it: what it is given, what it writes, and what must not be lost."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.safety.corpus import DATA, GOOD, SHEET
from toolkit import __main__ as entry
from toolkit.comparing.site_summary import summarise
from toolkit.simulate import ClinicDials, simulate_clinic

QUESTION = """measure = "cervical_lateral_flexion"
region = "upper_trapezius"
intervention = "percussive_release"
comparison = "wait"
smallest_change_that_matters = 5.0
unit = "deg"
"""
ASK = ("--measure", "cervical_lateral_flexion", "--region", "upper_trapezius")


@dataclass(frozen=True, kw_only=True)
class Writes:
    """A command (its words), what it writes (files or folders), and whether an earlier output may be replaced."""

    words: tuple[str, ...]
    targets: tuple[str, ...]
    replaces: bool = True


COMMANDS = {
    "audit": Writes(words=("audit", "work/year.csv", "--question", "work/question.toml", "--out", "work/audited"), targets=("work/audited",)),
    "check": Writes(words=("check", "work/year.csv", "--set-aside", "work/aside.csv"), targets=("work/aside.csv",)),
    "columns": Writes(words=("columns", "work/year.csv", "--out", "work/proposal.toml"), targets=("work/proposal.toml",)),
    "compare": Writes(words=("compare", "work/two.csv", "--measure", "cervical_lateral_flexion", "--between", "percussive_release", "stretching", "--out", "work/compared"), targets=("work/compared",)),
    "replicate": Writes(words=("replicate", "work/my.toml", "--write"), targets=("work/my_result.csv",)),
    "deidentify": Writes(words=("deidentify", "work/office.csv", "--out", "work/coded.csv", "--key", "safe/key.txt"), targets=("work/coded.csv", "work/coded_columns.csv")),
    "sheet": Writes(words=("sheet", "work/weeks.xlsx", *ASK, "--rows", "30"), targets=("work/weeks.xlsx",)),
    "draw-order": Writes(words=("draw-order", "--client", "A", "--client", "B", "--key", "safe/key.txt", "--out", "work/drawn.csv"), targets=("work/drawn.csv",), replaces=False),
    "open-order": Writes(words=("open-order", "work/order.csv", "--key", "safe/key.txt", "--list", "work/list.csv"), targets=("work/list.csv",)),
    "seal-question": Writes(words=("seal-question", "work/sealed.toml"), targets=("work/sealed.seal.json",), replaces=False),
    "replicate-new": Writes(words=("replicate", "--new", "paired_t", "--data", "data.csv", "work/begun.toml"), targets=("work/begun.toml",)),
    "replicate-paper": Writes(words=("replicate", "--paper", "work/paper.csv", "--write"), targets=("work/paper_checked.docx",)),
    "pool": Writes(words=("pool", "work/site0.json", "work/site1.json", "work/site2.json", "--out", "work/pooled"), targets=("work/pooled",)),
    "summarise": Writes(words=("summarise", "work/two.csv", "--question", "work/two.toml", "--site", "north", "--out", "work/north.json"), targets=("work/north.json",)),
}  # fmt: skip
ONLY_READ = {
    "codebook": ("codebook",),
    "ruler": ("ruler",),
    "plan": ("plan", "work/year.csv", "--question", "work/question.toml", "--seasons", "4"),
    "columns-shown": ("columns", "work/year.csv"),
    "check-shown": ("check", "work/year.csv"),
    "replications": ("replicate", "work/my.toml"),
    "paper": ("replicate", "--paper", "work/paper.csv"),
    "format": ("replicate", "--format", "paired_t"),
    "registry": ("registry",),
}
PAPER = "name,n,mean,sd,t,p\npain,20,1.5,2,3.35,0.003\nneck,20,4,6,2.98,0.008\n"
USERS = {
    "work/notes.txt": "my own notes",
    "work/result.csv": "my own result",
    "work/my.part": "mine",
    "work/report.html": "my own page",
}


@cache
def site_summaries() -> tuple[str, ...]:
    """The summaries of three sites, as `summarise` makes them."""
    dials = ClinicDials(n_clients=14, visits=3.0, measured_only_share=0.0, design="order_drawn")
    question = {
        "measure": "cervical_lateral_flexion",
        "region": "upper_trapezius",
        "intervention": "percussive_release",
        "comparison": "wait",
        "smallest_change_that_matters": 5.0,
        "unit": "deg",
    }
    made = (
        summarise(simulate_clinic(dials, rng=seed).rows, question=question, site=f"site{seed}") for seed in range(3)
    )
    return tuple(json.dumps(one.content) for one in made)


def prepare(here: Path) -> None:
    """The files the commands read, a key, a drawn order, and files of the user that nobody may touch."""
    for folder in ("work", "safe"):
        (here / folder).mkdir()
    dials = ClinicDials(n_clients=16, visits=3.0, measured_only_share=0.0, design="comparison_sessions")
    clinic = simulate_clinic(dials, rng=1).rows
    sessions = clinic["session_id"].unique()[::2]
    stretched = clinic["session_id"].isin(sessions)
    two = clinic.assign(intervention=stretched.map({True: "stretching", False: "percussive_release"})).to_csv(
        index=False
    )
    office = "Patient,Date,before,after\n" + "\n".join(f"Anna {n},2026-03-0{n},3{n},4{n}" for n in range(1, 8))
    between = QUESTION.replace('"wait"', '"stretching"')
    texts = {
        "two.toml": between,
        "year.csv": GOOD,
        "two.csv": two,
        "question.toml": QUESTION,
        "sealed.toml": QUESTION,
        "my.toml": SHEET,
    }
    texts |= {"data.csv": DATA, "office.csv": office, "paper.csv": PAPER}
    texts |= {f"site{place}.json": text for place, text in enumerate(site_summaries())}
    for name, text in texts.items():
        (here / "work" / name).write_text(text, encoding="utf-8")
    draw = ["draw-order", "--client", "A", "--key", "safe/key.txt", "--new-key", "--out", "work/order.csv"]
    assert entry.run(draw) == 0
    for name, text in USERS.items():
        (here / name).write_text(text, encoding="utf-8")


def lost(here: Path) -> list[str]:
    """The user's own files that are no longer what they were."""
    return [name for name, text in USERS.items() if (here / name).read_text(encoding="utf-8") != text]
