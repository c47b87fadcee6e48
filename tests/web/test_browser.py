"""The web app in Chromium, against a real server: signing in, the album, a place, accessibility, the policy.

One browser and one server for the folder. SETWRIGHT_BROWSER_WIDTHS=320,390,768,1280 looks at more widths than CI does.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from selenium.webdriver.common.keys import Keys

from tests.server import Server, run_program
from tests.web.a_set import FLORINS, HOSTILE, PASSWORD, PLACES, Collector
from tests.web.browser import Page
from tests.web.views import every_view

pytestmark = [pytest.mark.browser, pytest.mark.process]


# --- signing in -------------------------------------------------------------------------------------------------------------


def test_the_first_address_sets_a_password_once(page: Page, house: tuple[Server, str, httpx.Client]) -> None:
    server, url, client = house
    printed = run_program(url, "reset-password", "local", SETWRIGHT_BASE_URL=server.address).stdout
    (address,) = re.findall(r"http://\S+/app/password#\S+", printed)
    page.open(address)
    # What is behind # does not stay in the history of the browser.
    assert page.run("return location.href") == f"{server.address}/app/password"
    page.type_into("New password", PASSWORD)
    page.press("Set the password and sign in")
    page.until("h1", says="My sets")
    assert page.text(".who").startswith("local")
    # Nothing was lost: the token that the start made is still good.
    assert client.get("/v1/account", headers={"Authorization": f"Bearer {server.token()}"}).status_code == 200
    page.open(address)
    page.type_into("New password", "another password for it")
    page.press("Set the password and sign in")
    page.until(".trouble", says="used up")


def test_a_password_signs_in_and_signing_out_ends_the_token(
    page: Page, house: tuple[Server, str, httpx.Client], newcomer: Callable[[], tuple[str, str]]
) -> None:
    name, _ = newcomer()
    page.open("/app/sign-in")
    page.type_into("Name of the account", name)
    page.type_into("Password", "not the password")
    page.press("Sign in")
    page.until(".trouble", says="the name or the password is wrong")
    page.type_into("Password", PASSWORD)
    page.press("Sign in")
    page.until("h1", says="My sets")
    assert "You have no set yet" in page.text("main")
    # A database that is not there would be made by opening it.
    kept = """const done = arguments[0]; indexedDB.databases().then((all) => {
        if (!all.some(({name}) => name === "setwright")) return done(null);
        const asked = indexedDB.open("setwright");
        asked.onsuccess = () => {
            const found = asked.result.transaction("kept").objectStore("kept").get("session");
            found.onsuccess = () => { asked.result.close(); done(found.result ?? null); };
        };
    });"""
    session = page.driver.execute_async_script(kept)
    assert session["scopes"] == ["read", "write", "evaluate"]
    asked = {"Authorization": f"Bearer {session['token']}"}
    assert house[2].get("/v1/account", headers=asked).status_code == 200
    # Loaded anew, it is still signed in.
    page.open("/app/")
    assert name in page.text(".who")
    page.press("Sign out")
    page.until(".notice", says="You are signed out.")
    assert house[2].get("/v1/account", headers=asked).status_code == 401
    assert page.driver.execute_async_script(kept) is None


def test_a_token_that_was_revoked_leads_to_signing_in(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    # The stream of events ends, and what is asked then is refused.
    collector.ask("DELETE", "/v1/account/token")
    page.until(".notice", says="You are no longer signed in")


def begun(client: httpx.Client) -> dict[str, Any]:
    answer: dict[str, Any] = client.post("/v1/device-pairings").json()
    return answer


def polled(client: httpx.Client, code: str) -> httpx.Response:
    grant = "urn:ietf:params:oauth:grant-type:device_code"
    return client.post("/v1/device-pairings/token", json={"grant_type": grant, "device_code": code})


def test_whoever_is_signed_in_approves_a_device_or_denies_it(
    page: Page, house: tuple[Server, str, httpx.Client], newcomer: Callable[[], tuple[str, str]]
) -> None:
    name, token = newcomer()
    page.sign_in(token)
    client = house[2]
    for button, said, status in (("Approve", "Approved.", 200), ("Deny", "Denied.", 400)):
        device = begun(client)
        page.open(f"/pair?user_code={device['user_code']}")
        assert name in page.text("main")
        # A token that may only read and write is not enough.
        page.type_into("Password", PASSWORD)
        page.press(button)
        page.until("[role=status]", says=said)
        assert polled(client, device["device_code"]).status_code == status
    # The token that approved was for that alone.
    first = client.post(
        "/v1/account/tokens", json={"name": name, "password": PASSWORD, "token_name": "x", "scopes": ["admin"]}
    )
    asked = {"Authorization": f"Bearer {first.json()['access_token']}"}
    listed = client.get("/v1/account/tokens", headers=asked).json()["items"]
    assert [one["name"] for one in listed if one["name"] == "My phone"] == ["My phone"]


def test_a_code_signs_this_browser_in(page: Page, house: tuple[Server, str, httpx.Client]) -> None:
    server, _, client = house
    page.open("/app/sign-in")
    page.press("Show a code")
    code = page.until(".code").text
    assert page.all("img.qr")
    asked = {"Authorization": f"Bearer {server.token()}"}
    decided = client.post("/v1/device-pairings/approvals", json={"user_code": code, "approve": True}, headers=asked)
    assert decided.status_code == 200, decided.text
    page.until("h1", says="My sets")


# --- the album ----------------------------------------------------------------------------------------------------------------

# What a place shows, apart from its colours.
SIGNS = """return [...document.querySelectorAll("li.place")].map((place) => {
    const shapes = [...place.querySelectorAll(".disc > *")];
    const plain = (shape) => [shape.tagName, ...["d", "r", "cx"].map((name) => shape.getAttribute(name)),
        getComputedStyle(shape).strokeDasharray, getComputedStyle(shape).fill === "none"].join(" ");
    const link = place.querySelector("a");
    const style = getComputedStyle(link);
    const texts = (selector) => [...place.querySelectorAll(selector)].map((one) => one.textContent);
    return {address: link.dataset.place, state: place.className, border: style.borderTopStyle, round: style.borderRadius,
        disc: shapes.map((shape) => shape.getAttribute("class")).join(" "), shapes: shapes.map(plain).join(),
        word: texts(".word")[0], texts: texts(".text")};
});"""


def told_by_colour_alone(signs: list[dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Two places of different states between which the disc, the border or the word makes no difference."""
    states = {sign["state"].replace("free", "").split()[1]: sign for sign in signs}
    return [
        (one, other, part)
        for one, other in itertools.combinations(sorted(states), 2)
        for part in ("shapes", "border", "word")
        if states[one][part] == states[other][part]
    ]


