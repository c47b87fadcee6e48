"""Writes docs/screenshots: the web app with the demo's collections, on a phone and a desktop, light and dark.

`python -m tests.web.screenshots`; it needs Chromium, and takes some minutes.
"""

from __future__ import annotations

import base64
import io
import itertools
import re
import secrets
import time
from datetime import UTC, datetime
from pathlib import Path
from tempfile import NamedTemporaryFile

import httpx
from PIL import Image
from rich.console import Console
from selenium.webdriver.common.keys import Keys

from service.database.ids import new_id
from service.demo.drawn import drawing
from service.demo.opening import Opening
from service.demo.requests import somebody
from service.demo.server import Running, running_server
from service.demo.story import show_all
from tests.web.a_club import ALL, Circle
from tests.web.browser import Page, browser

SHOTS = Path(__file__).resolve().parents[2] / "docs" / "screenshots"
# Two cells of it are slips.
SHEET = (
    "No.;Country;Denomination;Year;Weight;Grade;Storage\r\n"
    "101;United Kingdom;penny;1889;9,4;20;tray 1\r\n102;United Kingdom;halfpenny;19O2;5,6;30;tray 1\r\n"
    "103;South Africa;shilling;1935;5,6;250;tray 2\r\n"
)
COLOURS = 256
SIZES = {"phone": (390, 844), "desktop": (1120, 800)}

# Views that are as they are, without anything done in them first.
SIMPLE = (
    ("new-coin", "/app/coins/new", "#own-number"),
    ("new-set", "/app/build/new", ".starts"),
    ("pair", "/pair?user_code=BCDF-GHJK", "form"),
    ("take", "/app/take", "form"),
    ("lists", "/app/lists", ".adding"),
    ("my-account", "/app/account", "main form, main details"),
    ("join", "/app/join", "form"),
)


def take(page: Page, name: str, *, at: str | None = None) -> None:
    """The window as it is, in each of the sizes, light and dark; from the element `at` on, wherever that stands in this size."""
    for (size, (width, height)), dark in itertools.product(SIZES.items(), (False, True)):
        page.look(width, dark=dark, height=height)
        if at is not None:
            page.run("document.querySelector(arguments[0]).scrollIntoView()", at)
        time.sleep(0.5)
        shot = page.driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
        picture = Image.open(io.BytesIO(base64.b64decode(shot["data"]))).convert("RGB")
        # Letters and signs on paper have few colours: a third of the bytes.
        picture.quantize(COLOURS).save(SHOTS / f"{name}-{size}-{'dark' if dark else 'light'}.png", optimize=True)


def disagree(page: Page, token: str) -> None:
    """Another device writes a value of a coin as if it had not seen the one that is there."""
    with httpx.Client(base_url=page.address, headers={"Authorization": f"Bearer {token}"}) as client:
        (coin,) = client.get("/v1/holdings?q=a28").json()["items"][:1]
        grade = {"patch": {"grade": 12}, "from": {"grade": None}}
        about = {"mutation_id": new_id(), "op": "update", "id": coin["id"], "edited_at": datetime.now(UTC).isoformat()}
        sent = client.post(
            "/v1/holdings/sync", json={"client_id": "Phone at the fair", "mutations": [{**about, **grade}]}
        )
        assert sent.json()["responses"][0]["status"] == "conflict", sent.text


def declare(page: Page) -> None:
    """A fact of the set's own in the builder, which shows all of its sections: how a coin was found, from a list with a tree."""
    page.until(".adding button", says="A fact of your own").click()
    page.type_into("What is it to be called?", "How it was found")
    page.until(".adding button", says="Add the fact").click()
    for term in ("bought", "gift", "found", "field find"):
        page.type_into("A new term", term + Keys.ENTER)
    page.until(".term-tree .entry", says="field find").click()
    page.until("[data-step=in]").click()


