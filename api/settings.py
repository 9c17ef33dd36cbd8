"""What the pages need to be told: the database, whose units they show, who may read, and which clock they go by."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Clock = Literal["wall", "data"]


@dataclass(frozen=True)
class ApiSettings:
    """Settings of the pages and the JSON interface.

    Parameters
    ----------
    database
        libpq connection string.
    account
        Name of the account shown to whoever comes without a token of another one.
    token
        Secret asked of every reader. None: no secret is asked, and only a loopback address is answered.
    clock
        ``wall``: now is now. ``data``: now is the newest start heard, for a replayed winter.
    title
        Name shown at the head of each page.
    statement_limit_ms
        Longest that one statement may run in the database [ms].
    pool_size
        Largest number of database connections.
    mapping
        File or folder that says how other loggers' messages are read, for those put through again from the page.
    """

    database: str
    account: str = "demo"
    token: str | None = None
    clock: Clock = "wall"
    title: str = "Halfsecond"
    statement_limit_ms: int = 2_000
    pool_size: int = 8
    mapping: Path | None = None
