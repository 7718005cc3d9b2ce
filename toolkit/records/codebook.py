"""The codebook: what is measured, where, with what; plausible ranges, better directions, and the words people use.

The project's own lists stand in `shared/codebook/`; a practitioner adds hers in a file of her own (TOML or CSV).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache
from pathlib import Path
from typing import Literal

import pandas as pd

from toolkit.errors import SheetError
from toolkit.records.codebook_extension import COLUMNS, ONE_OF, Extension, read_extension
from toolkit.records.lexicon import Phrases, close_names
from toolkit.resources import shared_file

SideRelation = Literal["same", "opposite", "both"]

_SNAKE = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_NUMBERS = {"low", "high", "resolution"}


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One line of the codebook's measures.

    `low`, `high` (plausible range) and `resolution` (smallest step of the instrument) are in `unit`; `sided` is True
    where left and right are read apart; for turning and side-bending the side is the direction moved towards.
    """

    name: str
    label: str
    body_part: str
    kind: str
    unit: str
    low: float
    high: float
    resolution: float
    better: str
    sided: bool
    how_taken: str
    words: tuple[str, ...]
    source: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Codebook:
    """All lists of the codebook as frames, one row an entry, with the look-ups that the other rooms use.

    Frames: `measures`, `regions`, `movement_limits` (region, measure, side_relation, source), `interventions`,
    `protocol_fields`, `abbreviations` (written, means). Columns are those of the files in `shared/codebook/`.
    """

    measures: pd.DataFrame
    regions: pd.DataFrame
    movement_limits: pd.DataFrame
    interventions: pd.DataFrame
    protocol_fields: pd.DataFrame
    abbreviations: pd.DataFrame

    def measure(self, name: str) -> Measure:
        """The measure called `name`.

        Raises
        ------
        SheetError
            No such measure; the message names the closest ones.

        Examples
        --------
        >>> load_codebook().measure("pain_rating").better
        'lower'
        """
        found = self._measures.get(name)
        if found is None:
            like = close_names(name, self._measures)
            hint = f"Did you mean {', '.join(like)}? " if like else ""
            raise SheetError(
                f"The codebook has no measure called “{name}”. {hint}"
                "Use a name from shared/codebook/measures.csv, or add your own measure in a codebook extension file."
            )
        return found

    def find_measure(self, words: str) -> str | None:
        """The measure that `words` (a header, a cell) stand for, or None where none or several fit.

        Examples
        --------
        >>> load_codebook().find_measure("Neck side-bend L pre")
        'cervical_lateral_flexion'
        """
        return self._measure_phrases.find(words)

    def find_region(self, words: str) -> str | None:
        """The region that `words` stand for, or None where none or several fit.

        Examples
        --------
        >>> load_codebook().find_region("Upper trap (R)")
        'upper_trapezius'
        """
        return self._region_phrases.find(words)

    def find_intervention(self, words: str) -> str | None:
        """The intervention that `words` stand for, or None: then it is the user's own name.

        Examples
        --------
        >>> load_codebook().find_intervention("no treatment")
        'measured_only'
        """
        return self._intervention_phrases.find(words)

    def label(self, what: str, code: str) -> str:
        """A measure, region or intervention in words; several at once joined by "and", a user's own word as it is.

        Examples
        --------
        >>> load_codebook().label("intervention", "percussive_release")
        'percussion with a hand-held device'
        """
        return " and ".join(self._labels[what].get(part, part.replace("_", " ")) for part in code.split(" + "))

    def limits(self, region: str, measure: str) -> SideRelation | None:
        """On which side tissue of `region` limits `measure`: same, opposite, both; None where no limit is listed.

        "opposite" means that tissue on the right limits the movement to the left.

        Examples
        --------
        >>> load_codebook().limits("upper_trapezius", "cervical_lateral_flexion")
        'opposite'
        """
        return self._limits.get((region, measure))

    @cached_property
    def _measures(self) -> dict[str, Measure]:
        fields = self.measures.rename(columns={"measure": "name"}).to_dict("records")
        return {
            str(row["name"]): Measure(
                **{str(key): value for key, value in row.items() if key not in ("words", "sided")},
                words=_split(row["words"]),
                sided=row["sided"] == "yes",
            )
            for row in fields
        }

    @cached_property
    def _labels(self) -> dict[str, dict[str, str]]:
        frames = {"measure": self.measures, "region": self.regions, "intervention": self.interventions}
        return {
            what: dict(zip(frame[what].astype(str), frame["label"].astype(str), strict=True))
            for what, frame in frames.items()
        }

    @cached_property
    def _limits(self) -> dict[tuple[str, str], SideRelation]:
        frame = self.movement_limits
        return {
            (region, measure): side
            for region, measure, side in zip(frame["region"], frame["measure"], frame["side_relation"], strict=True)
        }

    @cached_property
    def _measure_phrases(self) -> Phrases:
        return self._phrases(self.measures, "measure")

    @cached_property
    def _region_phrases(self) -> Phrases:
        return self._phrases(self.regions, "region")

    @cached_property
    def _intervention_phrases(self) -> Phrases:
        return self._phrases(self.interventions, "intervention")

    def _phrases(self, frame: pd.DataFrame, key: str) -> Phrases:
        """The names, labels and words of one list, ready for look-up."""
        known = tuple(
            (str(name), (str(name), str(label), *_split(words)))
            for name, label, words in zip(frame[key], frame["label"], frame["words"], strict=True)
        )
        short = tuple(zip(self.abbreviations["written"], self.abbreviations["means"], strict=True))
        return _ready(known, short)


