"""Pages from templates: what every page shares."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from starlette.responses import Response

from analytics.standing import REASONS
from api import evidence, quantities, rule, words

HERE = Path(__file__).parent
STATIC = HERE / "static"


@cache
def asset(name: str) -> str:
    """Return the address of a static file, which changes when its content does."""
    digest = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:10]
    return f"/static/{name}?v={digest}"


def _rule(gauge: rule.Gauge, size: rule.Size = "row") -> Markup:
    return Markup(rule.svg(gauge, size))  # noqa: S704  # made of numbers and escaped words only


@cache
def environment() -> Environment:
    """Return the template environment."""
    env = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(["html", "svg"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        asset=asset, rule=_rule, gauge=rule.Gauge.of, words=words, plain=words.plain, reasons=REASONS, why=evidence.why
    )
    env.filters.update(
        local=quantities.local,
        day=quantities.day,
        reading=quantities.reading,
        weekday=quantities.weekday,
        zone_word=quantities.zone_word,
        ago=quantities.ago,
        unbroken=quantities.unbroken,
        percent=evidence.percent,
        chance=evidence.chance,
        temperature=quantities.temperature,
        pressure=quantities.pressure,
        signed=quantities.signed,
        plain=words.plain,
    )
    return env


def html(
    request: Request, template: str, *, status: int = 200, headers: Mapping[str, str] | None = None, **context: object
) -> Response:
    """Return a page."""
    settings = request.app.state.settings
    body = environment().get_template(template).render(request=request, site_title=settings.title, **context)
    return Response(body, status, dict(headers or {}), "text/html; charset=utf-8")
