"""Whose turn is it to wait first? The order for the coming season, drawn, sealed, and opened session by session.

Orders are drawn in small blocks for each client, so that every client gets as many of one as of the other. Each line
of the schedule is sealed: without the key nobody can tell it from chance, with the key anybody can check afterwards
that it was not changed. The key belongs to somebody who does not treat; it stands in a file of its own
(`toolkit.privacy.pseudonyms.key_from`).

The seal of a line hides its order by one bit of HMAC-SHA256(key, line) and proves it by another HMAC of line and order
(HMAC: RFC 2104; SHA-256: FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import hmac

import numpy as np
import pandas as pd

from toolkit.errors import SheetError

ORDERS = ("technique_first", "wait_first")


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


def _mac(key: bytes, *parts: object) -> bytes:
    said = "\x1f".join(str(part) for part in parts).encode()
    return hmac.new(key, said, hashlib.sha256).digest()


def seal(schedule: pd.DataFrame, *, key: bytes) -> pd.DataFrame:
    """Replace each order by its seal: client, session, seal (66 characters).

    Example:
        >>> key = bytes(32)
        >>> sealed = seal(draw_orders(["A"], sessions=2, rng=1), key=key)
        >>> sealed.columns.tolist(), len(sealed["seal"][0])
        (['client', 'session', 'seal'], 66)
    """
    seals = []
    for client, number, order in schedule[["client", "session", "order"]].itertuples(index=False):
        hidden = ORDERS.index(order) ^ (_mac(key, "hide", client, number)[0] & 1)
        seals.append(f"{hidden:02x}{_mac(key, 'prove', client, number, order).hex()}")
    return schedule[["client", "session"]].assign(seal=seals)


def open_order(sealed: pd.DataFrame, *, client: str, session: int, key: bytes) -> str:
    """The order of one session, read from its seal.

    Raises:
        SheetError: there is no such line, or its seal was changed, or the key is another one.
    """
    line = sealed[(sealed["client"].astype(str) == client) & (sealed["session"] == session)]
    if len(line) != 1:
        raise SheetError(f"The schedule has no single line for client {client}, session {session}.")
    text = str(line["seal"].iloc[0])
    try:
        hidden = int(text[:2], 16)
    except ValueError as problem:
        raise SheetError(f"The seal of client {client}, session {session} is damaged.") from problem
    order = ORDERS[(hidden ^ _mac(key, "hide", client, session)[0]) & 1]
    if not hmac.compare_digest(text[2:], _mac(key, "prove", client, session, order).hex()):
        raise SheetError(
            f"The seal of client {client}, session {session} does not fit this key: the line was changed, or "
            "the key belongs to another schedule."
        )
    return order


def opened(sealed: pd.DataFrame, *, key: bytes) -> pd.DataFrame:
    """All orders of a schedule, each checked against its seal.

    Raises:
        SheetError: a seal does not fit; the message names its line.
    """
    lines = sealed[["client", "session"]].itertuples(index=False)
    orders = [open_order(sealed, client=str(c), session=int(n), key=key) for c, n in lines]
    return sealed[["client", "session"]].assign(order=orders)


def kept_to(records: pd.DataFrame, orders: pd.DataFrame) -> pd.DataFrame:
    """Which sessions were worked in another order than was drawn: client, session, drawn, written.

    Args:
        records: tidy rows with client, session_id, order, visit. orders: from `opened`.
    """
    held = records.drop_duplicates(["client", "session_id"])[["client", "visit", "order"]].astype({"client": str})
    both = orders.merge(held, left_on=["client", "session"], right_on=["client", "visit"], suffixes=("", "_done"))
    other = both[both["order"] != both["order_done"]]
    return other.rename(columns={"order": "drawn", "order_done": "written"})[
        ["client", "session", "drawn", "written"]
    ].reset_index(drop=True)
