"""Clubs, sharing and history in the web app, in Chromium: what a member shows and what the others then see, swaps, newer
revisions, links."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

import httpx
import pytest

from service.demo.circle import NEWS, revised
from tests.server import Server
from tests.web.a_club import ALL, Circle, Member
from tests.web.a_set import DEFINITION, Collector
from tests.web.browser import Page

pytestmark = [pytest.mark.browser, pytest.mark.process]
House = tuple[Server, str, httpx.Client]


@pytest.fixture
def circle(house: House, newcomer: Callable[[], tuple[str, str]]) -> Circle:
    return Circle(house[2], newcomer)


# --- consent ------------------------------------------------------------------------------------------------------------------

# What the page says that the others will see, read from it as it stands.
SAID = """const texts = (root, selector) => [...root.querySelectorAll(selector)].map((one) => one.textContent.trim());
const part = (name) => document.querySelector(`#consent-${name} .seen`);
const rows = (name) => Object.fromEntries([...part(name).querySelectorAll("[data-seen]")].map((row) =>
    [row.dataset.seen, texts(row, "th, td")]));
return {
    standing: Object.fromEntries([...part("standing").querySelectorAll("dl > div")].flatMap((group) =>
        texts(group, ".seen-place").map((label) => [label, texts(group, "dt")[0]]))),
    spares: rows("spares"), display: rows("display"),
};"""
WORDS = {"filled": "Filled", "tentative": "Possible", "empty": "Empty"}


def said(page: Page) -> dict[str, Any]:
    page.until("#consent-display tbody")
    found: dict[str, Any] = page.run(SAID)
    return found


def seen_by(viewer: Member, circle: Circle, of: Member) -> dict[str, Any]:
    """What another member is answered about somebody, by the interface."""
    member = circle.id_of(of)
    found = {}
    for what in ("standings", "spares"):
        answer = viewer.request("GET", f"{circle.set}/{what}/{member}")
        found[what] = answer.json() if answer.is_success else None
    exhibits = viewer.ask("GET", f"{circle.set}/display")["exhibits"]
    found["exhibits"] = [exhibit for exhibit in exhibits if exhibit["owner"] == of.name]
    return found


def beyond(said: dict[str, Any], seen: dict[str, Any], shown: set[str]) -> list[str]:
    """What is seen and was not said, or is not switched on. `said`: the page of whoever shows it."""
    found = [name for name in ("standings", "spares") if seen[name] and name not in shown]
    found += ["display"] if seen["exhibits"] and "display" not in shown else []
    for place in (seen["standings"] or {"places": []})["places"]:
        if said["standing"].get(place["label"]) != WORDS[place["status"]]:
            found.append(f"{place['label']} is {place['status']}")
    for coin in (seen["spares"] or {"items": []})["items"]:
        if said["spares"].get(coin["id"], ["", ""])[1] != str(coin["pieces"]):
            found.append(f"a duplicate for {coin['places']}")
    for exhibit in seen["exhibits"]:
        description, facts = said["display"].get(exhibit["coin"], ["", ""])
        # Terms are told in words there.
        known = {fact.partition(": ")[0] for fact in facts.split("; ")}
        labels = {"year_on_coin": "year on the coin"}
        found += [name for name in exhibit["facts"] if labels.get(name, name) not in known]
        found += [exhibit["description"]] if exhibit["description"] != description else []
    return found


def test_what_a_switch_says_is_what_the_others_see(page: Page, circle: Circle) -> None:
    """Brona joins by an invitation; Alder sees nothing, then what each switch said beforehand, then nothing again."""
    brona, alder = circle.reader, circle.steward
    page.sign_in(brona.token)
    page.open(f"/app/clubs#invitation={quote(circle.invitation())}")
    # What is behind # does not stay in the history of the browser.
    assert page.run("return location.hash") == ""
    page.type_into("Your name in this club", brona.name)
    page.until("form button", says="Join").click()
    page.until("h1", says="The Ferry House Coin Circle")
    page.press("Fare for the ferry")
    page.press("Take it")
    page.until("main", says="Your own set of it")
    told = said(page)
    assert set(told["standing"].values()) <= set(WORDS.values()) and len(told["standing"]) == 9
    assert {"Shilling": "Filled", "Half crown": "Empty"}.items() <= told["standing"].items()
    # The second shilling and the second florin; and what the sides of a swap would be told.
    assert sorted(row[0] for row in told["spares"].values()) == ["Florin", "Shilling"]
    assert any("1951 florin" in row[2] for row in told["spares"].values())
    assert len(told["display"]) == 8, "all of nine but a penny of 1912, which fits no place yet"
    assert [switch.get_attribute("checked") for switch in page.all("[role=switch]")] == [None] * 4
    nothing: dict[str, Any] = {"standings": None, "spares": None, "exhibits": []}
    assert seen_by(alder, circle, brona) == nothing
    for name, label in (
        ("standings", "How far you are"),
        ("spares", "What you can spare"),
        ("display", "Coins for the"),
    ):
        page.until(".switch:has(input:enabled)", says=label).click()
        page.until("[role=status]", says="Shown to the club now")
        seen = seen_by(alder, circle, brona)
        assert beyond(told, seen, {name}) == []
        assert seen["exhibits" if name == "display" else name]
        # The controls: a switch that shows more than it says, or something that is not switched on.
        assert beyond(told, seen, set()) == [name]
        poorer = {**told, "standing": {}, "spares": {}, "display": {}}
        assert beyond(poorer, seen, {name}) != []
        if name == "display":
            more = [{**exhibit, "facts": {**exhibit["facts"], "note": "x"}} for exhibit in seen["exhibits"]]
            assert "note" in beyond(told, {**seen, "exhibits": more}, {name})
        if name == "standings":
            # On the page of the other one.
            page.sign_in(alder.token, circle.set_page())
            page.until(".standings li", says="Brona Tansy")
            assert "6 filled, 0 possible, 3 empty, of 9 places" in page.text(".standings")
            page.sign_in(brona.token, circle.set_page())
            assert said(page)["standing"] == told["standing"]
        # It cannot be pressed before all that it changed is read.
        page.until(".switch:has(input:enabled)", says=label).click()
        page.until("[role=status]", says="No longer shown")
        assert seen_by(alder, circle, brona) == nothing


def test_the_control_sees_a_page_that_says_too_little(chromium: Page, circle: Circle) -> None:
    brona = circle.reader
    circle.joined(brona, **ALL)
    chromium.sign_in(brona.token, circle.set_page())
    told, seen = said(chromium), seen_by(circle.steward, circle, brona)
    assert beyond(told, seen, {"standings", "spares", "display"}) == []
    for planted, left_out in (
        ("#consent-standing .seen-place", "is filled"),
        ("#consent-spares [data-seen]", "a duplicate for"),
        ("#consent-display [data-seen]", "grade"),
    ):
        chromium.run("document.querySelectorAll(arguments[0]).forEach((one) => one.remove())", planted)
        assert any(left_out in one for one in beyond(said(chromium), seen, {"standings", "spares", "display"}))


def test_photos_in_the_display_have_a_switch_of_their_own(page: Page, circle: Circle) -> None:
    brona, alder = circle.reader, circle.steward
    circle.joined(brona)
    for held in brona.ask("GET", "/v1/holdings")["items"]:
        brona.photograph(held["id"])
    # From home to the club, and to its set.
    page.sign_in(brona.token)
    page.press("The Ferry House Coin Circle")
    page.press("Fare for the ferry")
    switch = page.until("#consent-photos [role=switch]")
    assert not switch.is_enabled()
    assert "switch on the coins for the display first" in page.text("#says-photos")
    # What the others would see, before anybody does: eight of nine coins fit, each has a photo.
    page.until("#consent-photos summary").click()
    # They are fetched when they come into sight.
    page.run("document.querySelector('#consent-photos .seen').scrollIntoView()")
    page.until("#consent-photos .small-photo img")
    assert len(page.all("#consent-photos [data-seen]")) == 8
    page.until(".switch:has(input:enabled)", says="Coins for the").click()
    page.until("[role=status]", says="Shown to the club now")
    page.until(".switch:has(input:enabled)", says="Photos of these coins").click()
    page.until("[role=status]", says="Shown to the club now: Photos")
    page.sign_in(alder.token, circle.set_page())
    page.press("Put the display together")
    page.until("[aria-label='Exhibits'] .small-photo")
    page.run("document.querySelector('[aria-label=Exhibits]').scrollIntoView()")
    page.until("[aria-label='Exhibits'] .small-photo img")
    assert (
        len(page.all("[aria-label='Exhibits'] .small-photo")) == len(page.all("[aria-label='Exhibits'] tbody tr")) == 6
    )
    page.until("button[aria-label^='Show larger: 1939 farthing, United Kingdom, obverse']").click()
    large = page.until(".large-photo img")
    assert large.get_attribute("alt") == "1939 farthing, United Kingdom: obverse"
    for width, dark in page.looks():
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0
    # Switched off while Alder looks: no picture comes any more, and the next display has none.
    circle.shows(brona, display=True)
    page.until("button[aria-label^='Show larger: 1940 halfpenny, United Kingdom, obverse']").click()
    page.until("[role=status]", says="This photo cannot be shown now.")
    page.press("Put it together again")
    page.run_until("return document.querySelector('.small-photo') === null")


# --- swaps --------------------------------------------------------------------------------------------------------------------

# From now on the page's search for swaps is kept as a job by the server (RFC 7240, section 4.1).
LATER = """const send = window.fetch;
window.fetch = (path, how) => send(path, String(path).endsWith("/swaps") && how.method === "GET" && path.includes("/definitions/")
    ? {...how, headers: {...how.headers, Prefer: "respond-async"}} : how);"""


def test_a_ring_of_three_is_found_declined_proposed_again_and_accepted(page: Page, circle: Circle) -> None:
    circle.offers_revised()
    everybody = (circle.reader, circle.steward, circle.third)
    for member in everybody:
        if member is circle.steward:
            circle.shows(member, spares=True)
        else:
            circle.joined(member, spares=True)
    page.sign_in(circle.reader.token, circle.set_page())
    page.until(".standings li")
    page.run(LATER)
    page.press("Look for swaps")
    ring = page.until(".swap-ring")
    (job,) = circle.reader.ask("GET", "/v1/jobs")["items"]
    assert (job["state"], job["path"]) == ("done", f"{circle.set}/swaps")
    # Drawn, read out, and as a list: the same three legs, round.
    legs = [line.text for line in page.all(".swap li")]
    assert legs[0].startswith("You give Cosmo Wick: 1951 florin") and "for your place Half crown" in legs[2]
    assert ring.get_attribute("aria-label") == f"A ring of 3 members. {' '.join(legs)}"
    assert (len(page.all(".swap-ring circle")), len(page.all(".swap-ring .way"))) == (3, 3)
    page.press("Propose this swap")
    page.until(".proposal", says="Still to answer: Alder Finch and Cosmo Wick")
    page.sign_in(circle.steward.token, circle.page())
    page.until(".attention", says="1 swap is proposed")
    page.press("Decline")
    page.until("summary", says="1 swap that is over")
    page.sign_in(circle.reader.token, circle.set_page())
    page.until(".proposal", says="Declined")
    page.press("Look for swaps")
    page.press("Propose this swap")
    page.until(".proposal", says="Still to answer")
    for member in (circle.steward, circle.third):
        page.sign_in(member.token, circle.page())
        page.press("Accept")
        if member is circle.steward:
            page.until(".proposal", says="Still to answer: Cosmo Wick")
        else:
            page.until("summary", says="2 swaps that are over")
    states = sorted(made["state"] for made in circle.reader.ask("GET", f"{circle.api}/swaps")["items"])
    assert states == ["accepted", "declined"]


# --- a newer revision, announced and followed -----------------------------------------------------------------------------------


def test_a_newer_revision_is_announced_in_sentences_and_followed_with_its_impact(page: Page, circle: Circle) -> None:
    brona = circle.reader
    circle.joined(brona)
    taken = brona.ask("POST", f"{circle.set}/copies", {})["definition_id"]
    circle.steward.revised(circle.own, revised())
    page.sign_in(circle.steward.token, circle.set_page())
    page.press("Announce a newer revision")
    page.until("#offer-set")
    page.type_into("What to say of it", NEWS)
    page.press("Announce it")
    page.until("main", says="Revision 2, offered by Alder Finch")
    page.sign_in(brona.token, circle.page())
    page.until("ol.rows", says=NEWS)
    page.press("What changed")
    page.until(".changes", says="The place 'A coin of the coronation year' is new.")
    page.press("Fare for the ferry")
    page.until(".newer", says="The place 'Brass threepence' is now called 'Twelve-sided threepence'.")
    page.press("See what it does to my set")
    page.until(".step", says="Filled: 6 now, 8 then.")
    # What stands first stays first.
    assert page.run("return document.querySelector('main').firstElementChild.className") == "crumbs"
    path = f"/v1/definitions/{taken}"
    assert brona.ask("GET", f"{path}/adoption")["follows"]["revision"] == 1
    page.press("Follow revision 2")
    page.run_until("return document.querySelector('.step') === null")
    assert brona.ask("GET", f"{path}/adoption")["follows"]["revision"] == 2
    assert brona.ask("GET", f"{path}/evaluation")["summary"]["filled"] == 8


# --- links, origins, history --------------------------------------------------------------------------------------------------


def test_a_link_is_made_opened_by_a_stranger_taken_over_and_revoked(
    page: Page, collector: Collector, house: House, newcomer: Callable[[], tuple[str, str]]
) -> None:
    collector.ask("POST", f"/v1/definitions/{collector.set}/revisions?acknowledged=true", headers={"If-Match": "*"})
    page.sign_in(collector.token, collector.album())
    page.press("Share")
    page.until(".panel", says="Who opened it is never told")
    page.type_into("What you call the link", "For the Thursday table")
    page.press("Make a link")
    picture = page.until("img.qr")
    page.run_until("return arguments[0].naturalWidth", picture)
    link = str(page.run("return document.getElementById('share-link').value"))
    shown = httpx.get(link, headers={"Accept": "text/html"})
    assert shown.status_code == 200
    for private in ("For the Thursday table", "Wren Hollow", "p1", collector.set):
        assert private not in shown.text
    for _ in page.looks():
        page.open(link)
        assert (page.faults(), page.overflow() <= 0) == ([], True)
    assert [heading.text for heading in page.all("h2")] == ["Places", "Which coin is the better", "Take it over"]
    assert "A penny before 1901" in page.text("dt")
    # Somebody else, with an account here.
    _, token = newcomer()
    page.sign_in(token)
    page.open(link)
    page.press("take over this set")
    page.until("[name=from]")
    assert page.run("return location.href.includes('sws_')") is False
    page.press("Look at it")
    page.until("h1", says="One of every sign, not yet kept")
    page.press("Keep it as my own")
    page.until("li.place")
    page.press("Where it came from")
    page.until(".panel", says="Taken from a file: One of every sign")
    page.sign_in(collector.token)
    page.open(f"{collector.album()}#share")
    page.until(".rows", says="Last used")
    page.press("Revoke the link")
    page.until(".rows", says="revoked")
    assert httpx.get(link, headers={"Accept": "text/html"}).status_code == 404


def test_a_copy_finds_what_is_newer_and_a_set_shows_how_it_grew(page: Page, collector: Collector) -> None:
    any_version = {"If-Match": "*"}
    path = f"/v1/definitions/{collector.set}"
    collector.ask("POST", f"{path}/revisions?acknowledged=true", headers=any_version)
    copy = collector.ask("POST", f"{path}/copies", json={}).json()["id"]
    collector.ask("POST", f"/v1/definitions/{copy}/revisions?acknowledged=true", headers=any_version)
    newer = {
        **DEFINITION,
        "slots": [*DEFINITION["slots"], {"id": "pound", "label": "A pound", "accepts": "denomination = 'pound'"}],
    }
    collector.ask("PUT", path, headers=any_version, json={"document": newer})
    collector.ask("POST", f"{path}/revisions?acknowledged=true", headers=any_version)
    page.sign_in(collector.token, f"/app/sets/{copy}")
    page.press("Where it came from")
    page.until(".panel", says="A copy of a set of your own")
    page.press("Ask whether there is something newer")
    page.until("[role=status]", says="Revision 2 is newer")
    page.press("Bring it into my draft")
    page.until(".changes", says="The place 'A pound' is new.")
    page.press("Follow revision 2")
    page.until("button", says="Follow it all the same").click()
    page.until("[data-place='pound']")
    for day, changed in (("2024-03-01", None), ("2024-06-01", ("p1", 1900)), ("2025-01-15", ("h1", None))):
        if changed is not None:
            number, year = changed
            collector.change(number, **({"year_on_coin": year} if year else {"denomination": "farthing"}))
        collector.ask("POST", f"{path}/history", json={"on": day})
    page.open(f"{collector.album()}#history")
    page.until(".growth")
    rows = [[cell.text for cell in row.find_elements("css selector", "th, td")] for row in page.all(".grown tbody tr")]
    # A day is written as the browser's country does.
    assert [(set(re.findall(r"\w+", day)), filled, tentative) for day, filled, tentative, *_ in rows] == [
        ({"15", "Jan", "2025"}, "7", "0"),
        ({"1", "Jun", "2024"}, "7", "0"),
        ({"1", "Mar", "2024"}, "6", "1"),
    ]
    assert "A penny before 1901" in rows[1][3]
    name = page.until(".growth").get_attribute("aria-label") or ""
    assert name.startswith("Filled places: 6 on ") and ", 7 on " in name
    assert len(page.all(".growth .dot")) == 3
    page.press("Note how it stands today")
    page.until(".grown tbody tr:nth-child(4)")


# --- all of it, in every size and colour ----------------------------------------------------------------------------------------


def test_every_view_of_clubs_is_accessible_light_and_dark_narrow_and_wide(page: Page, circle: Circle) -> None:
    circle.offers_revised()
    for member in (circle.reader, circle.third):
        circle.joined(member, **ALL)
    circle.shows(circle.steward, **ALL)
    (swap,) = circle.reader.ask("GET", f"{circle.set}/swaps")["items"]
    circle.reader.ask("POST", f"{circle.api}/swaps", {"definition_id": circle.offer, "swap": swap["key"]})
    page.sign_in(circle.steward.token)
    found = []
    for path, ready, pressed in (
        ("/app/clubs", ".set", ["Join a club", "Found a club"]),
        (circle.page(), ".swap-ring", ["Offer a set", "Invite somebody", "What stewards did", "3 members"]),
        (circle.set_page(), ".standings .bar", ["Put the display", "Look for swaps"]),
        ("/app/take", "form", []),
    ):
        page.open(path)
        page.until(ready)
        for label in pressed:
            page.press(label)
        if path == circle.set_page():
            page.until("h3", says="Lenders")
            page.until("#consent-display td")
        for width, dark in page.looks():
            found += [(path, width, dark, fault) for fault in page.faults()]
            assert page.overflow() <= 0, (path, width)
        page.look(640, zoom=2)
        assert page.overflow() <= 0, (path, "twice as large")
        page.look(1280)
    assert found == []
