"""Whose turn is it to wait first? The order for the coming season, drawn, sealed, and opened session by session.

Orders are drawn in small blocks for each client, so that every client gets as many of one as of the other. Each line
of the schedule is sealed: without the key nobody can tell it from chance, with the key anybody can check afterwards
that it was not changed. The key belongs to somebody who does not treat; it stands in a file of its own
(`toolkit.privacy.keys.key_from`).

The seal of a line hides its order by one bit of HMAC-SHA256 under the key and proves it by another HMAC of line and
order (HMAC: RFC 2104; SHA-256: FIPS 180-4). The season's label and a salt drawn for the line enter both, so that last
season's opened orders tell nothing about this season's.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import secrets
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import SheetError

ORDERS = ("technique_first", "wait_first")
PARTS = "|"  # parts the season's label from the two protocols that are drawn


def draw_orders(
    clients: list[str], *, sessions: int, rng: np.random.Generator | int, block_sizes: tuple[int, ...] = (2, 4)
) -> pd.DataFrame:
    """Draw the order of each client's coming sessions, in blocks of random size.

    Parameters
    ----------
    clients
        Pseudonyms.
    sessions
        How many a client.
    rng
        Numpy Generator or seed.
    block_sizes
        Even numbers; within a block each order comes equally often.

    Returns
    -------
    pd.DataFrame
        One row a client and session: client, session, order.

    Raises
    ------
    SheetError
        No client, a client twice, no session, or a block size that is not even.

    Examples
    --------
    >>> drawn = draw_orders(["A", "B"], sessions=4, rng=1, block_sizes=(2,))
    >>> drawn.groupby("client")["order"].apply(lambda o: (o == "wait_first").sum()).tolist()
    [2, 2]
    """
    if not clients or len(set(clients)) < len(clients) or sessions < 1:
        raise SheetError("To draw orders, name each client once, and at least one session for each.")
    if not block_sizes or any(size < 2 or size % 2 for size in block_sizes):
        raise SheetError(f"Block sizes must be even numbers from 2 on; {block_sizes} are not.")
    rng = np.random.default_rng(rng)
    rows = []
    for client in clients:
        drawn: list[str] = []
        while len(drawn) < sessions:
            size = int(rng.choice(block_sizes))
            drawn += rng.permutation(list(ORDERS) * (size // 2)).tolist()
        rows += [{"client": client, "session": k + 1, "order": drawn[k]} for k in range(sessions)]
    return pd.DataFrame(rows)


def season_of_two(label: str, between: tuple[str, str]) -> str:
    """The label of a season in which one of two protocols is drawn: it enters every seal, so neither can be swapped.

    Parameters
    ----------
    label
        The season's own label.
    between
        The two protocols as they will be recorded; the first stands for "technique first" in the draw.

    Raises
    ------
    SheetError
        The two are the same, empty, or hold the sign that parts them.

    Examples
    --------
    >>> season_of_two("spring 2026", ("long_hold", "short_hold"))
    'spring 2026 | long_hold | short_hold'
    """
    names = [name.strip() for name in between]
    if len(set(names)) < 2 or not all(names) or any(PARTS in name for name in (label, *names)):
        raise SheetError(f'Name two different protocols, none of them with a "{PARTS}" in it:  --between A B')
    return f" {PARTS} ".join([label, *names])


def drawn_words(season: str, order: str) -> str:
    """What an opened line says: the order, or the protocol where the season is one of two protocols.

    Examples
    --------
    >>> drawn_words("spring 2026", "wait_first")
    'wait first'
    >>> drawn_words("spring 2026 | long_hold | short_hold", "wait_first")
    'short_hold'
    """
    parts = [part.strip() for part in season.split(PARTS)]
    return parts[1 + ORDERS.index(order)] if len(parts) == 3 else order.replace("_", " ")


def seal(schedule: pd.DataFrame, *, key: bytes, season: str) -> pd.DataFrame:
    """Replace each order by its seal.

    Parameters
    ----------
    schedule : pandas.DataFrame
        client, session, order.
    key : bytes
        From `toolkit.privacy.keys.key_from`; kept by somebody who does not treat.
    season : str
        A label of this schedule, such as its first day. Two schedules under one key never share a draw.

    Returns
    -------
    pandas.DataFrame
        client, session, season, seal (98 signs 0-9, a-f: salt, hidden order, proof).

    Examples
    --------
    >>> sealed = seal(draw_orders(["A"], sessions=2, rng=1), key=b"Z" * 32, season="spring 2026")
    >>> sealed.columns.tolist(), len(sealed["seal"][0])
    (['client', 'session', 'season', 'seal'], 98)
    """
    seals = []
    for client, number, order in schedule[["client", "session", "order"]].itertuples(index=False):
        line = _Line(client=str(client), session=int(number), season=season, salt=secrets.token_bytes(16))
        seals.append(line.sealed(str(order), key))
    return schedule[["client", "session"]].assign(season=season, seal=seals)


@dataclass(frozen=True, kw_only=True)
class _Line:
    """What a seal is made of beside the key and the order: whose session of which season, and a salt of its own."""

    client: str
    session: int
    season: str
    salt: bytes

    def _mac(self, key: bytes, what: str) -> bytes:
        said = json.dumps([what, self.season, self.client, self.session, self.salt.hex()]).encode()
        return hmac.new(key, b"drawn order\0" + said, hashlib.sha256).digest()

    def sealed(self, order: str, key: bytes) -> str:
        hidden = ORDERS.index(order) ^ (self._mac(key, "hide")[0] & 1)
        return f"{self.salt.hex()}{hidden:02x}{self._mac(key, order).hex()}"

    def opened(self, text: str, key: bytes) -> str | None:
        """The order, None where the seal does not fit."""
        order = ORDERS[(int(text[32:34], 16) ^ self._mac(key, "hide")[0]) & 1]
        return order if hmac.compare_digest(text[34:], self._mac(key, order).hex()) else None


def open_order(sealed: pd.DataFrame, *, client: str, session: int, key: bytes) -> str:
    """The order of one session, read from its seal.

    Parameters
    ----------
    sealed : pandas.DataFrame
        client, session, season, seal.
    client, session
        Whose session it is, and which.
    key : bytes
        The key it was sealed with.

    Raises
    ------
    SheetError
        There is no such line, or its seal was changed, or the key is another one.
    """
    line = sealed[(sealed["client"].astype(str) == str(client)) & (sealed["session"] == session)]
    if len(line) != 1:
        raise SheetError(f"The schedule has no single line for client {client}, session {session}.")
    text, season = str(line["seal"].iloc[0]), str(line["season"].iloc[0])
    if re.fullmatch("[0-9a-f]{98}", text) is None:
        raise SheetError(f"The seal of client {client}, session {session} is damaged.")
    of = _Line(client=str(client), session=int(session), season=season, salt=bytes.fromhex(text[:32]))
    order = of.opened(text, key)
    if order is None:
        raise SheetError(
            f"The seal of client {client}, session {session} does not fit this key: the line was changed, or "
            "the key belongs to another schedule."
        )
    return order


def opened(sealed: pd.DataFrame, *, key: bytes) -> pd.DataFrame:
    """All orders of a schedule, each checked against its seal: for a second person, and for the analysis afterwards.

    Raises
    ------
    SheetError
        A seal does not fit; the message names its line.
    """
    lines = sealed[["client", "session"]].itertuples(index=False)
    orders = [open_order(sealed, client=str(c), session=int(n), key=key) for c, n in lines]
    return sealed[["client", "session"]].assign(order=orders)
