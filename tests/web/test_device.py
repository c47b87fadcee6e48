"""The browser as a device: written without a network and sent later, conflicts with another device, what is unsent at sign-out.

The other device is the reference client, against the same real server.
"""

from __future__ import annotations

import itertools
import json
import signal
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import httpx
import pytest

from service.client import Device
from service.client.model import as_json
from tests.conftest import own_database
from tests.server import Server, free_port, serving
from tests.web.a_set import Collector
from tests.web.browser import Page, browser

pytestmark = [pytest.mark.browser, pytest.mark.process]
MODULES = "['edits', 'sending', 'database', 'exact'].map((name) => import(`/app/kept/${name}.js`))"


def in_app(page: Page, code: str, *values: Any) -> Any:
    """What `code` returns, run beside the app with its own modules and `values`."""
    told = page.driver.execute_async_script(
        f"const done = arguments[arguments.length - 1]; const values = [...arguments].slice(0, -1);"
        f"Promise.all({MODULES}).then(async ([edits, sending, database, exact]) => {{ {code} }})"
        ".then((found) => done({found: found ?? null}), (error) => done({error: String(error)}))",
        *values,
    )
    assert "error" not in told, told
    return told["found"]


def change(page: Page, coin: str, **changes: Any) -> None:
    """As a form of the app does it."""
    facts = {name: value for name, value in changes.items() if name != "note"}
    own = {name: value for name, value in changes.items() if name == "note"}
    in_app(page, "await edits.changeCoin(values[0], values[1]);", coin, {**own, "facts": facts})