def test_disc_border_word_and_text_say_the_same(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, collector.album())
    page.until("li.place")
    page.until(".word", says="Filled (presumed: problems)")
    signs = {sign["address"]: sign for sign in page.run(SIGNS)}
    shown = {place: (s["state"].split()[1], s["disc"], s["border"], s["word"]) for place, s in signs.items()}
    assert {place: what for place, what in shown.items() if not place.startswith("florin")} == PLACES
    assert {what for place, what in shown.items() if place.startswith("florin")} == FLORINS
    assert {place for place, sign in signs.items() if sign["round"] != "0px"} == {f"sixpences/{n}" for n in (1, 2, 3)}
    assert signs["farthing"]["texts"] == [f"No. {HOSTILE}, 1902 farthing"]
    assert signs["crown"]["texts"] == ["a crown"]
    assert signs["old-penny"]["texts"] == ["No. p1, 1900 or 1902 penny", "Check: year on the coin"]
    assert [sign["texts"] for sign in signs.values() if sign["state"].startswith("place contested")] == [
        ["2 places, 1 coin"]
    ]
    assert told_by_colour_alone(list(signs.values())) == []
    assert page.all("#taken-over") == []
    headings = [element.text for element in page.all("main h2, main h3")]
    assert headings == [
        "Bronze and silver 3 of 4",
        "Larger ones 1 of 4",
        "Optional",
        "At will 1 of 3",
        "Any sixpence free choice, 1 of 3",
        "Places 1 of 2",
        "alloys one of each, 1 of 2",
    ]
    assert "Filled: the figures" not in page.text("main")
    assert "6 filled, 1 possible, 6 empty, of 13 places." in page.text(".figures")


