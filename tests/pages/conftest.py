"""A headless Chromium for the pages: what it shows, what it complains about, and what it asks the network for."""

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --hide-scrollbars --force-device-scale-factor=1"
).split()


class Browser:
    """A driver with the questions that the tests ask."""

    def __init__(self, driver, downloads):
        self.driver, self.downloads = driver, downloads

    def open(self, page: Path, *, width=1200, height=900, dark=False):
        self.size(width, height)
        self.scheme(dark)
        self.driver.get_log("browser"), self.driver.get_log("performance")  # what came before is not this page's
        self.driver.get(page.as_uri())
        self.drawn()

    def drawn(self):
        """Waits for two frames. On a busy machine Chromium refuses one in a hundred prints of a page not yet drawn."""
        self.driver.execute_async_script(
            "const done=arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done))"
        )

    def settled(self):
        """Waits for what fades or moves to have come to its end."""
        self.driver.execute_async_script(
            "const done=arguments[0]; Promise.all(document.getAnimations().map(a => a.finished)).finally(done)"
        )

    def size(self, width, height):
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
        )

    def scheme(self, dark):
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})

    def letters(self, percent):
        """Enlarges what is written, as a phone's setting does."""
        self.run(
            "document.documentElement.style.fontSize = arguments[0] + '%'; dispatchEvent(new Event('resize'))", percent
        )
        self.drawn()

    def run(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def set(self, css, value):
        self.run(
            "const e=document.querySelector(arguments[0]); e.value=arguments[1];"
            "e.dispatchEvent(new Event('input',{bubbles:true}))",
            css,
            value,
        )

    def click(self, css):
        element = self.driver.find_element("css selector", css)
        self.run("arguments[0].scrollIntoView({block:'center'})", element)
        element.click()

    def key(self, name, *, shift=False):
        """A key pressed where the focus is, by its DOM name."""
        text = {"Enter": "\r", " ": " "}.get(name)
        codes = {"Enter": 13, "Tab": 9, " ": 32, "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}
        key = {
            "key": name,
            "windowsVirtualKeyCode": codes[name],
            "modifiers": 8 * shift,
            **({"text": text} if text else {}),
        }
        for kind in ("keyDown" if text else "rawKeyDown", "keyUp"):
            self.driver.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": kind, **key})

    def text(self, css):
        return self.run("return document.querySelector(arguments[0]).textContent.trim()", css)

    def complaints(self):
        """Console errors and warnings, uncaught errors included."""
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]

    def outside_requests(self):
        """Addresses asked for that are neither the file itself nor inside the page."""
        asked = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            # the browser's own first page may still be loading when the page under test is opened
            own = message["params"].get("documentURL", "").startswith("chrome:")
            if message["method"] == "Network.requestWillBeSent" and not own:
                asked.append(message["params"]["request"]["url"])
        return [url for url in asked if not url.startswith(("file:", "data:", "blob:", "about:"))]

    def overflow_px(self):
        """By how much the page is wider than the window."""
        return self.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth")

    def axe(self):
        """Serious and critical faults that axe-core finds, as (rule, target) pairs."""
        script = os.environ.get("TOOTHCHECK_AXE")
        if not script:
            pytest.skip("TOOTHCHECK_AXE does not name an axe.min.js")
        self.run(Path(script).read_text())
        found = self.driver.execute_async_script(
            "const done=arguments[0]; axe.run(document).then(r=>done(r.violations.map(v=>"
            "[v.id, v.impact, v.nodes.map(n=>n.target.join(' ')+' '+n.failureSummary)])))"
        )
        return [(rule, nodes) for rule, impact, nodes in found if impact in ("serious", "critical")]


def start(folder: Path) -> Browser:
    """A new Chromium with an empty profile."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    downloads = folder / "downloads"
    downloads.mkdir()
    for flag in (*FLAGS, f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(flag)
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = Service(DRIVER, log_output=subprocess.DEVNULL)
    return Browser(webdriver.Chrome(options=options, service=service), downloads)


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    if not (CHROMIUM and DRIVER):
        pytest.skip("chromium and chromedriver are not installed")
    pytest.importorskip("selenium")
    browser = start(tmp_path_factory.mktemp("chromium"))
    yield browser
    browser.driver.quit()