@lru_cache(maxsize=12)
def _ready(known: tuple[tuple[str, tuple[str, ...]], ...], short: tuple[tuple[str, str], ...]) -> Phrases:
    """Phrases for look-up, built once for the same words: every codebook that is loaded asks for its lists."""
    return Phrases(dict(known), dict(short))


def load_codebook(extension: str | Path | None = None) -> Codebook:
    """The project's codebook, with the entries of the user's own file added where one is given.

    Parameters
    ----------
    extension
        Path of a TOML or CSV file that adds measures, regions, limits, interventions or words (see
        `toolkit.records.codebook_extension` for both forms).

    Returns
    -------
    Codebook
        `measures`, `regions`, `movement_limits`, `interventions`, `protocol_fields`, `abbreviations` as frames.

    Raises
    ------
    SheetError
        The file cannot be read or an entry is wrong; the message names file, line and remedy.

    Examples
    --------
    >>> len(load_codebook().measures) >= 45
    True
    """
    own = Codebook(
        measures=_read("measures"),
        regions=_read("regions"),
        movement_limits=_read("limits"),
        interventions=_read("interventions"),
        protocol_fields=_read("protocol_fields"),
        abbreviations=_read("abbreviations"),
    )
    return own if extension is None else _extended(own, read_extension(Path(extension)))


def check_codebook(codebook: Codebook) -> list[str]:
    """Everything wrong with a codebook, one sentence a fault; an empty list means that it is sound.

    Checks unique snake_case names, directions, kinds and sides, sane ranges, and that every limit names existing rows.
    """
    return [
        *_faults_of_names(codebook.measures["measure"], "measure"),
        *_faults_of_names(codebook.regions["region"], "region"),
        *_faults_of_names(codebook.interventions["intervention"], "intervention"),
        *_faults_of_names(codebook.protocol_fields["field"], "protocol field"),
        *_faults_of_measures(codebook.measures),
        *_faults_of_limits(codebook),
    ]


def _faults_of_names(names: pd.Series[str], what: str) -> list[str]:
    """Names that are not snake_case, or that come twice."""
    twice = [f"The {what} “{name}” comes more than once." for name in names[names.duplicated()].unique()]
    bad = [f"The {what} “{name}” is not snake_case." for name in names if not _SNAKE.fullmatch(str(name))]
    return twice + bad


def _faults_of_measures(measures: pd.DataFrame) -> list[str]:
    """Kinds, directions, sides and ranges that make no sense."""
    faults = []
    for row in measures.to_dict("records"):
        name, low, high, step = row["measure"], row["low"], row["high"], row["resolution"]
        for column, allowed in ONE_OF.items():
            if column in row and row[column] not in allowed:
                faults.append(f"{name}: {column} “{row[column]}” is not {' or '.join(allowed)}.")
        if not low < high:
            faults.append(f"{name}: the plausible range {low} to {high} is empty.")
        elif not 0 < step <= high - low:
            faults.append(f"{name}: resolution {step} does not fit the range {low} to {high}.")
        if row["kind"] == "sign" and (low, high, row["unit"]) != (0, 1, "yes_no"):
            faults.append(f"{name}: a sign runs from 0 to 1 in the unit yes_no.")
    return faults


