"""A real page in a real browser: an application on loopback over a filled database, and headless Chromium."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from api.app import create_app
from api.settings import ApiSettings
from tests.api.conftest import HERE, filled, small, small_database
from tests.api.serving import serving

__all__ = ["filled", "small", "small_database"]

OUT = Path(__file__).parent.parent / "out"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def chromium() -> str:
    """Return the path of the installed Chromium."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found is not None, "Chromium is not installed"
    return found


@pytest.fixture(scope="session")
def address(filled: str) -> Iterator[str]:
    """The address of the pages, served on a free port of the loopback."""
    with serving(create_app(ApiSettings(filled, HERE, clock="data"))) as at:
        yield at


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        yield opened
        opened.close()
