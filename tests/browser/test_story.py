"""The whole story of one unit, in a browser: it drifts, is called, planned, found by its sticker, mended, and better.

The winter is simulated; pages, store and verdicts are those that users run. A visit that the simulated technician made
is held back and logged on the page instead, so that nothing but the page tells of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pandas as pd
import psycopg
import pytest
from playwright.sync_api import Browser, Page, expect

from analytics import watch
from api.app import create_app
from api.quantities import zone
from api.settings import ApiSettings
from api.visitpages import code
from api.words import WORK
from ingest import store
from ingest.database import connect
from simulator.fleet import Fleet, simulate
from tests.api.serving import serving
from tests.browser.conftest import OUT

pytestmark = [pytest.mark.browser, pytest.mark.stack, pytest.mark.slow]

FIRST = datetime(2024, 10, 4, tzinfo=UTC)
UNITS, DAYS, SEED = 40, 120, 26
BEFORE, AFTER = timedelta(days=45), timedelta(days=22)
"""History that the verdicts want before the visit, and three weeks and a day after it."""
OTHERS = 5
KITS = ("start_kit_fitted", "start_kit_replaced")
ACCOUNT, KIM = "Larkfell Heating (example)", "Kim Example"


@dataclass(frozen=True)
class Story:
    """A unit with a fault that one visit mended: when, and by what work."""

    unit: str
    at: datetime
    work: str


def story_of(fleet: Fleet) -> Story:
    """Find a unit of the simulated fleet that a start kit mended, with time before and after."""
    for _, truth in fleet.truth.iterrows():
        repairs = truth["repairs"]
        if len(repairs) != 1 or not repairs[0]["right"] or repairs[0]["work"][0] not in KITS:
            continue
        at = datetime.fromisoformat(repairs[0]["at"])
        if FIRST + BEFORE < at < FIRST + timedelta(days=DAYS) - AFTER:
            return Story(truth["unit"], at, repairs[0]["work"][0])
    pytest.fail("no unit of this winter was mended by a start kit with time before and after: choose another seed")


def put(conninfo: str, fleet: Fleet, units: list[str], since: datetime, until: datetime) -> None:
    """Store what the loggers of some units said in a span, and have the units judged."""

    def part(frame: pd.DataFrame) -> pd.DataFrame:
        span = (frame["at"] >= pd.Timestamp(since)) & (frame["at"] < pd.Timestamp(until))
        return frame[frame["unit"].isin(units) & span]

    with connect(conninfo) as connection:
        account_id = store.account(connection, ACCOUNT)
        store.put_starts(connection, account_id, part(fleet.starts))
        store.put_rests(connection, account_id, part(fleet.rests))
        store.put_events(connection, account_id, part(fleet.events))
        watch.refresh(connection, account_id, watch.Followed(), None, "data")


def shot(page: Page, name: str) -> None:
    OUT.mkdir(exist_ok=True)
    page.screenshot(path=OUT / f"story-{name}.png", full_page=True)


def test_a_unit_drifts_is_called_planned_mended_and_three_weeks_later_the_page_says_that_it_helped(
    browser: Browser, database: str
) -> None:
    fleet = simulate(UNITS, DAYS, SEED, FIRST)
    story = story_of(fleet)
    well = fleet.truth[fleet.truth["cause"] == "none"]["unit"].head(OTHERS).tolist()
    units = [story.unit, *well]
    morning = story.at.replace(hour=0, minute=0, second=0)
    with connect(database) as connection:
        account_id = store.account(connection, ACCOUNT, create=True)
        plates = fleet.units[fleet.units["unit"].isin(units)]
        store.put_units(connection, account_id, plates)
        forecasts = fleet.forecasts
        told = forecasts["site"].isin(plates["site"]) & (forecasts["issued"] < pd.Timestamp(morning))
        store.put_forecasts(
            connection,
            account_id,
            forecasts[told & (forecasts["issued"] > pd.Timestamp(morning) - pd.Timedelta(days=3))],
        )
    put(database, fleet, units, FIRST, morning)
    with serving(app := create_app(ApiSettings(database, ACCOUNT, clock="data"))) as address:
        office = browser.new_page(viewport={"width": 1280, "height": 900})
        office.goto(f"{address}/people")
        office.get_by_label("Name").fill(KIM)
        office.get_by_role("button", name="Add").click()
        office.goto(address)
        row = office.locator("li.call").first
        # It stands above all that are well, with the cold that is to come.
        expect(row.locator(".c-unit a")).to_have_text(story.unit)
        expect(row.locator(".c-standing")).not_to_contain_text("Steady")
        expect(row.locator(".c-outlook")).to_contain_text("low")
        shot(office, "1-appears")
        row.get_by_text("Plan or put off").click()
        row.get_by_label("by").fill(KIM)
        row.get_by_role("button", name="Plan", exact=True).click()
        expect(office.locator("li.call").first.locator(".states")).to_contain_text(KIM)
        shot(office, "2-planned")

        phone = browser.new_page(viewport={"width": 390, "height": 800})
        phone.goto(f"{address}/stickers?unit={story.unit}")
        assert phone.locator("svg.code").evaluate("s => s.outerHTML.length") > 500
        assert str(code(f"{address}/units/{story.unit}"))[:200] in phone.content()
        phone.goto(f"{address}/units/{story.unit}")
        expect(phone.locator(".states").first).to_contain_text(KIM)
        shot(phone, "3-opened-by-its-sticker")
        phone.get_by_role("link", name="Log a visit").first.click()
        phone.get_by_label(WORK[story.work]).check()
        local = story.at.astimezone(zone(str(plates.iloc[0]["zone"])))
        phone.get_by_label("When").fill(local.strftime("%Y-%m-%dT%H:%M"))
        shot(phone, "4-logged")
        phone.get_by_role("button", name="Log this visit").click()
        phone.wait_for_url(f"**/units/{story.unit}#visits")
        expect(phone.locator(".visits li")).to_have_count(1)
        expect(phone.locator(".visits li")).to_contain_text(KIM)
        expect(phone.get_by_text(f"Visit {local:%a}")).to_have_count(0)

        put(database, fleet, units, morning, story.at + AFTER)
        phone.reload()
        said = phone.locator("section", has=phone.get_by_role("heading", name="Visits", exact=True))
        expect(said).to_contain_text("It helped.")
        expect(said).to_contain_text("less than before the last visit (90 % interval")
        shot(phone, "5-it-helped")
        office.goto(f"{address}/units/{story.unit}")
        shot(office, "6-it-helped")
        app.state.ending = lambda: True
        office.close()
        phone.close()
    with psycopg.connect(database) as conn:
        assert conn.execute("select count(*) from plan where ended_at is null").fetchone() == (0,)