def _faults_of_limits(codebook: Codebook) -> list[str]:
    """Limits that name a region, measure or side relation that does not exist, or that come twice."""
    measures, regions = set(codebook.measures["measure"]), set(codebook.regions["region"])
    frame = codebook.movement_limits
    faults = [
        f"The limit of {region} on {measure} comes more than once."
        for region, measure in frame.loc[frame.duplicated(["region", "measure"]), ["region", "measure"]].to_numpy()
    ]
    for row in frame.itertuples():
        if row.measure not in measures:
            faults.append(f"A limit of {row.region} names the measure “{row.measure}”, which the codebook lacks.")
        if row.region not in regions:
            faults.append(f"A limit on {row.measure} names the region “{row.region}”, which the codebook lacks.")
        if row.side_relation not in ("same", "opposite", "both"):
            faults.append(f"{row.region} on {row.measure}: side “{row.side_relation}” is not same, opposite or both.")
    return faults


def _read(name: str) -> pd.DataFrame:
    """One list of the project's own codebook, numbers as floats, everything else as text."""
    return _own_list(name).copy()


@cache
def _own_list(name: str) -> pd.DataFrame:
    path = shared_file(f"codebook/{name}.csv")
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    return _with_numbers(frame) if name == "measures" else frame


def _with_numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """`frame` with its numeric columns as floats."""
    return frame.assign(**{name: frame[name].astype(float) for name in _NUMBERS if name in frame})


def _split(words: object) -> tuple[str, ...]:
    """The synonyms of one cell, which stand between upright bars."""
    return tuple(word.strip() for word in str(words).split("|") if word.strip())


def _extended(codebook: Codebook, extension: Extension) -> Codebook:
    """`codebook` with the entries of a user's extension added; refuses names it has already and unknown references."""
    frames = {
        "measures": codebook.measures,
        "regions": codebook.regions,
        "limits": codebook.movement_limits,
        "interventions": codebook.interventions,
    }
    for table, keys in COLUMNS.items():
        _refuse_known_names(frames[table], keys[0], extension, table)
        added = pd.DataFrame([entry.values for entry in extension.entries(table)], columns=list(frames[table].columns))
        added = _with_numbers(added) if table == "measures" else added
        frames[table] = pd.concat([frames[table], added], ignore_index=True) if len(added) else frames[table]
    wider = replace(
        codebook,
        measures=_with_words(frames["measures"], "measure", extension),
        regions=_with_words(frames["regions"], "region", extension),
        interventions=_with_words(frames["interventions"], "intervention", extension),
        movement_limits=frames["limits"],
    )
    faults = check_codebook(wider)
    if faults:
        raise SheetError(f"{extension.path.name}: {faults[0]} Correct this entry in your codebook file.")
    return wider


def _refuse_known_names(frame: pd.DataFrame, key: str, extension: Extension, table: str) -> None:
    """Stop where the user's file gives a name that the codebook has already, or gives one twice."""
    if table == "limits":
        return
    known = set(frame[key])
    for entry in extension.entries(table):
        if entry.values[key] in known:
            raise SheetError(
                f"{extension.path.name}, line {entry.line}: “{entry.values[key]}” is in the codebook already. "
                "Give your entry a name of its own, or add only your words for it under [words]."
            )
        known.add(entry.values[key])


def _with_words(frame: pd.DataFrame, key: str, extension: Extension) -> pd.DataFrame:
    """`frame` with the user's own words added to the entries they stand for."""
    mine: Sequence[tuple[int, str, str]] = extension.words.get(key, ())
    if not mine:
        return frame
    names, words = frame[key].tolist(), frame["words"].tolist()
    for line, word, name in mine:
        if name not in names:
            like = ", ".join(close_names(name, names)) or "see the codebook's list"
            raise SheetError(
                f"{extension.path.name}, line {line}: “{word}” is to stand for the {key} “{name}”, "
                f"which the codebook lacks. Closest names: {like}."
            )
        place = names.index(name)
        words[place] = f"{words[place]}|{word}" if words[place] else word
    return frame.assign(words=words)
