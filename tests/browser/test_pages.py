from __future__ import annotations

import io
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from api.app import create_app
from api.settings import ApiSettings
from ingest import store
from ingest.database import connect
from tests.api import made
from tests.api.conftest import HERE
from tests.api.serving import serving
from tests.bench import bench_pages
from tests.browser.conftest import OUT
from tests.conftest import copied

pytestmark = [pytest.mark.browser, pytest.mark.stack]
WIDTHS = (390, 1280)
PATHS = (
    "/",
    "/?group=site",
    "/units/u-0001",
    "/units/u-0006",
    "/units/u-0004",
    "/units/u-0003",
    "/units/u-0003/assist",
    "/units/u-0001/visit",
    "/units/u-0004/visit",
    "/stickers?q=s-0001",
    "/people",
    "/people/Kim%20Example/notices",
    "/notices",
    "/devices",
    "/settings",
    "/cohorts",
    "/repairs",
    "/intake",
    "/quarantine",
    "/quarantine/1",
    "/patterns",
)


PAPER_PX = 718
"""Width of A4 less margins of 10 mm, at 96 px an inch."""
MAIN = """async (which) => {
  const sent = async () => new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
  return (which === "sent" ? await sent() : document).getElementById("main").textContent;
}"""
CUT_OFF = """(() => {
  const holds = (e) => ["auto", "scroll", "hidden", "clip"].includes(getComputedStyle(e).overflowX);
  const over = (e) => e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1;
  const all = [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility());
  return all.filter((e) => over(e) && (holds(e) || e.matches("th, td"))).map((e) => e.outerHTML.slice(0, 90));
})()"""
"""What is wider than its place: what scrolls sideways or is clipped, and cells that run into the next."""
REACHABLE = """(() => {
  const seen = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length;
  const all = [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")];
  // Of radio buttons with one name the arrows go from one to the next.
  const radios = (e) => e.type !== "radio" || e.checked;
  window.unreached = new Set(all.filter((e) => seen(e) && radios(e) && !e.disabled));
  document.addEventListener("focusin", (event) => unreached.delete(event.target));
  return unreached.size + document.querySelectorAll("[tabindex='0']").length + 2;
})()"""