def waiting(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = in_app(page, "return sending.device.waiting();")
    return found


def has(page: Page) -> dict[str, Any]:
    """All coins as the browser has them, by flat names."""
    code = "return Object.fromEntries(exact.plain([...await sending.device.holdings()]));"
    found: dict[str, Any] = in_app(page, code)
    return found


def settled(page: Page) -> Mapping[str, Any]:
    """Once everything was sent and taken."""
    report: dict[str, Any] = in_app(page, "const {isComplete} = await sending.turn(); return {isComplete};")
    assert report["isComplete"]
    return has(page)


def go(page: Page, path: str) -> None:
    """Within the app: a page that is opened anew has the network back for a moment."""
    page.run("history.pushState(null, '', arguments[0]); dispatchEvent(new PopStateEvent('popstate'))", path)


@contextmanager
def flight(page: Page) -> Iterator[None]:
    # Modules that no view has needed yet come from the worker, once it has them all.
    page.driver.execute_async_script("navigator.serviceWorker.ready.then(() => arguments[0]())")
    page.run_until("return navigator.serviceWorker.controller !== null")
    page.network(is_there=False)
    try:
        yield
    finally:
        page.network(is_there=True)


@pytest.fixture
def laptop(collector: Collector, house: tuple[Server, str, httpx.Client], tmp_path: Path) -> Iterator[Device]:
    made = Device(tmp_path / "laptop", house[0].address, collector.token, name="Laptop")
    assert made.sync().is_complete
    yield made
    made.close()


def both_have(page: Page, laptop: Device) -> dict[str, Any]:
    """What both devices have in the end, which is the same."""
    mine = settled(page)
    assert laptop.sync().is_complete
    theirs = laptop.holdings()
    # A browser's numbers are the nearest that there are.
    assert mine == json.loads(as_json(theirs))
    return theirs


def test_two_devices_in_conflict_end_equal(page: Page, collector: Collector, laptop: Device) -> None:
    coins = collector.coins
    page.sign_in(collector.token)
    page.until(".sync", says="Last synced")
    assert page.text("nav.views a:last-of-type") == "Attention"
    # Neither sees what the other does: two values, two lists, a delete against an edit, one that the service will refuse.
    with flight(page):
        change(page, coins["f2"], grade=45)
        change(page, coins["h1"], grade=31, note="from the fair")
        in_app(page, "await edits.changeCoin(values[0], {facts: {grade: 400}})", coins["h2"])
        assert waiting(page)["unsent"] == 3
        go(page, "/app/attention")
        page.until(".sync", says="3 changes were made here and are not at the service yet.")
        laptop.edit(coins["f2"], {"grade": 50})
        laptop.delete(coins["h1"])
        laptop.edit(coins["x1"], {"grade": 21})
        assert laptop.sync().is_complete
    settled(page)
    page.until("nav.views a", says="Attention (3)")
    page.until("[data-kind=refused] .wrong", says="takes numbers from 1 to 70, not 400")
    assert "grade" in page.text("[data-kind=refused] dt")
    card = page.until("[data-kind=value]")
    assert "No. f2, 1903 farthing" in card.text
    assert "for the rules it is 50 or 45" in card.text or "for the rules it is 45 or 50" in card.text
    # Of the value that is shown the service does not say whose device wrote it.
    assert "this browser" in card.text and "another device" in card.text
    assert "One device deleted the coin" in page.text("[data-kind=destroy]")
    assert "Laptop" in page.text("[data-kind=destroy] .card:last-child")
    assert page.all("[role=dialog], dialog") == []
    found = []
    for width, dark in itertools.product((320, 1280), (False, True)):
        page.look(width, dark=dark)
        found += [(width, dark, fault) for fault in page.faults()]
        assert page.overflow() <= 0, width
    assert found == []
    page.look(1280)
    # One after the other, by what the buttons say.
    page.press("I have dealt with it")
    page.press("Delete the coin")
    page.press("Keep that")
    page.until("nav.views a", says="Attention")
    chosen = both_have(page, laptop)
    assert coins["h1"] not in chosen
    assert laptop.conflicts() == []
    first = chosen[coins["f2"]]["grade"]
    # Undone, the service asks again, and shows what it showed.
    page.until(".decided li", says="1903 farthing").find_element("tag name", "button").click()
    page.until("[role=status]", says="Undone")
    shown = both_have(page, laptop)[coins["f2"]]["grade"]
    assert {first, shown} == {45, 50}
    (asked,) = laptop.conflicts()
    assert (asked[0], asked[1]["value"]) == (coins["f2"], first)
    page.until("[data-kind=value]")
    page.press("Both may be true")
    page.until("[role=status]", says="Decided")
    page.until("nav.views a", says="Attention", not_saying="(")
    assert sorted(both_have(page, laptop)[coins["f2"]]["grade"]["one_of"]) == [45, 50]
    assert laptop.conflicts() == []
    assert has(page)[coins["x1"]]["grade"] == 21
    # The delete too.
    page.until(".decided li").find_element("xpath", "//li[contains(., 'without a number')]/button").click()
    page.until("[role=status]", says="Undone")
    assert both_have(page, laptop)[coins["h1"]]["note"] == "from the fair"


UNKNOWN = """
    await sending.device.store.step(async (within) => {
        const record = await within.record(values[0]);
        const about = {client: "New phone", at: "2026-11-25T10:00:00Z", edited_at: "2026-11-25T10:00:00Z"};
        record.conflicts = [
            {id: "a", kind: "invalid_merge", mutation_id: "a", patch: {grade: 12, problems: ["holed"]}, ...about},
            {id: "b", kind: "half_coin", mutation_id: "b", halves: [1, 2], ...about},
        ];
        await within.keepRecords([record]);
    });
    sending.device.changed();
"""


def test_mixtures_and_questions_of_a_newer_service_are_shown(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, "/app/attention")
    page.until(".sync", says="Last synced")
    with flight(page):
        in_app(page, UNKNOWN, collector.coins["f2"])
        page.until("[data-kind=invalid_merge]", says="The whole edit that does not go with it")
        said = page.text("[data-kind=invalid_merge] .card:last-child")
        assert "12" in said and "holed" in said.lower() and "New phone" in said
        assert '"halves"' in page.text("[data-kind=unknown] pre")
        # It can be decided for what is shown alone.
        assert len(page.all("[data-kind=unknown] button")) == 1


# With nothing under way that still has it in its hands.
DROPPED = """
    sending.end();
    await sending.turn();
    await sending.device.edit(values[0], {note: "dropped"});
    await (await database.database()).clear("outbox");
"""


def test_what_is_unsent_is_said_before_it_is_removed(
    page: Page, collector: Collector, laptop: Device, tmp_path: Path
) -> None:
    coin = collector.coins["p1"]
    page.sign_in(collector.token)
    page.until(".sync", says="Last synced")
    with flight(page):
        change(page, coin, weight=9.4, note="as a file")
        # The coin and the table say what this browser has.
        go(page, f"/app/coins/{coin}")
        page.until(".notice", says="this is what this browser has")
        assert page.run("return document.querySelector('#own-note').value") == "as a file"
        page.press("Coins")
        page.until(".notice", says="this is what this browser has")
        assert len(page.all(".coins tbody tr")) == 9
        page.press("Sign out")
        page.until("[role=alert]", says="1 change was made here and is not at the service yet.")
        page.press("Stay signed in")
        saved = in_app(page, "return sending.device.saveUnsent();")
    # Another client takes the file in and sends it; the browser sends it as well, and it happens once.
    file = tmp_path / "unsent.json"
    file.write_text(saved["text"], encoding="utf-8")
    assert (laptop.take_in(file), saved["n"]) == (1, 1)
    assert both_have(page, laptop)[coin]["note"] == "as a file"
    assert laptop.sync().is_complete
    assert laptop.conflicts() == []
    # And the other way.
    laptop.edit(coin, {"note": "from the laptop"})
    laptop.save_unsent(file)
    text = file.read_text(encoding="utf-8")
    assert in_app(page, "return sending.device.takeIn(values[0]);", text) == 1
    assert in_app(page, "return sending.device.takeIn(values[0]);", text) == 0
    assert both_have(page, laptop)[coin]["note"] == "from the laptop"
    # While another tab sends, this one does not.
    code = "return navigator.locks.request('setwright-sending', async () => (await sending.turn()).isElsewhere);"
    assert in_app(page, code) is True
    # The control: of an outbox that is dropped nothing comes.
    with flight(page):
        in_app(page, DROPPED, coin)
    page.open("/app/")
    assert both_have(page, laptop)[coin]["note"] == "from the laptop"
    # A token that ends does not take what is unsent with it; whoever signs in next is told.
    with flight(page):
        change(page, coin, note="after the token ended")
        collector.ask("DELETE", "/v1/account/token")
    page.until(".notice", says="You are no longer signed in")
    page.until("[role=alert]", says="This browser has changes that were not sent")
    page.press("Remove them from this browser")
    page.until("main", not_saying="This browser has changes")


KEPT_SETS = """import("/app/kept/need-sheets.js").then(({keptSheets}) => keptSheets())
    .then((kept) => arguments[0](kept && kept.document.sets.map(({definition}) => definition.id)))"""


def test_nothing_of_an_account_is_kept_for_the_next_one(
    page: Page, collector: Collector, newcomer: Callable[[], tuple[str, str]], house: tuple[Server, str, httpx.Client]
) -> None:
    """Somebody else signs in where nobody has signed out: what the table answers from is of one account."""
    page.sign_in(collector.token)
    deadline = time.monotonic() + 30
    while page.driver.execute_async_script(KEPT_SETS) is None and time.monotonic() < deadline:
        time.sleep(0.1)
    assert page.driver.execute_async_script(KEPT_SETS) == [collector.set], "the control: they are kept"
    other = Collector(house[2], newcomer()[1])
    page.sign_in(other.token)
    assert page.driver.execute_async_script(KEPT_SETS) in (None, [other.set])


LEFT = """
    const db = await database.database();
    const [account, session, planted] = await Promise.all([
        db.get("note", "account"), db.get("kept", "session"), db.get("kept", "planted")]);
    return [account ?? null, session?.token ?? null, planted ?? null];
"""
DYING = """
    const [token, most] = values;
    let left = most;
    const real = IDBDatabase.prototype.transaction;
    IDBDatabase.prototype.transaction = function (names, mode, ...rest) {
        // The page ended before this one: it never begins, and nothing after it.
        if (mode === "readwrite" && left-- <= 0) throw new Error("the page ended");
        return real.call(this, names, mode, ...rest);
    };
"""
SIGNING_IN = (
    DYING
    + """
    const { withToken } = await import("/app/kept/session.js");
    return withToken(token).then(() => true, () => false);
"""
)
# As it was done before: the stores of the device in one step, what is kept by key in another, the session in a third.
APART = (
    DYING
    + """
    await sending.device.store.wholeStep(async (within) => { await within.setNote("account", "the next one"); });
    await database.drop("planted").catch(() => {});
"""
)


def test_a_page_that_ends_while_somebody_signs_in_leaves_one_account_here(
    page: Page, collector: Collector, newcomer: Callable[[], tuple[str, str]], house: tuple[Server, str, httpx.Client]
) -> None:
    """The page ends before its first change of what is kept, before the second, and so on until it does not end."""
    other = newcomer()[1]
    accounts = [
        house[2].get("/v1/holdings/sync", headers={"Authorization": f"Bearer {token}"}).json()["account"]
        for token in (collector.token, other)
    ]
    mine, theirs = [accounts[0], collector.token, "of the first"], [accounts[1], other, None]
    seen = []
    for most in range(9):
        page.open("/app/sign-in")
        page.sign_in(collector.token)
        page.until(".sync", says="Last synced")
        in_app(page, "await database.keep('planted', 'of the first');")
        assert in_app(page, LEFT) == mine
        is_done = in_app(page, SIGNING_IN, other, most)
        page.open("/app/")
        seen.append(in_app(page, LEFT))
        assert seen[-1] in (mine, theirs), most
        if is_done:
            break
    assert seen[0] == mine
    assert seen[-1] == theirs
    # The control: in steps of their own the one that ended left the next account with what is of the first.
    page.sign_in(collector.token)
    in_app(page, "await database.keep('planted', 'of the first');")
    in_app(page, APART, other, 1)
    page.open("/app/sign-in")
    account, _, planted = in_app(page, LEFT)
    assert (account, planted) == ("the next one", "of the first")
    in_app(page, "await database.wipe();")
    # Nothing else failed.
    assert {"the page ended" in complaint for complaint in page.complaints()} <= {True}


EARLIER = """
    const done = arguments[1];
    indexedDB.deleteDatabase("setwright").onsuccess = () => {
        const asked = indexedDB.open("setwright", 1);
        asked.onupgradeneeded = () => asked.result.createObjectStore("kept").put(arguments[0], "session");
        asked.onsuccess = () => { asked.result.close(); done(); };
    };
"""


def test_a_session_of_an_earlier_version_stays(chromium: Page, collector: Collector) -> None:
    chromium.open("/app/sign-in")
    chromium.driver.get(f"{chromium.address}/health/ready")
    name = collector.ask("GET", "/v1/account").json()["name"]
    session = {"token": collector.token, "name": name, "scopes": ["read", "write", "evaluate"]}
    chromium.driver.execute_async_script(EARLIER, session)
    chromium.open("/app/")
    chromium.until(".who", says=name)
    chromium.until(".sync", says="Last synced")
    assert len(settled(chromium)) == 9


def server_at(port: int) -> type[Server]:
    """A server with the address of one that ended."""

    class There(Server):
        def __init__(self, *of: Any, **more: Any) -> None:
            with patch("tests.server.free_port", lambda: port):
                super().__init__(*of, **more)

    return There


def test_an_edit_outlives_server_page_and_browser(tmp_path: Path) -> None:
    kind, profile = server_at(free_port()), tmp_path / "profile"
    with own_database(tmp_path, None) as url, serving(url, kind=kind) as server:
        token = server.token() or ""
        with httpx.Client(base_url=server.address, timeout=60) as client:
            collector = Collector(client, token)
        coin = f"/app/coins/{collector.coins['p1']}"
        with browser(server.address, profile) as page:
            page.sign_in(token)
            page.until(".sync", says="Last synced")
            page.driver.execute_async_script("navigator.serviceWorker.ready.then(() => arguments[0]())")
            page.open(coin)
            page.until("#fact-year_on_coin")
            server.end(signal.SIGKILL)
            change(page, collector.coins["p1"], year_on_coin=1899)
            # The page anew, from what the browser keeps.
            page.open(coin)
            page.until(".notice", says="this is what this browser has")
            assert has(page)[collector.coins["p1"]]["year_on_coin"] == 1899
            assert waiting(page)["unsent"] == 1
        with browser(server.address, profile) as page:
            page.open(coin)
            assert has(page)[collector.coins["p1"]]["year_on_coin"] == 1899
            assert waiting(page)["unsent"] == 1
            with serving(url, kind=kind):
                assert settled(page)[collector.coins["p1"]]["year_on_coin"] == 1899
                told = httpx.get(
                    f"{page.address}/v1/holdings/{collector.coins['p1']}",
                    headers={"Authorization": f"Bearer {token}"},
                ).json()
                assert told["facts"]["year_on_coin"] == 1899
                assert waiting(page)["unsent"] == 0
