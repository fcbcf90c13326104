"""Debian's Chromium, headless and without a network, for looking at pages as a person would."""

from __future__ import annotations

import base64
import json
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

AXE = Path(
    os.environ.get("COILWRIGHT_AXE")
    or Path(__file__).parents[2] / "node_modules/axe-core/axe.min.js"
)
"""The accessibility checker axe-core, as `npm install --no-save axe-core` lays it down."""

PHONE, DESK = (390, 844), (1280, 900)


def missing() -> str:
    """What is missing for these tests; empty where nothing is."""
    for program in ("chromium", "chromedriver"):
        if shutil.which(program) is None:
            return f"needs {program} (Debian packages chromium, chromium-driver)"
    return "" if AXE.exists() else f"needs axe-core: no {AXE} (npm install --no-save axe-core)"


@contextmanager
def chromium(profile: Path, *, loopback: bool = False) -> Iterator[Browser]:
    """A browser with an empty profile; skips, or fails in CI, where something is missing.

    With `loopback` it reaches this computer's own ports, unasked: what newer ones ask their user.
    """
    lacking = missing()
    if lacking:
        if os.environ.get("CI"):
            pytest.fail(lacking)
        pytest.skip(lacking)
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for switch in (
        "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run",
        "disable-background-networking", "disable-component-update", "disable-sync",
        "disable-dev-shm-usage", "proxy-server=127.0.0.1:9",
        "host-resolver-rules=MAP * ~NOTFOUND" + (", EXCLUDE 127.0.0.1" if loopback else ""),
        *(["disable-features=LocalNetworkAccessChecks"] if loopback else []),
        f"user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(f"--{switch}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options, Service(str(shutil.which("chromedriver"))))
    try:
        driver.set_script_timeout(120)
        yield Browser(driver)
    finally:
        driver.quit()


class Browser:
    """One window.

    Args:
        driver: Selenium's.
    """

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Path, size: tuple[int, int] = DESK, *, dark: bool = False) -> None:
        """Open a file from disk in a window of that size, in the light or the dark theme."""
        width, height = size
        media = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.driver.get_log("performance")
        self.driver.get_log("browser")
        self.driver.get(page.resolve().as_uri())

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a script in the page and return what it returns."""
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """What the console said since the page was opened."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requested(self) -> list[str]:
        """Addresses asked for since the page was opened."""
        events = [
            json.loads(one["message"])["message"] for one in self.driver.get_log("performance")
        ]
        return [
            event["params"]["request"]["url"]
            for event in events
            if event["method"] == "Network.requestWillBeSent"
        ]

    def axe(self, inside: str = "html") -> dict[str, Any]:
        """Everything that axe-core finds inside an element."""
        self.run(AXE.read_text("utf-8"))
        found: dict[str, Any] = self.driver.execute_async_script(
            "const [inside, done] = arguments;"
            " axe.run(inside).then(done, error => done({error: String(error)}))",
            inside,
        )
        return found

    def picture(self, *, whole: bool = True) -> bytes:
        """A screenshot as PNG, of the whole page or of the window."""
        asked = {"format": "png", "captureBeyondViewport": whole}
        shot = self.driver.execute_cdp_cmd("Page.captureScreenshot", asked)
        return base64.b64decode(shot["data"])

    def pdf(self) -> bytes:
        """The page as it is printed."""
        printed = self.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
        return base64.b64decode(printed["data"])

    def save(self, name: str, folder: Path) -> bytes:
        """Click the link that saves a file of that name, and return what was saved."""
        behaviour = {"behavior": "allow", "downloadPath": str(folder)}
        self.driver.execute_cdp_cmd("Browser.setDownloadBehavior", behaviour)
        self.run("document.querySelector(`a[download='${arguments[0]}']`).click()", name)
        deadline = time.monotonic() + 60
        while not (folder / name).exists():
            assert time.monotonic() < deadline, f"{name} was not saved"
            time.sleep(0.05)
        return (folder / name).read_bytes()