PLANTED = {
    "word": "document.querySelectorAll('.word').forEach((word) => (word.textContent = 'A place'))",
    "border": "document.querySelectorAll('li.place a').forEach((link) => (link.style.borderStyle = 'solid'))",
    "shapes": "document.querySelectorAll('.disc').forEach((disc) => disc.replaceChildren("
    "document.createElementNS('http://www.w3.org/2000/svg', 'circle')))",
}


def test_the_control_sees_a_state_that_colour_alone_tells(chromium: Page, collector: Collector) -> None:
    chromium.sign_in(collector.token)
    for part, planted in PLANTED.items():
        chromium.open(collector.album())
        chromium.until("li.place")
        chromium.run(planted)
        found = told_by_colour_alone(chromium.run(SIGNS))
        assert {at for _, _, at in found} == {part}
        # Four states make six pairs.
        assert len(found) == 6


def test_arrow_keys_go_from_place_to_place(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, collector.album())
    page.until("li.place")
    assert len(page.all("a[data-place][tabindex='0']")) == 1
    page.run("document.querySelector('.filters input:last-of-type').focus()")
    page.run("document.querySelector(\"[data-place='farthing']\").focus()")
    for key, there in (
        (Keys.ARROW_RIGHT, "halfpenny"),
        (Keys.ARROW_DOWN, "florin-a"),
        (Keys.ARROW_LEFT, "crown"),
        (Keys.ARROW_UP, "farthing"),
        (Keys.ARROW_LEFT, "farthing"),
        (Keys.END, "alloys/bronze"),
        (Keys.HOME, "farthing"),
        (Keys.ARROW_RIGHT, "halfpenny"),
    ):
        page.keys(key)
        assert page.focused() == there, key
    # The Tab key leaves the places, and comes back to the one where it was.
    page.keys(Keys.TAB)
    assert page.focused() == "SUMMARY"
    page.run("document.activeElement.blur()")
    assert page.run("return document.querySelector(\"[tabindex='0'][data-place]\").dataset.place") == "halfpenny"
    page.run("document.querySelector(\"[data-place='halfpenny']\").focus()")
    page.keys(Keys.ENTER)
    page.until("h1", says="A halfpenny")
    assert page.focused() == "H1"


def test_filters_leave_what_they_name(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, collector.album())
    page.until("li.place")

    def left() -> set[str]:
        return {sign["address"] for sign in page.run(SIGNS)}

    every = left()
    empty = {place for place in every if PLACES.get(place, ("",))[0] == "empty"}
    for label, wanted in (("empty", empty), ("in doubt", {"old-penny", "sound"})):
        page.until(".filters label", says=label).click()
        shown = left()
        assert {place for place in shown if not place.startswith("florin")} == wanted
        page.until(".filters label", says=label).click()
    assert left() == every
    page.until(".filters label", says="can be upgraded").click()
    page.until(".grid")
    page.driver.implicitly_wait(0)
    page.until("li.place .label", says="A farthing")
    assert left() >= {"farthing"} and "crown" not in left()


def test_who_comes_back_from_a_place_finds_the_album_as_it_was(page: Page, collector: Collector) -> None:
    page.look(390)
    page.sign_in(collector.token, collector.album())
    page.until("[role=tab]", says="Larger ones").click()
    page.until("section.page h2", says="Larger ones")
    page.until(".filters label", says="empty").click()
    page.until(".filters input:checked")
    page.until("[data-place='crown']").click()
    page.until(".decisions")
    page.driver.back()
    page.until("section.page h2", says="Larger ones")
    assert len(page.all(".filters input:checked")) == 1
    assert "Empty" in page.text("li.place .word") and "Filled" not in page.text("li.place .word")
    # Another view of the same set begins anew.
    page.press("My sets")
    page.until(".bar")
    page.open(collector.album())
    page.until("section.page h2", says="Bronze and silver")
    assert page.all(".filters input:checked") == []


