"""Make the README's pictures from a running demo: ``python -m tests.browser.pictures http://127.0.0.1:PORT [UNIT]``."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any
from urllib.parse import quote
from urllib.request import urlopen

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import ARGUMENTS, chromium

PICTURES = Path(__file__).resolve().parents[2] / "api" / "pictures"
WIDE, NARROW, HIGH = 1280, 390, 860
COLOURS = 128
"""Colours of a picture: pages have few, and a palette makes a third of the file."""


def asked(address: str) -> Any:
    """Return what stands at an address as JSON."""
    with urlopen(address) as answer:
        return json.load(answer)


def telling(base: str, calls: list[dict[str, Any]]) -> str:
    """Return the first of the call list whose drift is dated by an interval, else the first."""
    for call in calls:
        onset = asked(f"{base}/units/{quote(call['unit'], safe='')}.json")["onset"] if call["run_up"]["alarm"] else None
        if onset and onset["low"] < onset["high"]:
            return str(call["unit"])
    return str(calls[0]["unit"])


def keep(page: Page, name: str) -> None:
    """Write what a page shows."""
    page.wait_for_load_state("networkidle")
    shown = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    shown.quantize(COLOURS, dither=Image.Dither.NONE).save(PICTURES / f"{name}.png", optimize=True)
    print(PICTURES / f"{name}.png")


def main(address: str, unit: str | None = None) -> int:
    """Write the pictures; the unit is one of the call list whose drift is well dated unless one is named."""
    base = address.rstrip("/")
    listed = asked(f"{base}/v1/calls?limit=500")
    calls = listed["items"]
    if not calls or listed["verdicts_late"]:
        waiting = f"{listed['days_waiting']} days still wait to be judged"
        print(f"{waiting}: let the demo play on a while, then try again", file=sys.stderr)
        return 2
    unit = unit or telling(base, calls)
    helped = [c["unit"] for c in calls if c["repair"] and c["repair"]["verdict"] == "helped"]
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        one = f"/units/{quote(unit, safe='')}"
        for name, path, wide in (("call-list", "/", WIDE), ("unit", one, WIDE), ("visit", f"{one}/visit", NARROW)):
            page = browser.new_page(viewport={"width": wide, "height": HIGH})
            page.goto(base + path)
            keep(page, name)
        if helped:
            page = browser.new_page(viewport={"width": WIDE, "height": 640})
            page.goto(f"{base}/units/{quote(helped[0], safe='')}")
            page.locator(".columns").evaluate("e => e.scrollIntoView()")
            keep(page, "helped")
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
