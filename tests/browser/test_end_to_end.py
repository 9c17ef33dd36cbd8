"""From the wire or a measured file through the database and the verdicts to the page, each part as users run it."""

from __future__ import annotations

import gzip
import json
import re
import statistics
import time
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from api.app import create_app
from api.settings import ApiSettings
from deploy.cli import main
from deploy.demo import winter
from ingest.files import read
from simulator.fleet import simulate
from tests.api.serving import serving
from tests.deploy.running import run

pytestmark = [pytest.mark.browser, pytest.mark.stack, pytest.mark.slow]

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "heatpump_lab_1min.csv.gz"
UNITS, DAYS, SEED = 24, 90, 12


def told(address: str) -> Any:
    with urllib.request.urlopen(address, timeout=20) as answer:
        return json.load(answer)


def _taken(address: str) -> int:
    """Return how many starts, rests and events intake has taken; a status is only received."""
    hour = told(f"{address}intake.json")["last_hour"]
    return int(hour["stored"] + hour["doubles"] + hour["quarantined"])


def _all_judged(address: str, records: int, end: datetime) -> None:
    """Wait until intake has taken so many records and no day of them waits to be judged.

    Before that the watch is still working its way through the winter: starts, visits and forecasts come in their own
    time, and it judges anew the days that they touch.
    """
    deadline = time.monotonic() + 180
    while _taken(address) < records:
        assert time.monotonic() < deadline, f"intake took {_taken(address)} of {records} records"
        time.sleep(0.5)
    while (listed := told(f"{address}v1/calls"))["days_waiting"]:
        assert time.monotonic() < deadline, f"{listed['days_waiting']} days still wait to be judged"
        time.sleep(0.5)
    assert listed["as_of"] >= (end - timedelta(hours=1)).isoformat()[:16]


def test_the_demos_call_list_has_a_faulty_unit_above_the_healthy_ones(browser: Browser, data_folder: Path) -> None:
    arguments = ["demo", "--units", str(UNITS), "--days", str(DAYS), "--seed", str(SEED), "--speed", "1000000"]
    with run(arguments, data_folder) as running:
        address = running.wait_for("Halfsecond is at").removeprefix("Halfsecond is at ").strip()
        over = running.wait_for("the winter is over", 180)
        first, end = winter(DAYS, datetime.now(UTC))
        _all_judged(address, int(re.sub(r"\D", "", over)), end)
        truth = simulate(UNITS, DAYS, SEED, first).truth.set_index("unit")
        mended = truth["repairs"].map(lambda repairs: any(r["right"] for r in repairs))
        healthy = set(truth.index[truth["cause"] == "none"])
        # What was rightly repaired is faulty no more.
        faulty = set(truth.index[(truth["cause"] != "none") & ~mended])
        assert faulty
        assert healthy
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(address)
        rows = page.locator("li.call").all_inner_texts()
        listed = page.locator("li.call .c-unit a").all_inner_texts()
        assert len(listed) == len(rows) == UNITS
        assert listed[0] in faulty
        assert "Steady" not in rows[0]
        places = {unit: place for place, unit in enumerate(listed)}
        assert max(places[u] for u in faulty) < statistics.median(places[u] for u in healthy)
        page.close()


@pytest.mark.published
def test_the_measured_power_logs_starts_are_on_the_units_page(browser: Browser, database: str, tmp_path: Path) -> None:
    # Measured on a real compressor: tests/data/measured/SOURCES.md.
    assert main(["account", "add", "lab", "--database", database]) == 0
    options = ["--unit", "case", "--at", "day,time", "--at-format", "%m/%d %H:%M", "--year", "2022", "--zone", "UTC"]
    options += ["--power", "outdoor_unit_w", "--outdoor", "oat_c"]
    load = ["load", "power-log", str(MEASURED), *options]
    assert main([*load, "--database", database, "--account", "lab"]) == 0
    assert main([*load, "--out", str(tmp_path / "starts.ndjson")]) == 0
    starts, _ = read("starts", [tmp_path / "starts.ndjson"])
    with gzip.open(MEASURED, "rt") as log:
        assert "Atlanta/Shed/DenseOcc" in log.read()
    expected = starts[starts["unit"] == "Atlanta/Shed/DenseOcc"].sort_values("at", ascending=False)
    with serving(create_app(ApiSettings(database, "lab", clock="data"))) as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(f"{address}/units/Atlanta/Shed/DenseOcc")
        section = page.locator("section", has=page.get_by_role("heading", name="Latest starts"))
        shown = section.locator("tbody tr").all_inner_texts()
        assert len(shown) == 12
        for row, (_, start) in zip(shown, expected.head(12).iterrows(), strict=True):
            assert row.startswith(f"{start['at']:%-d %b %H:%M}")
            assert f"{start['off_s'] / 60:.0f} min" in row
        page.close()
        items = told(f"{address}/v1/units/Atlanta/Shed/DenseOcc/starts?limit=500")["items"]
        assert len(items) == len(expected)
