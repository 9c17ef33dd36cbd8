from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

from api.fleet import share
from tests.api import made


@pytest.mark.published
def test_the_share_has_wilsons_interval() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, one-sided 95 % lower limit 0.09577 = lower end of the 90 % interval.
    mean, low, _ = share(26, 200)
    assert mean == 0.13
    assert low == pytest.approx(0.09577, abs=5e-6)


def test_no_unit_judged_gives_no_share() -> None:
    assert share(0, 0) == (None, None, None)


@pytest.mark.stack
def test_cohorts_count_units_by_each_of_their_parts(here: TestClient) -> None:
    items = here.get("/v1/cohorts").json()["items"]
    everyone = next(c for c in items if c["by"] == "all")
    assert everyone["units"] == 16
    assert everyone["judged"] == 14
    assert everyone["flagged"] == 5
    assert everyone["low"] < everyone["share"] < everyone["high"]
    models = [c for c in items if c["by"] == "model"]
    assert sum(c["units"] for c in models) == 16
    assert {c["value"] for c in items if c["by"] == "metering"} == {"txv"}
    assert {c["value"] for c in items if c["by"] == "start_gear"} == {"none"}
    # All are installed in May 2021, and the account's clock stands in January 2026; no site has an area.
    assert {c["value"]: c["units"] for c in items if c["by"] == "age"} == {"0 to 4 years": 16}
    assert {c["value"]: c["units"] for c in items if c["by"] == "area"} == {None: 16}


@pytest.mark.stack
def test_a_cohort_of_few_units_is_drawn_towards_its_like(here: TestClient) -> None:
    models = [c for c in here.get("/v1/cohorts").json()["items"] if c["by"] == "model" and c["judged"]]
    everyone = sum(c["flagged"] for c in models) / sum(c["judged"] for c in models)
    for c in models:
        assert c["pooled_low"] <= c["pooled_share"] <= c["pooled_high"]
        assert abs(c["pooled_share"] - everyone) <= abs(c["share"] - everyone) + 0.1


@pytest.mark.stack
def test_units_are_compared_by_age_and_by_the_area_of_their_site(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update site set area = 'ridge' where site = (select min(site) from site)")
        conn.execute("update unit set installed = '2011-01-24' where unit_id = (select min(unit_id) from unit)")
        conn.execute("update unit set installed = '2011-01-25' where unit_id = (select max(unit_id) from unit)")
        conn.execute("update unit set installed = null where unit = 'u-0002'")
    items = writable.get("/v1/cohorts").json()["items"]
    ages = {c["value"]: c["units"] for c in items if c["by"] == "age"}
    assert ages == {"15 years and more": 1, "10 to 14 years": 1, None: 1}
    areas = {c["value"]: c["units"] for c in items if c["by"] == "area"}
    assert areas["ridge"] > 0
    assert sum(areas.values()) == 3
    assert "15 years and more" in writable.get("/cohorts").text


@pytest.mark.stack
def test_a_cohort_that_is_flagged_more_often_than_all_others_stands_out_on_the_page(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        (account_id,) = conn.execute("select account_id from account").fetchone() or (0,)
        for number in range(40):
            name = f"more-{number}"
            unit_id = made.unit(conn, account_id, name, None, "hard model" if number < 20 else "sound model")
            made.judged(conn, account_id, unit_id, name, made.SCENES[1 if number < 14 else 6], 0)
    items = {c["value"]: c for c in writable.get("/v1/cohorts").json()["items"] if c["by"] == "model"}
    assert items["hard model"]["flagged"] == 14
    assert (items["hard model"]["stands_out"], items["sound model"]["stands_out"]) == ("more", "fewer")
    assert items["hard model"]["others_share"] < 0.2
    page = writable.get("/cohorts").text
    assert "<strong>more often</strong> than the others’ " in page
    assert "2 cohorts stand out from all other units." in page
    assert page.index("Worth a campaign") < page.index('Model: <a href="/?model=hard%20model">hard model</a>, 14 of 20')


@pytest.mark.stack
def test_intake_tells_rates_lag_quarantine_and_devices(here: TestClient) -> None:
    told = here.get("/v1/intake").json()
    assert told["last_hour"]["stored"] == 16
    assert told["stored_a_minute"] == 1.6
    assert told["newest_at"] == "2026-01-24T12:00:00Z"
    assert told["devices"] == told["online"] == 16
    assert {q["reason"] for q in told["quarantine"]} == {"bad_json", "unknown_device"}
    assert told["items"] == []


@pytest.mark.stack
def test_a_device_that_has_not_been_heard_is_listed_by_the_accounts_clock(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute(
            "update heard set last_at = last_at - interval '2 days' where unit_id = (select min(unit_id) from unit)"
        )
    assert [d["unit"] for d in writable.get("/v1/intake").json()["items"]] == ["u-0001"]
    assert "2 days ago" in writable.get("/intake").text or "1 day ago" in writable.get("/intake").text


@pytest.mark.stack
def test_records_never_received_and_clocks_that_are_off_are_listed(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        device, account_id = conn.execute("select device, account_id from device order by device limit 1").fetchone()
        conn.execute(
            "insert into device_seq values (%s, 'starts', %s, '{[1,4),[9,11)}')",
            (device, account_id),
        )
        conn.execute(
            "insert into device_clock (device, account_id, ahead_s, ahead_at) values (%s, %s, 300, now())",
            (device, account_id),
        )
    told = writable.get("/v1/intake").json()
    assert (told["missing_records"], told["missing_devices"]) == (5, 1)
    assert [(g["device"], g["missing"], g["newest"]) for g in told["gaps"]] == [(device, 5, 10)]
    assert [(c["device"], c["offset_s"], c["ahead_s"]) for c in told["clocks"]] == [(device, None, 300.0)]
    page = writable.get("/intake").text
    assert "at least 300 s ahead" in page
    assert "kept as they came" in page
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update device_clock set offset_s = 3600, certain_at = now()")
    assert "3,600 s behind" in writable.get("/intake").text
    assert writable.get("/v1/intake").json()["clock_wrong"] == 1


@pytest.mark.stack
def test_the_forecast_of_a_site_is_its_newest_one(here: TestClient) -> None:
    told = here.get("/v1/forecasts/s-0001").json()
    assert told["issued"] == "2026-01-24T06:00:00Z"
    assert len(told["items"]) == 24 * 8
    assert here.get("/v1/forecasts/s-none").status_code == 404
