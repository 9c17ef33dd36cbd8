"""SQL by name: every statement of the program stands in a ``.sql`` file as a block under ``-- name: words``."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import LiteralString, cast

_NAME = re.compile(r"^-- name: (\w+)[^\n]*\n", re.MULTILINE)


@cache
def queries(package: str, file: str) -> dict[str, LiteralString]:
    """Return the statements of one ``.sql`` file of a package, by name.

    The text is the program's own, so it may stand where psycopg asks for a literal string.
    """
    text = files(package).joinpath(file).read_text(encoding="utf-8")
    parts = _NAME.split(text)
    return {name: cast("LiteralString", body.strip()) for name, body in zip(parts[1::2], parts[2::2], strict=True)}