def test_on_a_phone_a_page_at_a_time(page: Page, collector: Collector) -> None:
    page.look(390)
    page.sign_in(collector.token, collector.album())
    page.until("[role=tab]")
    assert [tab.text for tab in page.all("[role=tab]")] == ["Bronze and silver", "Larger ones", "At will", "Places"]
    assert len(page.all("section.page")) == 1
    page.run("document.querySelector('[role=tab]').focus()")
    page.keys(Keys.ARROW_RIGHT)
    page.until("section.page h2", says="Larger ones")
    assert page.run("return document.activeElement.getAttribute('aria-selected')") == "true"
    assert page.overflow() <= 0


def test_an_album_is_painted_anew_when_a_coin_changes_elsewhere(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, collector.album())
    page.until("[data-place='old-penny'] .word", says="Possible")
    collector.change("p1", year_on_coin=1900)
    page.until("[data-place='old-penny'] .word", says="Filled")
    page.until(".figures", says="7 filled, 0 possible")


def test_the_coins_photo_stands_in_its_place(page: Page, collector: Collector) -> None:
    collector.photograph("s1")
    page.sign_in(collector.token, collector.album())
    photo = page.until("[data-place='sound'] img.photo")
    assert (photo.get_attribute("src") or "").startswith("blob:")
    assert page.all("[data-place='sound'] .disc .tick")
    assert len(page.all("img.photo")) == 1


# --- a place ------------------------------------------------------------------------------------------------------------------