def take_all(page: Page, openings: list[Opening]) -> None:
    SHOTS.mkdir(exist_ok=True)
    maud, tobit, *_ = openings
    page.open("/app/sign-in")
    page.until("form")
    take(page, "sign-in")
    page.sign_in(tobit.token, tobit.path)
    page.until("li.place")
    take(page, "animals")
    page.sign_in(maud.token)
    page.until(".bar")
    take(page, "home")
    page.open("/app/coins?sort=year_on_coin")
    page.until(".coins td")
    take(page, "coins")
    page.press("a28")
    page.until("#fact-year_on_coin")
    take(page, "coin")
    page.open("/app/coins/import")
    with NamedTemporaryFile(suffix=".csv") as sheet:
        sheet.write(SHEET.encode("cp1252"))
        sheet.flush()
        page.until("input[type=file]").send_keys(sheet.name)
        page.until("td.bad")
        page.run("document.querySelector('.figures').scrollIntoView()")
        take(page, "import")
    disagree(page, maud.token)
    page.open("/app/attention")
    page.until(".conflict .cards")
    take(page, "attention")
    page.open(maud.path)
    page.until("li.place")
    take(page, "album")
    page.open(f"{maud.path}/place?at=shilling-scottish")
    page.until(".looked")
    page.until(".clauses")
    take(page, "place")
    page.open(maud.path.replace("/sets/", "/build/"))
    page.until(".effect .figures")
    page.run("document.querySelector('.place-list li button').click()")
    page.until(".rule-item .says")
    take(page, "builder")
    page.run("document.querySelector('.place-list > button').click()")
    page.until(".part-editor details summary")
    page.run("document.querySelectorAll('.part-editor details').forEach((one) => { one.open = true; })")
    page.until(".draft-items")
    page.run("document.querySelector('.part-editor details').scrollIntoView()")
    take(page, "builder-set")
    declare(page)
    take(page, "builder-own", at="[aria-label=Facts] .draft-items")
    page.run(
        "[...document.querySelectorAll('.place-list .entry')].find((one) => one.textContent.includes('free choice')).click()"
    )
    page.until(".part-editor summary", says="Rules of this choice").click()
    for rule in ("All different in", "At most so many of each"):
        page.until(".adding button", says=rule).click()
        page.until(".adding .attribute-picker .buttons button").click()
    page.until(".draft-items button[aria-expanded=true]")
    page.run("document.querySelector('.draft-items').closest('details').scrollIntoView()")
    take(page, "builder-choice")
    for name, address, complete in SIMPLE:
        page.open(address)
        page.until(complete)
        take(page, name)
    page.open("/app/table")
    page.until("#fact-denomination")
    # Facts that matter less are folded away.
    page.run("document.querySelectorAll('main details').forEach((one) => { one.open = true; })")
    for name, text in (("denomination", "shilling"), ("year_on_coin", "1942")):
        page.until(f"#fact-{name}").send_keys(text)
    page.until(".said .answer")
    take(page, "table")
    page.open("/app/print?what=labels")
    page.until("main form")
    take(page, "print")


def take_club(page: Page, server: Running) -> None:
    """A club of three, as one of them sees it, and a shared set as a stranger does."""
    headers = {"Authorization": f"Bearer {server.token}"}
    with httpx.Client(base_url=server.url, headers=headers, timeout=120) as first:

        def newcomer() -> tuple[str, str]:
            name = f"Member {secrets.token_hex(4)}"
            with somebody(first, name) as client:
                return name, client.headers["Authorization"].removeprefix("Bearer ")

        circle = Circle(first, newcomer)
        circle.offers_revised()
        circle.joined(circle.reader)
        circle.joined(circle.third, **ALL)
        for member in (circle.steward, circle.reader):
            circle.shows(member, **ALL)
        (swap,) = circle.third.ask("GET", f"{circle.set}/swaps")["items"]
        circle.third.ask("POST", f"{circle.api}/swaps", {"definition_id": circle.offer, "swap": swap["key"]})
        shared = circle.steward.ask("POST", "/v1/shares", {"definition": circle.own, "revision": 2})
        page.look(1280)
        page.sign_in(circle.reader.token, circle.page())
        page.until(".swap-ring")
        take(page, "club")
        page.open("/app/clubs")
        page.until("main details")
        take(page, "clubs")
        page.open(circle.set_page())
        page.until("#consent-display tbody")
        page.until(".standings .bar")
        take(page, "consent")
        for member in (circle.steward, circle.reader):
            for held in member.ask("GET", "/v1/holdings")["items"]:
                member.photograph(held["id"], content=drawing(held["number"], held["facts"]))
            circle.shows(member, **ALL, photos=True)
        page.open(circle.set_page())
        page.press("Put the display together")
        page.until("[aria-label=Exhibits]")
        # Pictures are asked for once they are in sight.
        page.run("document.querySelector('[aria-label=Exhibits]').scrollIntoView()")
        page.until("[aria-label=Exhibits] .small-photo img")
        take(page, "display", at="[aria-label=Exhibits]")
        page.open(shared["link"])
        take(page, "shared")


def main() -> None:
    with running_server() as server:
        openings = show_all(Console(quiet=True), server, once=False)
        with browser(server.url) as page:
            take_all(page, openings)
            take_club(page, server)
    print("\n".join(sorted(re.sub(r".*/docs/", "docs/", str(path)) for path in SHOTS.glob("*.png"))))


if __name__ == "__main__":
    main()