@pytest.fixture(params=WIDTHS)
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A page of phone and of desk width; whatever it complains of in the console fails the test."""
    context = browser.new_context(viewport={"width": request.param, "height": 900})
    opened = context.new_page()
    complaints: list[str] = []
    opened.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    yield opened
    context.close()
    assert complaints == []


def shot(page: Page, name: str) -> Path:
    assert page.viewport_size is not None
    OUT.mkdir(exist_ok=True)
    path = OUT / f"{name}-{page.viewport_size['width']}.png"
    page.screenshot(path=path, full_page=True)
    return path


@pytest.mark.parametrize("path", PATHS)
def test_a_page_fits_its_width_scrolls_nowhere_sideways_asks_nobody_else_and_satisfies_the_accessibility_checker(
    page: Page, address: str, path: str
) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address + path, wait_until="load")
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("innerWidth")
    assert page.evaluate(CUT_OFF) == []
    assert all(url.startswith((address, "data:")) for url in asked)
    here = page.locator(".top nav [aria-current]")
    if box := here.bounding_box() if here.count() else None:
        assert 0 <= box["x"] <= page.evaluate("innerWidth") - box["width"]
    assert shot(page, path.strip("/?").replace("/", "-").replace("=", "-") or "calls").stat().st_size > 10_000
    for details in page.locator("details").all():
        details.evaluate("d => d.open = true")
    assert page.evaluate(CUT_OFF) == []
    assert serious_findings(page) == []
    # What is on the page is there without a script. Numbers tell how long ago something was.
    sent, shown = (re.sub(r"[\s\d]+", " ", page.evaluate(MAIN, where)) for where in ("sent", "shown"))
    assert sent == shown


@pytest.mark.parametrize("path", PATHS)
def test_all_that_answers_to_a_click_is_in_reach_of_the_tab_key_and_nothing_is_cut_off_on_paper(
    browser: Browser, address: str, path: str
) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(address + path)
    count = page.evaluate(REACHABLE)
    assert count > 10
    # The parts of a date's field are reached one by one.
    for _ in range(count + 8 * page.locator("input[type=date], input[type=time], input[type=datetime-local]").count()):
        page.keyboard.press("Tab")
    assert page.evaluate("[...unreached].map((e) => e.outerHTML.slice(0, 90))") == []
    page.set_viewport_size({"width": PAPER_PX, "height": 900})
    page.emulate_media(media="print")
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER_PX
    assert page.locator("h1, .sticker").locator("visible=true").count() > 0
    assert page.locator(".top nav, .skip, .search").locator("visible=true").count() == 0
    cut = "[...document.querySelectorAll('.scroll')].filter((e) => e.scrollWidth > e.clientWidth + 1).length"
    assert page.evaluate(cut) == 0
    page.close()


def test_a_name_as_long_as_is_allowed_breaks_and_does_not_widen_a_page(browser: Browser, small: str) -> None:
    name = "W" * 200
    with connect(small) as connection:
        connection.execute("update unit set unit = %s, model = %s where unit = 'u-0001'", (name, name))
    with serving(create_app(ApiSettings(small, HERE, clock="data"))) as at:
        page = browser.new_page(viewport={"width": 390, "height": 800})
        for path in ("/", "/cohorts", f"/units/{name}", f"/units/{name}/visit", f"/units/{name}-none"):
            page.goto(at + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            assert page.evaluate(CUT_OFF) == []
        page.close()


def test_an_address_that_leads_nowhere_says_so_in_a_page_that_satisfies_the_checker_too(
    browser: Browser, address: str
) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(f"{address}/units/no-such")
    assert "no unit" in page.locator(".lead").inner_text()
    assert serious_findings(page) == []
    page.close()


def serious_findings(page: Page) -> list[tuple[str, list[str]]]:
    """Return what the accessibility checker finds serious or critical."""
    found = Axe().run(page)
    assert found.response["passes"]
    return [
        (v["id"], [n["html"][:120] for n in v["nodes"]][:3])
        for v in found.response["violations"]
        if v["impact"] in ("serious", "critical")
    ]


def test_a_faulty_unit_stands_above_a_healthy_one_and_its_rule_shows_it(page: Page, address: str) -> None:
    page.goto(address)
    assert page.title().startswith("(1 down) Call list")
    down = page.locator("li.call", has_text="u-0001").bounding_box()
    steady = page.locator("li.call", has_text="u-0009").bounding_box()
    assert down is not None
    assert steady is not None
    assert down["y"] < steady["y"]
    row = page.locator("li.call", has_text="u-0001")
    band, mark = (row.locator(f"svg.rule .r-{part}").bounding_box() for part in ("band", "mark"))
    assert band is not None
    assert mark is not None
    assert mark["x"] > band["x"] + band["width"]
    healthy = page.locator("li.call", has_text="u-0009")
    band, mark = (healthy.locator(f"svg.rule .r-{part}").bounding_box() for part in ("band", "mark"))
    assert band is not None
    assert mark is not None
    assert band["x"] <= mark["x"] + mark["width"] / 2 <= band["x"] + band["width"]


def test_the_rules_stand_under_each_other_on_one_scale(page: Page, address: str) -> None:
    page.goto(address)
    boxes = [box for r in page.locator("li.call svg.rule .r-line").all() if (box := r.bounding_box())]
    assert len(boxes) == 16
    assert max(b["x"] for b in boxes) - min(b["x"] for b in boxes) < 1
    assert max(b["width"] for b in boxes) - min(b["width"] for b in boxes) < 1
    assert boxes[0]["width"] > 200


def test_every_kind_of_chart_answers_to_the_pointer_with_a_script_of_our_own_origin(page: Page, address: str) -> None:
    for path, kinds in (
        ("/units/u-0004", ("run-up.json", "by-temperature.json", "by-rest.json", "wave.json")),
        ("/units/u-0003", ("rests.json",)),
        ("/units/u-0003/assist", ("assist-chart.json",)),
    ):
        page.goto(address + path)
        for kind in kinds:
            figure = page.locator(f"figure.chart[data-spec*='{kind}']").first
            figure.scroll_into_view_if_needed()
            figure.hover()
            canvas = figure.locator(".drawn canvas")
            canvas.wait_for(timeout=45_000)
            assert figure.locator("picture").is_hidden()
            box, room = canvas.bounding_box(), figure.bounding_box()
            assert box is not None
            assert room is not None
            assert 250 < box["width"] <= room["width"] + 1, kind


def test_the_keyboard_alone_reaches_a_unit_and_logs_the_way_back(page: Page, address: str) -> None:
    page.goto(address)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") == "q"
    page.keyboard.type("u-0001")
    page.keyboard.press("Enter")
    page.wait_for_url("**q=u-0001*")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('href')") == "/units/u-0001":
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/units/u-0001")
    assert page.locator("h1").inner_text().startswith("u-0001")


def tab_to(page: Page, selector: str) -> None:
    """Press the tab key until what is selected has the focus."""
    for _ in range(80):
        if page.evaluate("(s) => document.activeElement.matches(s)", selector):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"the tab key does not come to {selector}")


def test_the_keyboard_alone_plans_a_visit_and_logs_it(page: Page, small: str) -> None:
    app = create_app(ApiSettings(small, HERE, clock="data"))
    with serving(app) as address:
        page.goto(f"{address}/people")
        tab_to(page, "#name")
        page.keyboard.type("Kim Example")
        page.keyboard.press("Enter")
        page.get_by_role("rowheader", name="Kim Example").wait_for()
        page.goto(address)
        tab_to(page, "li.call.is-down summary")
        page.keyboard.press("Enter")
        tab_to(page, "li.call.is-down [name=person]")
        page.keyboard.type("Kim Example")
        tab_to(page, "li.call.is-down button[value=plan]")
        page.keyboard.press("Enter")
        page.locator("li.call.is-down .states", has_text="Kim Example").wait_for()
        tab_to(page, "li.call.is-down .c-unit a")
        page.keyboard.press("Enter")
        page.wait_for_url("**/units/u-0001")
        tab_to(page, "a[href$='/visit']")
        page.keyboard.press("Enter")
        page.wait_for_url("**/visit")
        tab_to(page, "[name=work][value=run_capacitor]")
        page.keyboard.press("Space")
        tab_to(page, "form.visit button")
        page.keyboard.press("Enter")
        page.wait_for_url("**/units/u-0001#visits")
        assert page.locator(".visits li").count() == 2
        assert "by Kim Example" in page.locator(".visits li").first.inner_text()
        app.state.ending = lambda: True


def test_the_arrows_go_from_unit_to_unit_and_x_into_the_form_of_a_row(page: Page, address: str) -> None:
    page.goto(address)
    page.locator("li.call .c-unit a").first.focus()
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.textContent") == "u-0008"
    page.keyboard.press("x")
    assert page.evaluate("document.activeElement.textContent") == "Seen"
    row = page.locator("li.call", has_text="u-0008")
    assert row.get_by_label("Put off until").is_visible()
    page.keyboard.press("x")
    assert row.get_by_label("Put off until").is_hidden()
    page.keyboard.press("ArrowUp")
    assert page.evaluate("document.activeElement.textContent") == "u-0001"


READABLE = """new Promise((resolve) => {
  const largest = new PerformanceObserver((list) => {
    const first = performance.getEntriesByName("first-contentful-paint")[0].startTime;
    resolve({ first, largest: list.getEntries().at(-1).startTime });
  });
  largest.observe({ type: "largest-contentful-paint", buffered: true });
})"""


def on_a_slow_phone(browser: Browser, at: str) -> tuple[Page, dict[str, float], dict[str, float]]:
    """Open a page on 400 kbit/s with 150 ms latency and a quarter of the processor's speed.

    Returns the page, its first and its largest contentful paint [ms], and the bytes carried by kind.
    """
    page = browser.new_context(viewport={"width": 390, "height": 800}).new_page()
    devtools = page.context.new_cdp_session(page)
    devtools.send("Network.enable")
    slow = {"offline": False, "latency": 150, "downloadThroughput": 400_000 / 8, "uploadThroughput": 400_000 / 8}
    devtools.send("Network.emulateNetworkConditions", slow)
    devtools.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    kinds: dict[str, str] = {}
    carried: dict[str, float] = {}

    def done(told: dict[str, Any]) -> None:
        kind = kinds.get(told["requestId"], "other")
        carried[kind] = carried.get(kind, 0) + told["encodedDataLength"]

    devtools.on("Network.responseReceived", lambda told: kinds.update({told["requestId"]: told["type"]}))
    devtools.on("Network.loadingFinished", done)
    page.goto(at, wait_until="load")
    return page, page.evaluate(READABLE), carried


@pytest.fixture(scope="module")
def many(postgres: str, template_database: str) -> Iterator[str]:
    """The address of the pages of an account of 1,600 units."""
    with copied(postgres, template_database) as database:
        bench_pages.fill(database, units=1_600, heard=400)
        with serving(create_app(ApiSettings(database, bench_pages.ACCOUNT, clock="data"))) as address:
            yield address


@pytest.mark.parametrize(("path", "text"), [("/", "li.call"), ("/units/u-9", "#why + ul li")])
def test_among_1600_units_a_page_on_a_slow_phone_is_readable_within_three_seconds_and_light(
    browser: Browser, many: str, path: str, text: str
) -> None:
    # The phone is what is slow here, not a server that has only just started.
    assert httpx2.get(many + path).status_code == 200
    page, painted_ms, carried = on_a_slow_phone(browser, many + path)
    OUT.mkdir(exist_ok=True)
    with (OUT / "slow-phone.txt").open("a") as out:
        out.write(f"{path}: {painted_ms} ms, {carried} bytes\n")
    assert page.locator(text).first.is_visible()
    if path == "/":
        assert page.locator("li.call").count() == 50
        assert "of 1600 units" in page.locator(".lead").inner_text()
        assert page.get_by_role("link", name="Next page").count() == 1
    # Pictures come when somebody has scrolled to them.
    assert sum(size for kind, size in carried.items() if kind != "Image") < 150_000
    # Other work on the machine is part of the time; the limit is what the phone's owner would bear.
    assert painted_ms["largest"] < 3_000
    page.context.close()


def test_without_script_the_list_filters_and_the_chart_is_a_picture(browser: Browser, address: str) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 900})
    page = context.new_page()
    page.goto(address)
    page.get_by_role("link", name="Service").click()
    assert page.locator("li.call").count() == 2
    page.goto(f"{address}/units/u-0001")
    picture = page.locator("figure.chart img").first
    picture.scroll_into_view_if_needed()
    page.wait_for_load_state("networkidle")
    assert picture.is_visible()
    assert page.locator(".cautions").get_by_text("Prove dead").is_visible()
    shot(page, "unit-without-script")
    context.close()


def test_print_leaves_the_findings_and_drops_the_controls(browser: Browser, address: str) -> None:
    page = browser.new_page()
    page.goto(f"{address}/units/u-0001")
    page.emulate_media(media="print")
    assert page.locator(".cautions").get_by_text("Prove dead").is_visible()
    assert page.locator("svg.rule-head").is_visible()
    assert page.locator(".log").first.is_hidden()
    assert page.locator("nav").first.is_hidden()
    printed = page.pdf(format="A4", print_background=False)
    assert printed.startswith(b"%PDF")
    page.close()


def test_what_is_typed_without_a_signal_is_kept_and_sent_once_when_it_is_back(browser: Browser, small: str) -> None:
    app = create_app(ApiSettings(small, HERE, clock="data"))
    with serving(app) as address:
        context = browser.new_context(viewport={"width": 390, "height": 800})
        page = context.new_page()
        page.goto(f"{address}/units/u-0002/visit")
        page.get_by_label("start kit fitted").check()
        page.locator("[name=reading_run_cap_uf]").fill("39.8")
        page.get_by_label("Note").fill("fits well")
        # The tab is closed before anything was sent; what was typed is there again.
        page.close()
        page = context.new_page()
        page.goto(f"{address}/units/u-0002/visit")
        assert page.get_by_label("start kit fitted").is_checked()
        assert page.get_by_label("Note").input_value() == "fits well"
        page.get_by_label("Rating plate").set_input_files(
            files=[{"name": "plate.png", "mimeType": "image/png", "buffer": plate()}]
        )
        context.set_offline(True)
        page.get_by_role("button", name="Log this visit").click()
        page.get_by_text("No signal: the visit is kept on this phone").wait_for()
        shot(page, "visit-without-signal")
        assert httpx2.get(f"{address}/v1/units/u-0002/visits").json()["items"] == []
        context.set_offline(False)
        deadline = time.monotonic() + 20
        while not (items := httpx2.get(f"{address}/v1/units/u-0002/visits").json()["items"]):
            assert time.monotonic() < deadline, "the visit was not sent"
            time.sleep(0.1)
        assert [(i["work"], i["readings"], i["note"]) for i in items] == [
            (["start_kit_fitted"], {"run_cap_uf": 39.8}, "fits well")
        ]
        (kept,) = httpx2.get(f"{address}/v1/units/u-0002/photos").json()["items"]
        assert kept["media_type"] == "image/jpeg"
        page.goto(f"{address}/units/u-0002/visit")
        assert page.get_by_label("Note").input_value() == ""
        assert page.evaluate("localStorage.getItem('halfsecond.outbox')") == "[]"
        context.close()
        app.state.ending = lambda: True


def test_a_visit_is_logged_with_script_off(browser: Browser, small: str) -> None:
    with serving(create_app(ApiSettings(small, HERE, clock="data"))) as address:
        context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 800})
        page = context.new_page()
        page.goto(f"{address}/units/u-0001")
        page.get_by_role("link", name="Log a visit").first.click()
        page.get_by_label("run capacitor replaced").check()
        page.get_by_role("button", name="Log this visit").click()
        assert page.url.endswith("/units/u-0001#visits")
        assert page.locator(".visits li").count() == 2
        context.close()


def plate() -> bytes:
    """A picture larger than what a phone should send."""
    out = io.BytesIO()
    Image.effect_noise((3000, 2000), 60).save(out, "png")
    return out.getvalue()


def test_a_new_arrival_appears_without_reloading(browser: Browser, small: str) -> None:
    app = create_app(ApiSettings(small, HERE, clock="data"))
    with serving(app) as address:
        page = browser.new_page()
        page.goto(address)
        assert page.title().startswith("(1 down)")
        with page.expect_request("**/calls/events"):
            pass
        with connect(small) as connection:
            account_id = store.account(connection, HERE)
            body = json.dumps(made.SCENES[0] | {"unit": "u-0002"}).encode()
            store.put_verdicts(connection, account_id, [store.VerdictRow("u-0002", made.NOW, "down", 1e3, body)])
        page.locator("li.call.is-down", has_text="u-0002").wait_for(timeout=15_000)
        expect(page).to_have_title(re.compile(r"^\(2 down\)"))
        page.close()
        app.state.ending = lambda: True
