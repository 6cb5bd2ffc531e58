"""A front end of its own and a real browser, for tests and screenshots."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page, expect, sync_playwright

from sim.cli import front_end_command

ROOT = Path(__file__).resolve().parents[2]
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)


@contextmanager
def front_end() -> Iterator[str]:
    """The address of a front end that serves until the block ends."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    environment = os.environ | {"STREAMLIT_SERVER_HEADLESS": "true", "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        front_end_command(port), cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as server:
        try:
            _wait_for(f"http://127.0.0.1:{port}/_stcore/health")
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()


def _wait_for(address: str) -> None:
    last_moment_s = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except OSError:
            if time.monotonic() > last_moment_s:
                raise
            time.sleep(0.2)


@contextmanager
def browser(chromium: str) -> Iterator[Browser]:
    """The browser at a path."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
        yield started
        started.close()


def settled(page: Page, timeout_ms: float = 30_000) -> None:
    """Wait until the front end has drawn what was asked for."""
    expect(page.locator("[data-testid=stApp][data-test-script-state=notRunning]")).to_be_visible(timeout=timeout_ms)


def button(page: Page, name: str) -> None:
    """Press a button by its words, and wait for the page."""
    page.get_by_role("button", name=name, exact=True).first.click()
    settled(page)


def panel(page: Page, name: str) -> None:
    """Open a panel of the bay."""
    page.locator(".st-key-panel").get_by_text(name, exact=True).click()
    settled(page)
