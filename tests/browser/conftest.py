"""A browser without a window, and the pages that it looks at.

Where there is no browser, or selenium is not installed, these tests are skipped with the reason; with
DRIFTGATE_BROWSER=required they fail. `nox -s browser` installs all that they need but the browser itself.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import pytest

HERE = Path(__file__).resolve().parent
for folder in ("gate", "report"):
    sys.path.insert(0, str(HERE.parent / folder))

REQUIRED = os.environ.get("DRIFTGATE_BROWSER") == "required"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)
HOSTILE_TITLE = "Dash <b>bold</b> & <script>alert(1)</script>"


def absent(why: str) -> NoReturn:
    """Skip a test for what is not there, or fail it where that has to be there."""
    if REQUIRED:
        pytest.fail(why, pytrace=False)
    pytest.skip(why)


@dataclass(frozen=True)
class Page:
    """A page that was written, and what the JSON report of the same run says (None: no such run)."""

    path: Path
    told: Any = None

    @property
    def address(self) -> str:
        """Its address."""
        return self.path.as_uri()


class Browser:
    """A browser that says what it fetched and complained about."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Page, *, width: int = 1200, height: int = 900, **media: str) -> None:
        """Open a page in a window of a size, with media features such as prefers_color_scheme="dark"."""
        self.driver.get("about:blank")
        for log in ("browser", "performance"):
            self.driver.get_log(log)
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        features = [{"name": name.replace("_", "-"), "value": value} for name, value in media.items()]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
        self.driver.get(page.address)

    def fetched(self) -> list[str]:
        """Return every address that was asked for since the page was opened."""
        messages = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        asked = [
            m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"
        ]
        return [address for address in asked if address != "about:blank"]

    def complaints(self) -> list[str]:
        """Return what the console has, refused policies included."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a script in the page and return what it returns."""
        return self.driver.execute_script(script, *arguments)

    def printed(self, tries: int = 5) -> str:
        """Return the page as a PDF, in base64.

        Chromium's printing runs in a process of its own, which now and then is just ending from the print
        before ("Printing failed"). A page that cannot be printed fails every time.
        """
        from selenium.common.exceptions import WebDriverException

        for left in reversed(range(tries)):
            try:
                found = self.driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": False})
                return str(found["data"])
            except WebDriverException as error:
                if left == 0 or "Printing failed" not in str(error):
                    raise
            time.sleep(1.0)
        raise AssertionError("no try")

    def all(self, selector: str) -> list[Any]:
        """Return the elements of a selector."""
        return list(self.driver.find_elements("css selector", selector))

    def one(self, selector: str) -> Any:
        """Return the first element of a selector."""
        return self.driver.find_element("css selector", selector)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Return a browser for the whole session."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    server = shutil.which("chromedriver")
    if program is None or server is None:
        absent("no Chromium with its chromedriver was found")
    try:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
    except ImportError:
        absent("selenium is not installed: nox -s browser")
    options = webdriver.ChromeOptions()
    options.binary_location = str(program)
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(server))
    try:
        yield Browser(driver)
    finally:
        driver.quit()


def _checked(folder: Path, name: str, *edits: tuple[str, str, str]) -> Page:
    """Check a routine of a copy of Glasshouse, alone, and return its page."""
    from glasshouse import copy_glasshouse

    house = copy_glasshouse(folder).alone(name)
    for file, old, new in edits:
        house.edit(file, (old, new))
    command = [sys.executable, "-m", "driftgate", "check", f"routines/{name}.yaml", "--no-cache"]
    command += ["--quiet", "--workers", "1", "--report", "html=page.html", "--report", "json=told.json"]
    environment = {**os.environ, "PYTHONPATH": str(HERE.parents[1] / "pipeline")}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return Page(folder / "page.html", json.loads((folder / "told.json").read_text()))


@pytest.fixture(scope="session")
def passing(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """Return the page of a routine that passes."""
    return _checked(tmp_path_factory.mktemp("passing"), "corner-dash")


@pytest.fixture(scope="session")
def failing(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """Return the page of one that counts metres badly, with a saucer in its way and markup for a title."""
    return _checked(
        tmp_path_factory.mktemp("failing"),
        "corner-dash",
        ("routines/robots/wren.yaml", "distance_scale: {spread: 0.6 %", "distance_scale: {spread: 1.6 %"),
        ("fieldmaps/hall.yaml", "at: {x: 2.95 m, y: 180 mm}", "at: {x: 2.95 m, y: 560 mm}"),
        ("routines/corner-dash.yaml", "title: Corner dash", f"title: '{HOSTILE_TITLE}'"),
    )


@pytest.fixture(scope="session")
def infeasible(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """Return the page of a routine that cannot be driven in its time."""
    edit = ("routines/corner-dash.yaml", "time_limit: 6 s", "time_limit: 1 s")
    return _checked(tmp_path_factory.mktemp("infeasible"), "corner-dash", edit)


@pytest.fixture(scope="session")
def night_page(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """Return the page of a night."""
    from made_nights import report

    from driftgate.report.night_html import render_night_html

    path = tmp_path_factory.mktemp("night") / "night.html"
    path.write_text(render_night_html(report()), encoding="utf-8")
    return Page(path)


@pytest.fixture(params=["passing", "failing", "infeasible", "night_page"])
def any_page(request: pytest.FixtureRequest) -> Page:
    """Return every page in turn."""
    page: Page = request.getfixturevalue(request.param)
    return page
