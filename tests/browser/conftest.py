"""A real page in a real browser: an application on loopback over a filled database, and headless Chromium."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, sync_playwright

from api.app import create_app
from api.settings import ApiSettings
from tests.api.conftest import HERE, filled

__all__ = ["filled"]

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
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    app = create_app(ApiSettings(filled, HERE, clock="data"))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < deadline, "the pages did not come up"
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(10)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        yield opened
        opened.close()
