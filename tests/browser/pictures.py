"""Make the README's pictures from a running demo: ``python -m tests.browser.pictures http://127.0.0.1:PORT [UNIT]``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from urllib.parse import quote
from urllib.request import urlopen

from playwright.sync_api import sync_playwright

from tests.browser.conftest import ARGUMENTS, chromium

PICTURES = Path(__file__).resolve().parents[2] / "api" / "pictures"
WIDE, NARROW, HIGH = 1280, 390, 860


def main(address: str, unit: str | None = None) -> int:
    """Write the pictures; the unit is the first of the call list unless one is named."""
    base = address.rstrip("/")
    with urlopen(f"{base}/v1/calls?limit=500") as answer:
        calls = json.load(answer)["items"]
    if not calls:
        print("no unit has been judged yet: let the demo play on a while, then try again", file=sys.stderr)
        return 2
    unit = unit or str(calls[0]["unit"])
    helped = [c["unit"] for c in calls if c["repair"] and c["repair"]["verdict"] == "helped"]
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        one = f"/units/{quote(unit, safe='')}"
        for name, path, wide in (("call-list", "/", WIDE), ("unit", one, WIDE), ("visit", f"{one}/visit", NARROW)):
            page = browser.new_page(viewport={"width": wide, "height": HIGH})
            page.goto(base + path)
            page.wait_for_load_state("networkidle")
            page.screenshot(path=PICTURES / f"{name}.png")
            print(PICTURES / f"{name}.png")
        if helped:
            page = browser.new_page(viewport={"width": WIDE, "height": 640})
            page.goto(f"{base}/units/{quote(helped[0], safe='')}")
            page.locator(".columns").evaluate("e => e.scrollIntoView()")
            page.wait_for_load_state("networkidle")
            page.screenshot(path=PICTURES / "helped.png")
            print(PICTURES / "helped.png")
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
