"""The whole story of one unit, in a browser: it drifts, is called, planned, found by its sticker, mended, and better.

The winter is simulated; pages, store and verdicts are those that users run. A visit that the simulated technician made
is held back and logged on the page instead, so that nothing but the page tells of it.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pandas as pd
import psycopg
import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from analytics import watch
from api.app import create_app
from api.quantities import MINUS, zone
from api.settings import ApiSettings
from api.words import WORK
from ingest import store
from ingest.database import connect
from simulator.fleet import Fleet, simulate
from tests.api.serving import serving
from tests.browser.conftest import OUT
from tests.conftest import copied, template

pytestmark = [pytest.mark.browser, pytest.mark.stack, pytest.mark.slow]

FIRST = datetime(2024, 10, 4, tzinfo=UTC)
UNITS, DAYS, SEED = 40, 120, 26
BEFORE, AFTER = timedelta(days=45), timedelta(days=22)
"""History that the verdicts want before the visit, and three weeks and a day after it."""
OTHERS = 5
KITS = ("start_kit_fitted", "start_kit_replaced")
ACCOUNT, KIM = "Larkfell Heating (example)", "Kim Example"
WIDTHS = (390, 1280)


@dataclass(frozen=True)
class Story:
    """A unit with a fault that one visit mended: its name, when the fault began, when it was visited, by what work."""

    unit: str
    onset: datetime
    at: datetime
    work: str

    @property
    def morning(self) -> datetime:
        """The day of the visit, before it."""
        return self.at.replace(hour=0, minute=0, second=0)


@dataclass(frozen=True)
class Winter:
    """A simulated winter, and a database to copy that knows it up to the day before the fault began."""

    fleet: Fleet
    story: Story
    units: list[str]
    database: str


def story_of(fleet: Fleet) -> Story:
    """Find a unit of the simulated fleet that a start kit mended, with time before and after."""
    for _, truth in fleet.truth.iterrows():
        repairs = truth["repairs"]
        if len(repairs) != 1 or not repairs[0]["right"] or repairs[0]["work"][0] not in KITS:
            continue
        at = datetime.fromisoformat(repairs[0]["at"])
        if FIRST + BEFORE < at < FIRST + timedelta(days=DAYS) - AFTER:
            return Story(truth["unit"], datetime.fromisoformat(truth["onset"]), at, repairs[0]["work"][0])
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


@pytest.fixture(scope="module")
def winter(postgres: str, template_database: str) -> Iterator[Winter]:
    """The winter, simulated once for both widths."""
    fleet = simulate(UNITS, DAYS, SEED, FIRST)
    story = story_of(fleet)
    well = fleet.truth[fleet.truth["cause"] == "none"]["unit"].head(OTHERS).tolist()
    units = [story.unit, *well]

    def fill(conninfo: str) -> None:
        with connect(conninfo) as connection:
            account_id = store.account(connection, ACCOUNT, create=True)
            store.put_units(connection, account_id, fleet.units[fleet.units["unit"].isin(units)])
            told, morning = fleet.forecasts, pd.Timestamp(story.morning)
            lately = (told["issued"] < morning) & (told["issued"] > morning - pd.Timedelta(days=3))
            sites = fleet.units[fleet.units["unit"].isin(units)]["site"]
            store.put_forecasts(connection, account_id, told[lately & told["site"].isin(sites)])
        put(conninfo, fleet, units, FIRST, story.onset - timedelta(days=1))

    with template(postgres, fill, template_database) as database:
        yield Winter(fleet, story, units, database)


def shot(page: Page, name: str) -> None:
    assert page.viewport_size is not None
    OUT.mkdir(exist_ok=True)
    page.screenshot(path=OUT / f"story-{name}-{page.viewport_size['width']}.png", full_page=True)


def read_by_a_phone(page: Page) -> str:
    """Return what a reader of codes that is not ours finds in the picture of a sticker."""
    picture = Image.open(io.BytesIO(page.locator(".sticker").screenshot()))
    (found,) = zxingcpp.read_barcodes(picture)
    return str(found.text)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_unit_drifts_is_called_planned_mended_and_three_weeks_later_the_page_says_that_it_helped(
    browser: Browser, postgres: str, winter: Winter, width: int
) -> None:
    story, fleet = winter.story, winter.fleet
    where = str(fleet.units[fleet.units["unit"] == story.unit].iloc[0]["zone"])
    with copied(postgres, winter.database) as database:
        with serving(app := create_app(ApiSettings(database, ACCOUNT, clock="data"))) as address:
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(f"{address}/people")
            page.get_by_label("Name").fill(KIM)
            page.get_by_role("button", name="Add").click()
            expect(page.get_by_role("rowheader", name=KIM)).to_be_visible()

            # While it is well it stands among the others.
            with page.expect_request("**/calls/events"):
                page.goto(address)
            own = page.locator("li.call", has_text=story.unit)
            expect(own.locator(".c-standing")).to_contain_text("Steady")

            # Weeks and a cold spell later it stands above all that are well, with the cold that is to come. Nobody has
            # loaded the page again.
            put(database, fleet, winter.units, story.onset - timedelta(days=1), story.morning)
            row = page.locator("li.call").first
            expect(row.locator(".c-standing")).not_to_contain_text("Steady", timeout=20_000)
            expect(row.locator(".c-unit a")).to_have_text(story.unit)
            expect(row.locator(".c-outlook")).to_contain_text("low")
            shot(page, "1-appears")

            row.get_by_text("Plan or put off").click()
            row.get_by_label("by").fill(KIM)
            row.get_by_role("button", name="Plan", exact=True).click()
            expect(page.locator("li.call").first.locator(".states")).to_contain_text(KIM)
            shot(page, "2-planned")

            page.goto(f"{address}/stickers?unit={story.unit}")
            read = read_by_a_phone(page)
            assert read == f"{address}/units/{story.unit}"
            page.goto(read)
            expect(page.locator(".states").first).to_contain_text(KIM)
            shot(page, "3-opened-by-its-sticker")

            page.get_by_role("link", name="Log a visit").first.click()
            page.get_by_label(WORK[story.work]).check()
            local = story.at.astimezone(zone(where))
            page.get_by_label("When").fill(local.strftime("%Y-%m-%dT%H:%M"))
            shot(page, "4-logged")
            page.get_by_role("button", name="Log this visit").click()
            page.wait_for_url(f"**/units/{story.unit}#visits")
            expect(page.locator(".visits li")).to_have_count(1)
            expect(page.locator(".visits li")).to_contain_text(KIM)
            expect(page.locator(".fitted li")).to_have_text(f"Start kit, {local:%-d %b %Y}, by {KIM}")
            expect(page.get_by_text(f"Visit {local:%a}")).to_have_count(0)

            put(database, fleet, winter.units, story.morning, story.at + AFTER)
            page.reload()
            said = page.locator(".visits li .changed")
            expect(said).to_contain_text("It helped.")
            expect(said).to_contain_text(f"less than before this visit (90 % interval {MINUS}")
            shot(page, "5-it-helped")
            app.state.ending = lambda: True
            page.close()
        with psycopg.connect(database) as conn:
            assert conn.execute("select count(*) from plan where ended_at is null").fetchone() == (0,)
