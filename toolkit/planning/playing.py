"""Many simulated seasons, played on every processor: which claim each ends in.

A season is its dials and a seed, so the same list gives the same levels in whatever order and on how many processors
it is played. Lines that are compared share their seeds: what differs between them is the change, not the luck.
"""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Event
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.question import Question
from toolkit.findings.finding import Judged, claim_of, judge
from toolkit.findings.measured import ruler_of
from toolkit.simulate import ClinicDials, simulate_clinic

PLANNING_DRAWS = 499  # redraws of what was drawn, a season: enough to tell p on either side of 0.05, and quick
FEWEST_FOR_WORKERS = 24  # seasons: below, starting another Python takes longer than playing them
MOST_WORKERS = 8
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")  # each worker has a processor


@dataclass(frozen=True, kw_only=True)
class SeasonPlayed:
    """One season to play: the clinic, the smallest change that matters in its unit (None: not set), the seed."""

    dials: ClinicDials
    smallest: float | None
    seed: tuple[int, int]


def judge_clinic(
    rows: pd.DataFrame,
    dials: ClinicDials,
    *,
    smallest: float | None,
    look: int = 1,
    looks_planned: int = 1,
    rng: np.random.Generator | int = 0,
    quick: bool = False,
) -> Judged:
    """The declared question about a simulated clinic's own technique, judged from its rows as they come.

    Args:
        rows, dials: what was simulated, and from which dials. smallest: smallest change that matters.
        look, looks_planned: which look this is, of how many. rng: for redraws.
        quick: leave out what only a report of real records needs, with fewer redraws.
    """
    question = Question(
        measure=dials.measure,
        region=dials.region,
        intervention=dials.intervention,
        better=dials.better,
        unit=dials.unit,
        smallest_change_that_matters=smallest,
        looks_planned=looks_planned,
    )
    rows = rows.assign(date=pd.to_datetime(rows["date"]))
    ruler = ruler_of(rows, measure=dials.measure, unit=dials.unit)
    less: dict[str, Any] = {"quick": True, "n_draws": PLANNING_DRAWS} if quick else {}
    return judge(rows, question, declared=True, ruler=ruler, relation="", look=look, rng=rng, **less)


def level_of_season(season: SeasonPlayed) -> str:
    """The claim level that one simulated season ends in."""
    rng = np.random.default_rng(season.seed)
    rows = simulate_clinic(season.dials, rng=rng).rows
    judged = judge_clinic(rows, season.dials, smallest=season.smallest, rng=rng, quick=True)
    return str(claim_of(judged, measure="m", region="r", intervention="i").level)


def play(seasons: Sequence[SeasonPlayed], *, tick: Callable[[], object] = lambda: None) -> list[str]:
    """The claim level of each season, in their order; `tick` is called once a season, never from another thread."""
    workers = min(os.cpu_count() or 1, MOST_WORKERS)
    if workers < 2 or len(seasons) < FEWEST_FOR_WORKERS:
        levels = []
        for season in seasons:
            levels.append(level_of_season(season))
            tick()
        return levels
    played: SimpleQueue[None] = SimpleQueue()
    parts, stop = [seasons[start::workers] for start in range(workers)], Event()
    with ThreadPoolExecutor(workers) as pool:
        found = [pool.submit(_played_elsewhere, part, lambda: played.put(None), stop) for part in parts]
        try:
            for _ in seasons:
                _next(played, found)
                tick()
        except BaseException:  # somebody does not want to wait any longer
            stop.set()
            raise
    out = [""] * len(seasons)
    for start, part in enumerate(found):
        out[start::workers] = part.result()
    return out


def _next(played: SimpleQueue[None], found: Sequence[Future[list[str]]]) -> None:
    """Wait for the next season, or until nobody plays any more."""
    while True:
        with suppress(Empty):
            return played.get(timeout=0.2)
        if all(one.done() for one in found):
            return None


def _played_elsewhere(
    seasons: Sequence[SeasonPlayed], tick: Callable[[], object], stop: Event | None = None
) -> list[str]:
    """Play seasons in another Python, a line of JSON each way a season; here where it cannot be started."""
    home = str(Path(__file__).resolve().parents[2])
    paths = os.pathsep.join(filter(None, [home, os.environ.get("PYTHONPATH", "")]))
    asked = "".join(json.dumps(asdict(season)) + "\n" for season in seasons)
    levels: list[str] = []
    with subprocess.Popen(
        [sys.executable, "-m", "toolkit.planning.playing"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **ONE_THREAD, "PYTHONPATH": paths},
    ) as worker:
        if worker.stdin is None or worker.stdout is None:
            return [level_of_season(season) for season in seasons]
        with suppress(BrokenPipeError):  # it ended before it was asked
            worker.stdin.write(asked)
            worker.stdin.close()
        for line in worker.stdout:
            levels.append(line.strip())
            tick()
            if stop is not None and stop.is_set():
                worker.kill()
                return levels
    if stop is not None and stop.is_set():
        return levels
    for season in seasons[len(levels) :]:  # whatever ended it, what is left is played here and says what is wrong
        levels.append(level_of_season(season))
        tick()
    return levels


def _serve() -> None:
    """Play the seasons on standard input, one a line, and answer with a level a line."""
    gc.freeze()  # what is imported is not gone over again and again
    gc.set_threshold(50_000, 20, 20)
    pd.set_option("mode.string_storage", "python")  # a season is small: a fifth quicker than strings made for millions
    for line in sys.stdin:
        asked = json.loads(line)
        first, second = asked["seed"]
        dials = ClinicDials(**asked["dials"])
        print(level_of_season(SeasonPlayed(dials=dials, smallest=asked["smallest"], seed=(first, second))), flush=True)


if __name__ == "__main__":
    _serve()
