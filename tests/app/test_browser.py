"""The pages in a real browser: served, drawn, and the selection in the address."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright
from playwright.sync_api import TimeoutError as PlaywrightTimeout

from app.cli import main
from app.commands.serve import HOST, PLANT_VARIABLE, command
from app.commands.studies import STUDIES
from tests.app.small import DAY, write_log, write_small_plant

pytestmark = pytest.mark.browser
WAIT_MS = 60_000
LONG_DAY = "2026-10-24"  # the night after it has the hour from 02:00 twice
EARLY = f"?cell=cell1&day={DAY}&shift=early"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.fail("the page tests need Chromium:  apt-get install chromium")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-dev-shm-usage"])
        yield running
        running.close()


NIGHT = """
[[shifts]]
name = "night"
start = "22:00"
end = "06:00"
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The pages of the small plant and of a night shift into the 25-hour day, served as the command does."""
    folder = write_small_plant(tmp_path_factory.mktemp("browser") / "plant")
    with (folder / "plant.toml").open("a", encoding="utf-8") as plant:
        plant.write(NIGHT)
    write_log(folder, LONG_DAY)
    assert main(["ingest", "--plant", str(folder)]) == 0
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    env = os.environ | {PLANT_VARIABLE: str(folder), "PYTHONFAULTHANDLER": "1"}
    said = folder.with_name("server.log")
    with said.open("wb") as log:
        server = subprocess.Popen(command(port), env=env, stdout=log, stderr=subprocess.STDOUT)
    try:
        until = time.monotonic() + 60
        while not _answers(f"http://{HOST}:{port}/_stcore/health"):
            if server.poll() is not None or time.monotonic() > until:
                pytest.fail(f"the pages are not served:\n{said.read_text(encoding='utf-8', errors='replace')}")
            time.sleep(0.2)
        yield f"http://{HOST}:{port}"
        if server.poll() is not None:
            pytest.fail(f"the server ended by itself:\n{said.read_text(encoding='utf-8', errors='replace')}")
    finally:
        server.terminate()
        server.wait(timeout=20)


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def opened(browser: Browser, url: str, width: int) -> Page:
    page = browser.new_page(viewport={"width": width, "height": 1000}, timezone_id="Asia/Tokyo")
    page.set_default_timeout(WAIT_MS)
    page.goto(url)
    try:
        page.get_by_text("Wheel: zoom").wait_for()
    except PlaywrightTimeout:
        pytest.fail(f"the page is not drawn to its end; it says:\n{page.inner_text('body')}")
    return page


def drawn(page: Page) -> None:
    """Both charts are there and nothing went wrong."""
    expect(page.locator(".stVegaLiteChart .marks")).to_have_count(2, timeout=WAIT_MS)
    expect(page.locator(".stVegaLiteChart")).to_have_count(2, timeout=WAIT_MS)
    expect(page.locator("[data-testid=stException]")).to_have_count(0)
    measure = "charts => charts.map(chart => [chart.clientWidth, chart.clientHeight])"
    sizes = page.locator(".stVegaLiteChart").evaluate_all(measure)
    assert all(width > 300 and height > 50 for width, height in sizes), sizes


@pytest.mark.parametrize("width", [1440, 800])
def test_another_shift_is_chosen_and_the_address_says_so(browser, address, width):
    page = opened(browser, f"{address}/{EARLY}", width)
    drawn(page)
    page.get_by_role("combobox").nth(2).click()
    page.get_by_role("option", name="late").click()
    page.get_by_text("late shift 14:00–22:00 Europe/Berlin").wait_for()
    assert "shift=late" in page.url
    drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_a_link_opens_where_it_was_copied(browser, address):
    page = opened(browser, f"{address}/{EARLY}&line=breakdown", 1440)
    page.get_by_text("own stop at or above the micro-stop limit").wait_for()
    page.get_by_role("button", name="breakdown").click()
    page.get_by_text("own stop at or above the micro-stop limit").wait_for(state="detached")
    assert "line=" not in page.url
    page.close()


def labels(page: Page) -> list[str]:
    """What the axes of the first chart say, one text for each line of a label."""
    drawn(page)
    return page.locator(".stVegaLiteChart svg.marks .role-axis-label text").all_text_contents()


def test_the_axis_shows_the_plants_time_whatever_the_browsers_zone(browser, address):
    """The browser runs in Tokyo: the shift in Berlin still begins at 06:00 and ends at 14:00."""
    page = opened(browser, f"{address}/{EARLY}", 1440)
    words = labels(page)
    assert "06:00" in words
    assert "14:00" in words
    page.close()


def test_the_axis_shows_the_doubled_hour_twice_with_its_offsets(browser, address):
    page = opened(browser, f"{address}/?cell=cell1&day={LONG_DAY}&shift=night", 1440)
    words = " ".join(labels(page))
    assert "02:00+02:00" in words.replace(" ", "")
    assert "02:00+01:00" in words.replace(" ", "")
    page.close()


@pytest.mark.parametrize("width", [1440, 800])
def test_every_analysis_has_a_page_that_is_drawn_and_asks_nobody_else(browser, address, width):
    page = browser.new_page(viewport={"width": width, "height": 1000})
    page.set_default_timeout(WAIT_MS)
    asked: set[str] = set()
    page.on("request", lambda request: asked.add(request.url))
    for study in STUDIES:
        page.goto(f"{address}/{study.NAME}?cell=cell1&day={DAY}")
        page.locator(".tb-finding").wait_for()
        page.get_by_text("How this is computed").wait_for()
        expect(page.locator("[data-testid=stException]")).to_have_count(0)
        expect(page.get_by_text("Page not found")).to_have_count(0)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, study.NAME
    page.close()
    assert all(url.startswith((address, address.replace("http", "ws"), "data:", "blob:")) for url in asked), asked
