from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

pytestmark = pytest.mark.stack
PAGES = [
    "/",
    "/calls",
    "/?standing=down&q=u",
    "/units/u-0001",
    "/units/u-0004",
    "/units/u-0006",
    "/cohorts",
    "/devices?matter=silent",
    "/intake",
    "/quarantine?reason=bad_json",
    "/quarantine/1",
    "/patterns",
]
TWINNED = [
    "/",
    "/?standing=down",
    "/units/u-0001",
    "/units/u-0001/visit",
    "/units/u-0003/assist",
    "/stickers?q=s-0001",
    "/cohorts",
    "/repairs",
    "/people",
    "/people/Kim%20Example/notices",
    "/notices",
    "/settings",
    "/devices",
    "/intake",
    "/quarantine",
    "/quarantine/1",
    "/patterns",
]


class Reader(HTMLParser):
    """Collects the tags and attributes of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


@pytest.mark.parametrize("path", PAGES)
def test_a_page_has_no_inline_script_or_style_and_asks_nobody_else(here: TestClient, path: str) -> None:
    answer = here.get(path)
    assert answer.status_code == 200
    assert "'unsafe-inline'" not in answer.headers["content-security-policy"]
    found = Reader(answer.text)
    for tag, attributes in found.tags:
        assert not [name for name in attributes if name.startswith("on") or name == "style"], (tag, attributes)
        assert tag != "style"
        if tag == "script":
            assert (attributes["src"] or "").startswith("/static/")
        for name in ("src", "href", "srcset", "action"):
            assert not re.match(r"(https?:)?//", attributes.get(name) or ""), (tag, attributes)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_has_one_heading_of_the_first_rank_unique_ids_and_a_title(here: TestClient, path: str) -> None:
    text = here.get(path).text
    found = Reader(text)
    assert sum(tag == "h1" for tag, _ in found.tags) == 1
    ids = [a["id"] for _, a in found.tags if "id" in a]
    assert len(ids) == len(set(ids))
    assert re.search(r"<title>[^<]+</title>", text)


@pytest.mark.parametrize("path", TWINNED)
def test_every_page_names_its_json_twin_which_tells_the_same(here: TestClient, path: str) -> None:
    found = Reader(here.get(path).text)
    twin = next(a["href"] for tag, a in found.tags if tag == "link" and a.get("rel") == "alternate")
    assert twin is not None
    answer = here.get(twin)
    assert answer.status_code == 200
    assert isinstance(json.loads(answer.text), dict)
    if path == "/?standing=down":
        assert [c["unit"] for c in answer.json()["items"]] == ["u-0001"]


def test_no_page_is_without_a_twin_or_unlooked_at(here: TestClient) -> None:
    # An address of a page is one that has a function for reading which renders a template.
    app = here.app
    pages = {
        route.path
        for router in [app.router, *(r.original_router for r in app.routes if hasattr(r, "original_router"))]  # type: ignore[attr-defined]
        for route in router.routes
        if "GET" in getattr(route, "methods", ()) and "html" in route.endpoint.__code__.co_names
    }
    matched = {path for path in pages for tried in TWINNED if _fits(path, tried.partition("?")[0])}
    assert len(pages) >= 16
    # The call list has two addresses.
    assert pages - matched == {"/calls"}


def _fits(path: str, tried: str) -> bool:
    return re.fullmatch(re.sub(r"\{\w+(:path)?\}", "[^/]+", path), tried) is not None


def test_the_number_down_stands_in_the_title(here: TestClient) -> None:
    assert "<title>(1 down) Call list" in here.get("/").text
    assert "<title>(down) u-0001 at s-0002" in here.get("/units/u-0001").text


def test_a_standing_is_told_by_word_and_mark_in_every_row(here: TestClient) -> None:
    text = here.get("/").text
    rows = re.findall(r'<li class="call is-(\w+)">(.*?)</li>\s*(?=<li class="call|</ol>)', text, re.DOTALL)
    assert len(rows) == 16
    for standing, row in rows:
        assert f'class="standing is-{standing}"><svg class="mark"' in row
        assert 'role="img"' in row


def test_a_unit_page_tells_cause_measurements_cautions_and_locked_starts(here: TestClient) -> None:
    text = here.get("/units/u-0001").text
    for words in (
        "Weak run capacitor, very likely (83 %)",
        "36.0 to 44.0 µF",
        "Prove dead",
        "maker&#39;s instructions",
        "13 locked starts in the last 14 days",
        "24 Jan 04:00",
        "R-454B is mildly flammable",
    ):
        assert words in text.replace("\xa0", " ")
    assert text.count('class="locked"') >= 8


def test_a_learning_unit_is_given_no_number_from_thin_data(here: TestClient) -> None:
    text = here.get("/units/u-0006").text
    assert "Too little heard to judge: 12 starts so far; it takes 30 starts with a run-up time." in text
    assert "Measure, in this order" not in text
    assert "r-band" not in text


def test_a_silent_unit_is_listed_and_shown_with_when_it_was_last_heard(here: TestClient) -> None:
    silent = here.get("/v1/calls?standing=silent").json()["items"][0]
    assert silent["last_at"] == "2026-01-24T10:00:00Z"
    # The site is in Denver.
    assert '<span class="quiet">since 24 Jan</span>' in here.get("/?standing=silent").text
    assert "last start heard 24 Jan 2026, 03:00 MST" in here.get(f"/units/{silent['unit']}").text


def test_before_anything_was_heard_the_list_says_where_it_would_be_seen(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("delete from standing")
    text = writable.get("/").text
    assert "No unit has been judged yet. Verdicts appear here once starts have been heard" in text
    assert '<a href="/intake">Intake</a>' in text


def test_an_account_in_customary_units_reads_degrees_fahrenheit(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update account set settings = %s", (Jsonb({"units": "us"}),))
    text = writable.get("/").text
    assert '<span class="label">forecast</span>low −6 °F' in text
    assert "°C" not in text


def test_names_from_outside_are_text_and_never_markup(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update unit set model = '<script>alert(1)</script>', unit = '<b>&\"' where unit = 'u-0001'")
        conn.execute("update visit set note = '<img src=x onerror=alert(1)>'")
    assert "<script>alert" not in writable.get("/").text
    page = writable.get("/units/%3Cb%3E%26%22")
    assert page.status_code == 200
    assert "<img src=x" not in page.text
    assert "<b>&" not in page.text


def test_the_call_list_stays_light(here: TestClient) -> None:
    answer = here.get("/", headers={"Accept-Encoding": "identity"})
    assert len(answer.content) < 150_000


def test_static_files_are_named_by_their_content(here: TestClient) -> None:
    css = re.search(r"/static/pages\.css\?v=[0-9a-f]{10}", here.get("/").text)
    assert css
    assert here.get(css.group()).status_code == 200
