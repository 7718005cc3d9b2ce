"""How well clients are hidden among each other by what remains of them (k-anonymity, Sweeney 2002)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from toolkit.result import Shown


@dataclass(frozen=True, kw_only=True, eq=False)
class SmallGroups(Shown):
    """`k` is the number of clients in the smallest group that is alike in `columns`; `groups` has one row a group.

    `hidden_by` is the smallest group asked for, `exposed` how many clients sit in a smaller one.
    """

    columns: tuple[str, ...]
    groups: pd.DataFrame
    n_clients: int
    k: int
    hidden_by: int
    exposed: int

    def sentence(self) -> str:
        """Whether somebody stands out, in one sentence."""
        if not self.columns:
            return f"Nothing that describes a person remains beside the records of {self.n_clients} clients."
        told = ", ".join(self.columns)
        if self.exposed == 0:
            return (
                f"By {told} every one of {self.n_clients} clients is like at least {self.k - 1} others (k = {self.k})."
            )
        return (
            f"Warning: by {told} the smallest group has {self.k} client(s); {self.exposed} of {self.n_clients} clients "
            f"are in groups of fewer than {self.hidden_by} and may be recognised. Leave a column out or make it "
            "coarser before the records go anywhere."
        )

    def table(self) -> pd.DataFrame:
        """One row a group, the smallest first, with its number of clients."""
        return self.groups


def small_groups(frame: pd.DataFrame, *, client: str, columns: Sequence[str], hidden_by: int = 5) -> SmallGroups:
    """Count clients in groups that are alike in every one of `columns`.

    Source: k-anonymity, Sweeney 2002, Int J Uncertain Fuzziness Knowl-Based Syst 10:557-570.

    Args:
        frame: the records, several rows a client.
        client: the column of pseudonyms; rows without one are not counted.
        columns: what describes a person. A client with several values (an age that changed) counts by the first.
        hidden_by: the smallest group that does not warn.

    Example:
        >>> rows = pd.DataFrame({"client": ["a", "b", "c"], "age": ["34", "34", "71"]})
        >>> small_groups(rows, client="client", columns=["age"], hidden_by=2).exposed
        1
    """
    known = frame[frame[client].astype(str) != ""]
    people = known.drop_duplicates(client)
    if not columns or people.empty:
        nothing = pd.DataFrame({"clients": pd.Series(dtype="int64")})
        n = len(people)
        return SmallGroups(columns=(), groups=nothing, n_clients=n, k=n, hidden_by=hidden_by, exposed=0)
    groups = (
        people[list(columns)].astype(str).groupby(list(columns), sort=True).size().rename("clients").reset_index()
    ).sort_values("clients", kind="stable", ignore_index=True)
    sizes = groups["clients"]
    return SmallGroups(
        columns=tuple(columns),
        groups=groups,
        n_clients=len(people),
        k=int(sizes.min()),
        hidden_by=hidden_by,
        exposed=int(sizes[sizes < hidden_by].sum()),
    )
