"""The half-second rules of the units that a message is about, one below the other, as one picture for mail."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from html import escape
from typing import Any

from api.access import Reader
from api.calls import locked_starts
from api.queries import Pool, rows
from api.rule import Gauge, in_words, ink, svg
from api.words import STANDINGS

MOST = 25
"""Units in one picture, the worst first: as many as a digest describes."""
WIDTH, RULE_HIGH, ROW = 540, 75, 124
FONT = "Helvetica,Arial,sans-serif"
_TYPE = f".name{{font:600 15px {FONT};fill:#1f262d}}.words{{font:12.5px {FONT};fill:#5d6873}}"

Drawn = tuple[str, Gauge]
"""A unit's name, and what its rule shows."""


def of_message(pool: Pool, account_id: int, triggers: Sequence[Mapping[str, Any]], at: datetime) -> str | None:
    """Return the picture of a message as SVG, its units as they stand now; None where it is about none.

    Parameters
    ----------
    triggers : one object a unit, with `unit`
    at : when the message was closed, by the account's clock
    """
    names = [t["unit"] for t in triggers]
    found = rows(pool, "notices.units", account_id, units=names, limit=MOST) if names else []
    if not found:
        return None
    locked = locked_starts(Reader(pool, account_id, "", {}, at), [f["unit_id"] for f in found])
    return rules([(f["unit"], Gauge.of(f["body"], locked.get(f["unit_id"], []))) for f in found])


def rules(units: Sequence[Drawn]) -> str:
    """Return the rules of some units as one SVG document that loads nothing."""
    rows_ = []
    for place, (name, gauge) in enumerate(units):
        y = 12 + ROW * place
        head = escape(f"{name}: {STANDINGS.get(gauge.standing, gauge.standing).lower()}")
        box = f'<svg x="4" y="{y + 20}" width="{WIDTH - 8}" height="{RULE_HIGH}" '
        inner = svg(gauge, "head").replace("<svg ", box, 1)
        words = escape(in_words(gauge))
        rows_.append(
            f'<text class="name" x="16" y="{y + 14}">{head}</text>{inner}'
            f'<text class="words" x="16" y="{y + 108}">{words}</text>'
        )
    high = 12 + ROW * len(units)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{high}" viewBox="0 0 {WIDTH} {high}">'
        f"<style>{ink(FONT)}{_TYPE}</style>"
        f'<rect width="{WIDTH}" height="{high}" fill="#fff"/>{"".join(rows_)}</svg>'
    )
