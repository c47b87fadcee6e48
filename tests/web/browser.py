"""Debian's Chromium, driven by the tests: one for a module, headless, with an empty profile."""

from __future__ import annotations

import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException, TimeoutException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
AXE = (Path(__file__).parent / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
WIDTHS = [int(width) for width in os.environ.get("SETWRIGHT_BROWSER_WIDTHS", "320,1280").split(",")]
# A busy machine takes its time.
PATIENCE_SECONDS = float(os.environ.get("SETWRIGHT_BROWSER_PATIENCE", "60"))
# Selenium's own is half a second, which most waits would last.
LOOK_AGAIN_SECONDS = 0.05


def ensure_browser() -> None:
    """Skips where there is no Chromium."""
    ensure_tool("chromium", "chromium")
    ensure_tool("chromedriver", "chromium-driver")


def ensure_tool(program: str, package: str) -> None:
    """Skips where there is no such program, of a package of Debian's; .ci/run sets SETWRIGHT_BROWSER=required, so that nothing is
    left out there."""
    if shutil.which(program) is not None:
        return
    missing = f"there is no {program} here: apt-get install {package}"
    if os.environ.get("SETWRIGHT_BROWSER") == "required":
        pytest.fail(missing)
    pytest.skip(missing)


LEFT_DRAFTS = """import("/app/kept/drafts.js").then(async ({unsavedDrafts, dropDraft}) => {
    for (const {id} of await unsavedDrafts()) await dropDraft(id);
})"""


class Page:
    """What is shown in the browser, and what a person does with it."""

    def __init__(self, driver: webdriver.Chrome, address: str) -> None:
        self.driver = driver
        self.address = address

    def open(self, path: str) -> None:
        # Another page first: what differs behind # alone is not loaded anew.
        self.driver.get("about:blank")
        self.driver.get(path if path.startswith("http") else f"{self.address}{path}")
        self.until("main:not([aria-busy=true]) h1")

    def sign_in(self, token: str, to: str = "/app/") -> None:
        self.open(f"/app/sign-in#token={token}&to={to}")
        # What the test before left unsaved is of another account, which would keep this one out.
        self.driver.execute_async_script(f"{LEFT_DRAFTS}.then(arguments[0], (error) => arguments[0](String(error)))")
        self.press("Sign in with this token")
        self.until("main h1", not_saying="Sign in")

    def all(self, selector: str) -> list[WebElement]:
        return self.driver.find_elements("css selector", selector)

    def until(self, selector: str, *, says: str | None = None, not_saying: str | None = None) -> WebElement:
        """The first element that is there, and that says so; waits for it."""

        def found(_: object) -> WebElement | None:
            for element in self.all(selector):
                text = element.text
                if (says is None or says in text) and (not_saying is None or not_saying not in text):
                    return element
            return None

        made: WebElement = self._waited(found, f"{selector} that says {says!r}")
        return made

    def _waited(self, act: Callable[[object], Any], what: str) -> Any:
        """What the act returns once it is something; tried anew where the page was painted anew in between."""
        missing = [StaleElementReferenceException, NoSuchElementException]
        try:
            return WebDriverWait(self.driver, PATIENCE_SECONDS, LOOK_AGAIN_SECONDS, missing).until(act)
        except TimeoutException:
            shown = self.run("return document.body.innerText")
            raise AssertionError(f"no {what}: {shown[:1000]}") from None

    def text(self, selector: str) -> str:
        return "\n".join(element.text for element in self.all(selector))

    def press(self, label: str) -> None:
        """Presses the button or the link with this text."""
        self.click("button, a, summary", says=label)

    def click(self, selector: str, *, says: str | None = None) -> None:
        """Clicks on the first element that is there; on the next one where the page was painted anew in between."""

        def clicked(_: object) -> bool:
            self.until(selector, says=says).click()
            return True

        self._waited(clicked, f"{selector} that says {says!r} to click on")

    def type_into(self, label: str, text: str) -> None:
        """Types into the field with this label, once it takes a text; anew where the page was painted anew in between. A key at
        the end of the text is pressed once the rest is there."""
        written = text.removesuffix(Keys.ENTER)

        def typed(_: object) -> bool:
            found = [element for element in self.all("label") if element.text.startswith(label)]
            if len(found) != 1:
                return False
            box = self.driver.find_element("id", found[0].get_attribute("for") or "")
            if box.get_property("readOnly"):
                return False
            box.clear()
            box.send_keys(written)
            if box.get_property("value") != written:
                return False
            if written != text:
                box.send_keys(Keys.ENTER)
            return True

        self._waited(typed, f"one field {label!r}")

    def keys(self, *keys: str) -> None:
        ActionChains(self.driver).send_keys(*keys).perform()

    def run(self, script: str, *values: Any) -> Any:
        return self.driver.execute_script(script, *values)

    def run_until(self, script: str, *values: Any) -> None:
        """Waits until the script tells something true."""
        wait = WebDriverWait(self.driver, PATIENCE_SECONDS, LOOK_AGAIN_SECONDS)
        wait.until(lambda _: self.run(script, *values), script)

    def saved(self, save: Callable[[], object]) -> bytes:
        """What the page hands to the browser to be saved as a file when this is done."""
        self.run(
            "window.saved = null; const made = URL.createObjectURL;"
            "URL.createObjectURL = (blob) => { URL.createObjectURL = made; window.saved = blob; return made.call(URL, blob); }"
        )
        save()
        self.run_until("return window.saved !== null")
        return bytes(
            self.driver.execute_async_script(
                "const [done] = arguments; window.saved.arrayBuffer().then((all) => done([...new Uint8Array(all)]))"
            )
        )

    def focused(self) -> str:
        return str(self.run("return document.activeElement.dataset.place ?? document.activeElement.tagName"))

    def look(self, width: int, *, dark: bool = False, zoom: int = 1, height: int = 900) -> None:
        """The size of the window, the colours, and how large text is."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        # Else a page is looked at while its colours go over from light to dark.
        still = {"name": "prefers-reduced-motion", "value": "reduce"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme, still]})
        self.run("document.documentElement.style.fontSize = arguments[0]", f"{zoom * 100}%")

    def looks(self) -> Iterator[tuple[int, bool]]:
        """Each width in light and in dark, one after the other; as usual afterwards."""
        for width, dark in itertools.product(WIDTHS, (False, True)):
            self.look(width, dark=dark)
            yield width, dark
        self.look(1280)

    def faults(self) -> list[str]:
        """What axe-core finds, rule by rule, with the first element of each."""
        # Half a megabyte, which a page that has it already need not read again.
        if not self.run("return 'axe' in window"):
            self.run(AXE)
        found = self.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document).then(({violations}) => done(violations.map("
            "(one) => `${one.id}: ${one.nodes[0].html.slice(0, 200)} ${one.nodes[0].failureSummary}`)))"
        )
        return list(found)

    def overflow(self) -> int:
        """How many pixels of the page are beyond the window's width."""
        return int(self.run("return document.documentElement.scrollWidth - innerWidth"))

    def network(self, *, is_there: bool) -> None:
        """Takes the network away from the page, or gives it back."""
        speed = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.driver.execute_cdp_cmd("Network.enable", {})
        self.driver.execute_cdp_cmd("Network.emulateNetworkConditions", {"offline": not is_there, **speed})

    def complaints(self) -> list[str]:
        """What the browser complained of since the last time: errors of scripts, breaches of the policy."""
        # A refusal that a person is shown is in the console as well.
        lines = [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]
        return [line for line in lines if "Failed to load resource" not in line]


@contextmanager
def browser(address: str, profile: Path | None = None) -> Iterator[Page]:
    """A browser that shows the pages of this server. `profile`: what it keeps is there from one start to the next."""
    ensure_browser()
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM or ""
    with TemporaryDirectory(prefix="setwright-browser-", ignore_cleanup_errors=True) as empty:
        for flag in (*FLAGS, f"--user-data-dir={profile or empty}"):
            options.add_argument(flag)
        # The tests read English, wherever they run.
        options.add_experimental_option("prefs", {"intl.accept_languages": "en-GB,en"})
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        driver.set_script_timeout(PATIENCE_SECONDS)
        try:
            yield Page(driver, address)
        finally:
            driver.quit()