def test_i_looked_writes_the_fact_at_once(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(collector.place("old-penny"))
    page.until(".looked")
    assert "Where to look: reverse, below the design" in page.text(".looked")
    assert "A penny before 1901" in page.text(".outcomes")
    page.type_into("What you see: year on the coin", "nineteen hundred")
    page.press("Record it")
    page.until(".wrong", says="Type a whole number.")
    assert collector.facts("p1")["year_on_coin"] == {"one_of": [1900, 1902]}
    page.type_into("What you see: year on the coin", "1900")
    page.press("Record it")
    page.until(".headline .word", says="Filled")
    assert collector.facts("p1")["year_on_coin"] == 1900


def test_a_place_tells_why_and_what_the_others_lose_on(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(collector.place("sound"))
    page.until(".clauses")
    assert "Why No. s1, 1935 shilling" in page.text("main h2")
    said = page.text(".clauses")
    assert "denomination: shilling" in said and "recorded" in said and "presumed" in said
    assert "Where to look: both sides, in slanting light" in page.text("main")
    assert page.all(".verdict.yes svg") and not page.all(".verdict.no svg")
    page.open(collector.place("farthing"))
    page.until(".others")
    assert page.text(".others tbody") == "No. f2, 1903 farthing grade: 20; the coin here has 40"
    page.open(collector.place("halfpenny"))
    assert "It would do as well" in page.until(".others tbody").text
    page.open(collector.place("nowhere"))
    page.until("main p", says="The set has no place nowhere now.")


def test_a_decision_shows_its_cost_before_it_is_made(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(collector.place("sound"))
    page.press("Never No. s1")
    page.until(".consequence", says="A sound shilling becomes empty.")
    assert "Filled: 6 now, 5 then." in page.text(".consequence")
    pins = f"/v1/definitions/{collector.set}/pins"
    assert collector.ask("GET", pins).json()["nevers"] == []
    page.press("Leave it as it is")
    page.press("Never No. s1")
    page.press("Do it")
    page.until(".headline .word", says="Empty")
    never = {"holding": collector.coins["s1"], "place": "sound"}
    assert collector.ask("GET", pins).json()["nevers"] == [never]
    page.press("Allow it again")
    page.press("Do it")
    page.until(".headline .word", says="Filled")
    page.press("Keep No. s1")
    page.until(".consequence", says="No coin changes its place.")
    page.press("Do it")
    page.until(".decisions", says="You decided to keep No. s1")
    assert collector.ask("GET", pins).json() == {"pins": [never], "nevers": []}


def test_a_decision_that_another_overtook_is_made_anew(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(collector.place("sound"))
    page.press("Never No. s1")
    page.until(".consequence")
    pins = f"/v1/definitions/{collector.set}/pins"
    other = {"holding": collector.coins["h1"], "place": "halfpenny"}
    collector.ask("PUT", pins, headers={"If-Match": "*"}, json={"pins": [other], "nevers": []})
    page.press("Do it")
    page.until(".decisions .trouble", says="decisions about this set were changed elsewhere")
    assert "If-Match" not in page.text(".decisions")
    assert page.run("return document.activeElement.closest('.decisions') !== null")
    page.press("Never No. s1")
    page.press("Do it")
    page.until(".headline .word", says="Empty")
    never = {"holding": collector.coins["s1"], "place": "sound"}
    assert collector.ask("GET", pins).json() == {"pins": [other], "nevers": [never]}


def test_a_refused_form_keeps_the_focus_and_is_sent_once(chromium: Page) -> None:
    chromium.open("/app/password#name=nobody&text=swr_nothing")
    chromium.type_into("New password", "three farthings and a groat")
    chromium.run(
        "const asked = window.fetch; window.sent = 0;"
        "window.fetch = (...about) => { window.sent += about[0].includes('password-resets'); return asked(...about); };"
    )
    button = chromium.until("form button[type=submit]")
    chromium.run("arguments[0].focus(); arguments[0].click(); arguments[0].click()", button)
    chromium.until("form .trouble")
    chromium.until("form[aria-busy=false] button[type=submit]:focus")
    assert chromium.run("return window.sent") == 1


# --- coins --------------------------------------------------------------------------------------------------------------------


def column(page: Page, place: int) -> list[str]:
    """The texts of one column of the table, from 0."""
    return [row.find_elements("css selector", "th a, td")[place].text for row in page.all(".coins tbody tr")]


def test_coins_are_sorted_and_found_by_a_rule(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.press("Coins")
    page.until(".coins tbody tr")
    assert page.text("p.found") == "9 coins"
    assert [head.text for head in page.all(".coins thead th")] == [
        "Number", "year on the coin", "denomination", "issuer", "grade", "Status",
    ]  # fmt: skip
    for _ in range(2):
        page.press("year on the coin")
        page.until("th[aria-sort]")
        page.until(".coins tbody tr")
    page.until("th[aria-sort=descending]")
    years = column(page, 1)
    assert "1900 or 1902" in years
    settled = [year for year in years if year != "1900 or 1902"]
    assert settled == ["1935", "1928", "1921", "1911", "1910", "1903", "1902", "1811"]
    page.press("Find coins")
    page.type_into("A rule", "grade > 30 AN")
    page.until("form button").click()
    page.until(".trouble")
    page.until("form [name=filter]")
    page.type_into("A rule", "denomination = 'penny' OR denomination = 'florin'")
    page.until("form button").click()
    page.until("p.found", says="2 coins")
    assert sorted(column(page, 0)) == ["d1", "p1"]
    page.driver.back()
    page.driver.back()
    page.until("p.found", says="9 coins")


def test_who_looks_for_coins_goes_on_from_what_was_found(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, "/app/coins")
    page.until(".coins td")
    page.press("Find coins")
    page.type_into("Words in your own notes", "f2")
    page.until("details form button[type=submit]").click()
    page.until(".found:focus", says="1 coin")


def test_a_coin_shows_its_places_and_takes_facts_of_every_kind(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/coins/{collector.coins['p1']}")
    page.until(".legend-like", says="A penny before 1901")
    page.until("h1", says="No. p1, 1900 or 1902 penny")
    year = page.until("#fact-year_on_coin")
    assert year.get_attribute("value") == "1900 | 1902"

    def record(way: str, *values: str) -> None:
        page.run(
            "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('change', {bubbles: true}))",
            page.until("#fact-year_on_coin").find_element("xpath", "ancestor::div[@role='group']//select"),
            way,
        )
        for name, value in zip(("fact-year_on_coin", "fact-year_on_coin-to"), values, strict=False):
            field = page.until(f"#{name}")
            field.clear()
            field.send_keys(value)
        page.press("Record it")

    for way, values, kept in (
        ("between", ("1895", "1899"), {"from": 1895, "to": 1899}),
        ("one_of", ("1895 | 1897",), {"one_of": [1895, 1897]}),
        ("none", (), {"none": True}),
        ("value", ("1900",), 1900),
    ):
        record(way, *values)
        page.until(".unsaved", not_saying="not recorded")
        assert collector.facts("p1")["year_on_coin"] == kept
    record("one_of", "1900")
    page.until(".told", says="Give at least two values")
    page.until(".trouble", says="cannot be read")
    page.open(f"/app/coins/{collector.coins['p1']}")
    record("unknown")
    page.until(".unsaved", not_saying="not recorded")
    assert "year_on_coin" not in collector.facts("p1")


# --- every view ---------------------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_every_view_is_accessible_light_and_dark_narrow_and_wide(page: Page, collector: Collector) -> None:
    """axe-core finds nothing, and nothing is cut off (WCAG 2.2, 1.4.10), at twice the size of text neither (1.4.4)."""
    page.sign_in(collector.token)
    found = []
    for path, ready in every_view(collector).items():
        page.open(path)
        page.until(ready)
        for width, dark in page.looks():
            page.until(ready)
            found += [(path, width, dark, fault) for fault in page.faults()]
            assert page.overflow() <= 0, (path, width)
        page.look(640, zoom=2)
        assert page.overflow() <= 0, (path, "twice as large")
        page.look(1280)
    assert found == []


@pytest.mark.parametrize(
    ("planted", "rule"),
    [
        ("document.querySelector('label').remove()", "label"),
        ("document.querySelector('h1').style.color = '#d8d8d8'", "color-contrast"),
        ("document.querySelector('button').textContent = ''", "button-name"),
        ("document.documentElement.removeAttribute('lang')", "html-has-lang"),
    ],
)
def test_the_control_sees_a_planted_fault(chromium: Page, planted: str, rule: str) -> None:
    chromium.look(1280)
    chromium.open("/app/sign-in")
    chromium.until("form")
    assert chromium.faults() == []
    chromium.run(planted)
    assert rule in [fault.partition(":")[0] for fault in chromium.faults()]


def test_the_policy_holds_in_a_browser(chromium: Page) -> None:
    """Content Security Policy and Trusted Types, as Chromium enforces them."""
    chromium.open("/app/sign-in")
    run = """try { %s; return "done" } catch (error) { return error.name }"""
    assert chromium.run(run % "document.body.innerHTML = '<b>x</b>'") == "TypeError"
    # In the page itself, since what a driver runs is exempt from the policy.
    chromium.run(
        "const script = document.createElement('script'); window.ran = false;"
        "try { script.text = 'window.ran = true'; document.head.append(script) } catch { }"
    )
    assert chromium.run("return window.ran") is False
    blocked = chromium.driver.execute_async_script(
        "const done = arguments[0];"
        "document.addEventListener('securitypolicyviolation', (event) => done(event.effectiveDirective));"
        "const image = new Image(); image.src = 'https://elsewhere.example/x.png'; document.body.append(image);"
    )
    assert blocked == "img-src"
    chromium.complaints()


def test_the_app_opens_without_a_network(chromium: Page, collector: Collector) -> None:
    """The worker gives the app's own files; data come from the service alone, so it says that there is no network."""
    chromium.sign_in(collector.token)
    chromium.driver.execute_async_script("navigator.serviceWorker.ready.then(() => arguments[0]())")
    names = chromium.driver.execute_async_script(
        "const done = arguments[0]; caches.keys().then((names) => caches.open(names[0])).then((cache) => cache.keys())"
        ".then((kept) => done(kept.map((one) => new URL(one.url).pathname)))"
    )
    assert {"/app/", "/app/app.js", "/app/words/en.json", "/app/vendor/htm/standalone.module.js"} <= set(names)
    network = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    chromium.driver.execute_cdp_cmd("Network.enable", {})
    chromium.driver.execute_cdp_cmd("Network.emulateNetworkConditions", network)
    try:
        chromium.open(collector.album())
        chromium.until(".trouble", says="The service cannot be reached.")
    finally:
        chromium.driver.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {**network, "offline": False, "downloadThroughput": -1, "uploadThroughput": -1},
        )
    chromium.press("Try again")
    chromium.until("li.place")
    chromium.complaints()


def test_the_module_looks_at_all_states() -> None:
    """The control of the controls: the set has every state that there is."""
    states = {what[0] for what in (*PLACES.values(), *FLORINS)}
    signs = (Path(__file__).resolve().parents[2] / "service/web/static/parts/disc.js").read_text(encoding="utf-8")
    (known,) = re.findall(r"const SIGNS = \{ (.*) \};", signs)
    assert states == set(known.split(", "))
