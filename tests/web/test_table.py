"""The dealer's table in Chromium: answers with the server killed, a coin bought meanwhile, and all of it sent and asked again."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from selenium.webdriver.common.keys import Keys

from tests import server as servers
from tests.conftest import own_database
from tests.server import Server
from tests.web.a_set import Collector
from tests.web.browser import Page, browser, ensure_browser

pytestmark = [pytest.mark.browser, pytest.mark.process]


class MortalServer:
    """A server of its own, which comes back at the same address."""

    def __init__(self, url: str) -> None:
        self._url, self.port = url, servers.free_port()
        self._now: Server | None = None

    def start(self) -> Server:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(servers, "free_port", lambda: self.port)
            self._now = Server(self._url)
        self._now.wait_until_ready()
        return self._now

    def kill(self) -> None:
        if self._now is not None:
            self._now.end(signal.SIGKILL)


@pytest.fixture
def mortal(tmp_path: Path) -> Iterator[tuple[MortalServer, Collector]]:
    ensure_browser()
    with own_database(tmp_path, None) as url:
        server = MortalServer(url)
        try:
            started = server.start()
            with httpx.Client(base_url=started.address, timeout=60) as client:
                yield server, Collector(client, started.token() or "")
        finally:
            server.kill()


def say(page: Page, **facts: str) -> None:
    """Types what is seen of the coin, into the fields of these attributes."""
    for name, text in facts.items():
        page.until(f"#fact-{name}").send_keys(Keys.CONTROL, "a", Keys.NULL, text)


def fill(page: Page, name: str, text: str) -> None:
    page.until(f"#table-{name}").send_keys(Keys.CONTROL, "a", Keys.NULL, text)


def answer(page: Page, effect: str, says: str) -> None:
    page.until(f".said .answer.{effect}", says=says)


SMALL = """return [...document.querySelectorAll("main button, main input, main select, main summary, main a")].filter((one) => {
    const box = (one.closest("label") ?? one).getBoundingClientRect();
    return box.width > 0 && box.height > 0 && box.height < 44;
}).map((one) => one.outerHTML.slice(0, 120));"""


@pytest.mark.long
def test_a_day_at_a_dealers_without_a_network(mortal: tuple[MortalServer, Collector]) -> None:
    server, collector = mortal
    with browser(f"http://127.0.0.1:{server.port}") as page:
        page.sign_in(collector.token, "/app/table")
        page.until("#fact-denomination")
        page.driver.execute_async_script("navigator.serviceWorker.ready.then(() => arguments[0]())")
        # The facts that the rules of most open places read, in one view.
        first = [
            box.get_attribute("id") for box in page.all(".hand > .fact-field input, .hand > .fact-field select.way")
        ]
        assert "fact-denomination" in first
        assert "A crown" in page.text("main") or page.until(".panel summary", says="One of every sign")

        server.kill()
        page.open("/app/table")
        page.until("main .hint", says="The service cannot be reached")
        say(page, denomination="crown")
        answer(page, "fills", "A crown")
        assert (
            page.until(".summary-line", says="Fills a place: A crown (One of every sign).").get_attribute("aria-live")
            == "polite"
        )
        say(page, denomination="ducat")
        answer(page, "outside", "closest:")
        say(page, denomination="penny")
        answer(page, "undecided", "year on the coin")
        say(page, denomination="farthing", grade="60")
        answer(page, "betters", "A farthing, grade: from 40 to 60")
        say(page, grade="20")
        answer(page, "spare", "A farthing")
        assert page.run(SMALL) == []

        # Which of a tray for the money: the required place before the optional one, and not twice the same.
        for name, price in (("crown", "30"), ("crown", "25"), ("guinea", "20")):
            page.press("Another coin")
            say(page, denomination=name)
            answer(page, "fills", f"A {name}")
            fill(page, "price", price)
            page.press("Consider it")
            page.until(".summary-line", says="among those that you consider")
        for budget, told in (
            ("28", "Most for the money: crown. 1 more place is filled, for 25 EUR."),
            ("50", "Most for the money: crown and guinea. 2 more places are filled, for 45 EUR."),
            ("10", "None of them fills a place for that money."),
        ):
            fill(page, "budget", budget)
            page.until(".tray [role=status]", says=told)

        # What was seen and not bought stays here; what was bought is judged first.
        say(page, denomination="token")
        page.press("Only seen")
        page.until(".wanted", says="token")
        say(page, denomination="crown", grade="30")
        fill(page, "price", "12.50")
        fill(page, "number", "P-7")
        page.press("Bought")
        page.until(".summary-line", says="crown: bought.")
        page.until(".notice", says="1 change was made here and is not at the service yet.")
        say(page, denomination="crown")
        answer(page, "bought", "you bought no. P-7 for this today")
        page.open("/app/table")
        say(page, denomination="crown")
        answer(page, "bought", "you bought no. P-7 for this today")
        say(page, denomination="florin")
        page.until(".said .answer", says="florin")
        for width, dark in page.looks():
            page.until(".said .answer")
            assert (width, dark, page.faults()) == (width, dark, [])
            assert page.overflow() <= 0, width
        page.look(640, zoom=2)
        assert page.overflow() <= 0, "twice as large"
        page.look(1280)
        assert [line for line in page.complaints() if "ERR_CONNECTION" not in line] == []

        server.start()
        page.open("/app/table")
        page.until(".again", says="asked again of the service")
        page.until(".again", says="None was wrong.")
        found = collector.ask("GET", "/v1/holdings", params={"filter": "denomination = 'crown'"}).json()["items"]
        assert [(coin["number"], coin["facts"]["grade"], coin["price_paid"]) for coin in found] == [
            ("P-7", 30, {"amount": 12.5, "currency": "EUR"})
        ]
        # The place is filled by now: what was said before differs, and is told as of then.
        page.until(".again", says="Since then")
        assert "should never happen" not in page.text(".again")
        say(page, denomination="crown")
        answer(page, "spare", "A crown")
        assert [line for line in page.complaints() if "ERR_CONNECTION" not in line] == []


def test_a_place_that_a_coin_only_may_fit_is_not_said_to_be_filled(page: Page, collector: Collector) -> None:
    slots = [
        {"id": "any", "label": "Any florin at all", "accepts": "denomination = 'florin'"},
        {"id": "old", "label": "An old florin", "accepts": "denomination = 'florin' AND year_on_coin < 1880"},
    ]
    document = {"format": "set-definition/1", "title": "Florins", "slots": slots}
    collector.ask("POST", "/v1/definitions", json={"document": document})
    page.sign_in(collector.token, "/app/table")
    page.until("#fact-denomination")
    say(page, denomination="florin")
    # One florin is held: the other place stays empty unless the coin is old enough.
    page.until(".said .answer.fills", says="May fill a place Florins")
    page.until(".said .answer.fills", says="An old florin, if it fits there; Any florin at all it fits for certain")
    say(page, year_on_coin="1875")
    page.until(".said .answer.fills", says="Fills a place Florins")
