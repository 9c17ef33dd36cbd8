"""Makes the generated part of ``api/API.md``: the table of endpoints and the examples, from the running application."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

DOCUMENT = Path(__file__).resolve().parents[2] / "api" / "API.md"
BEGIN, END = "<!-- made by tests/api/document.py: begin -->", "<!-- made by tests/api/document.py: end -->"
MASKED = {"added_at", "first_at"}
WHEN = "2026-01-24T12:00:00Z"
MOST = 2

EXAMPLES: tuple[tuple[str, str], ...] = (
    ("The call list: who is down, and what is likely to go down next", "/v1/calls?standing=down&limit=1"),
    ("A unit, its newest verdict, what to measure and to bring", "/v1/units/u-0003"),
    ("Its locked starts, newest first", "/v1/units/u-0003/starts?outcome=locked&limit=2"),
    (
        "What was said of it, newest first: the objects that `halfsecond replay` writes",
        "/v1/units/u-0004/verdicts?limit=1",
    ),
    ("Visits", "/v1/units/u-0001/visits"),
    ("Cohorts", "/v1/cohorts"),
    ("Intake; `items` are the silent devices", "/v1/intake"),
    ("The newest forecast of a site", "/v1/forecasts/s-0001"),
    ("An error", "/v1/units/u-0001/starts?limit=0"),
)


def cut(value: Any, name: str = "") -> Any:
    """Return a value with its lists shortened and what changes from run to run masked."""
    if isinstance(value, dict):
        if name == "quarantine":
            value = {**value, "last_at": WHEN}
        return {k: WHEN if k in MASKED else cut(v, k) for k, v in value.items()}
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, list):
        most = 1 if name == "items" else MOST
        return [cut(v, name) for v in value[:most]] + (["…"] if len(value) > most else [])
    return value


def table(client: TestClient) -> str:
    """Return the endpoints that the OpenAPI document describes."""
    lines = ["| | address | gives | asks |", "|---|---|---|---|"]
    for path, methods in client.get("/openapi.json").json()["paths"].items():
        for method, told in methods.items():
            asks = ", ".join(f"`{p['name']}`" for p in told.get("parameters", []) if p["in"] == "query")
            lines.append(f"| {method.upper()} | `{path}` | {told['summary']} | {asks} |")
    return "\n".join(lines)


def made(client: TestClient) -> str:
    """Return the generated part of the document."""
    parts = ["## Endpoints", table(client), "## Examples", "Lists are cut to their first items here (`…`)."]
    for title, address in EXAMPLES:
        answer = client.get(address)
        body = json.dumps(cut(answer.json()), ensure_ascii=False, indent=1)
        parts.append(f"{title}:\n\n    GET {address}\n\n{answer.status_code}\n\n```json\n{body}\n```")
    return "\n\n".join(parts)


def whole(client: TestClient) -> str:
    """Return the document with its generated part made anew."""
    text = DOCUMENT.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n{made(client)}\n{END}{after}"
