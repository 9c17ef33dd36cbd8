from __future__ import annotations

import csv
import io
import re

import psycopg
import pytest
from fastapi.testclient import TestClient

from api.callpages import COLUMNS

pytestmark = pytest.mark.stack


def listed(text: str) -> list[str]:
    return re.findall(r'<div class="c-unit"><a href="/units/([^"]+)"', text)


def send(client: TestClient, unit: str, came_from: str = "/?standing=down", **form: str) -> str:
    answer = client.post(
        f"/units/{unit}/call",
        data=form,
        headers={"Referer": f"http://localhost{came_from}"},
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def test_the_rows_form_works_without_script_and_leads_back_to_where_it_was_sent_from(writable: TestClient) -> None:
    writable.post("/people", data={"name": "Kim Example", "role": "technician"})
    assert send(writable, "u-0001", do="plan", day="2026-01-26", person="Kim Example") == "/?standing=down"
    assert send(writable, "u-0001", do="seen") == "/?standing=down"
    assert send(writable, "u-0002", do="snooze", until="2026-01-26") == "/?standing=down"
    text = writable.get("/").text
    assert "Visit Mon 26 Jan, Kim Example" in text
    assert "Seen 24 Jan 05:00" in text
    assert listed(text) == ["u-0001", "u-0003"]
    # Seven in the morning at the site, which is in Denver.
    off = writable.get("/v1/calls?snoozed=only").json()["items"]
    assert [i["snoozed_until"] for i in off] == ["2026-01-26T14:00:00Z"]
    send(writable, "u-0001", do="unseen")
    send(writable, "u-0001", do="unplan")
    send(writable, "u-0002", do="unsnooze")
    assert listed(writable.get("/").text) == ["u-0001", "u-0002", "u-0003"]
    assert 'class="state"' not in writable.get("/").text


@pytest.mark.parametrize("referer", ["http://elsewhere.example/x", "http://localhost//elsewhere.example/x", ""])
def test_a_form_never_leads_to_another_server(writable: TestClient, referer: str) -> None:
    answer = writable.post(
        "/units/u-0001/call", data={"do": "seen"}, headers={"Referer": referer}, follow_redirects=False
    )
    assert answer.headers["location"] == "/units/u-0001"


def test_a_form_with_a_day_that_is_none_says_so_on_a_page(writable: TestClient) -> None:
    answer = writable.post(
        "/units/u-0001/call",
        data={"do": "plan", "day": "soon"},
        headers={"Accept": "text/html"},
        follow_redirects=False,
    )
    assert answer.status_code == 422
    assert "day: pick a day" in answer.text


def test_areas_models_and_people_are_filters_with_counts_in_the_address(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update site set area = 'North bank' where site = 's-0002'")
    counts = writable.get("/v1/calls").json()
    assert counts["areas"] == {"North bank": 1}
    assert counts["models"] == {"model 2": 1, "model 3": 1, "model 4": 1}
    text = writable.get("/?area=North+bank").text
    assert listed(text) == ["u-0001"]
    assert 'aria-current="true">North bank <span class="count">1</span>' in text
    assert [i["unit"] for i in writable.get("/v1/calls?q=north").json()["items"]] == ["u-0001"]


def test_the_list_by_site_has_each_site_once_the_gravest_first_with_the_units_that_ask_for_attention(
    here: TestClient,
) -> None:
    text = here.get("/?group=site").text
    # Sites come by u-0001 (down), u-0008 (service) and u-0003; the units of each by what waiting would cost.
    assert re.findall(r'<h2 class="site"><a [^>]*>([^<]+)', text) == ["s-0002", "s-0003", "s-0001"]
    assert listed(text) == ["u-0001", "u-0004", "u-0008", "u-0002", "u-0003"]


def test_the_table_has_a_row_for_each_call_and_no_cell_that_a_spreadsheet_would_run(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update unit set model = '=1+1' where unit = 'u-0001'")
    answer = writable.get("/calls.csv?standing=down&standing=service")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    lines = list(csv.DictReader(io.StringIO(answer.text)))
    assert [line["unit"] for line in lines] == ["u-0001", "u-0002"]
    assert list(lines[0]) == list(COLUMNS)
    assert lines[0]["model"] == "'=1+1"
    assert float(lines[0]["now_s"]) == pytest.approx(0.62)
    assert lines[0]["locked_14d"] == "13"
