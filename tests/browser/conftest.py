"""One server and one browser for all browser tests of a worker."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from tests.browser.driving import chromium, launched, served
from tests.dashboard.invented import write_crew


@pytest.fixture(scope="session")
def shown_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_crew(tmp_path_factory.mktemp("shown"))


@pytest.fixture(scope="session")
def address(shown_folder: Path) -> Iterator[str]:
    with served(shown_folder) as where:
        yield where


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if chromium() is None:
        pytest.skip("no Chromium on this machine: install one to run the browser tests")
    expect.set_options(timeout=30_000)  # a loaded machine draws slowly; waiting costs nothing else
    with sync_playwright() as playwright:
        started = launched(playwright)
        yield started
        started.close()
