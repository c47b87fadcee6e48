"""The builder of set definitions in Chromium: places picked, rules as forms and as text, findings, publishing."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from selenium.webdriver.common.keys import Keys

from service.formats.strict_json import parse_json, parse_yaml
from service.rules.used_terms import rules_of
from tests.server import Server
from tests.web.a_set import DEFINITION, Collector
from tests.web.browser import Page

pytestmark = [pytest.mark.browser, pytest.mark.process]
ROOT = Path(__file__).resolve().parents[2]


def builder(page: Page, collector: Collector, place: str) -> None:
    """The builder of the collector's set, with a place shown, once the service has answered."""
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.until(".entry", says=place).click()
    page.until(".part-editor h3", says="What it takes")


def rule_text(page: Page) -> str:
    return str(page.run("return document.querySelector('#rule-text').value"))


def until_rule(page: Page, wanted: str) -> None:
    """Waits until the service has written this text."""
    page.until("#rule-text[aria-busy=false]")
    deadline = time.monotonic() + 30
    while rule_text(page) != wanted and time.monotonic() < deadline:
        time.sleep(0.05)
    assert rule_text(page) == wanted


def picked_then_typed(page: Page) -> None:
    """The rule of an open entry: coins without problems, by pickers, and then also of a grade, as text. Form and text are the
    same rule: what was picked is in the text, and what is typed is in the form."""
    page.until(".draft-items .rule-form button", says="Add a condition").click()
    page.until(".draft-items .attribute-picker input").send_keys("problems")
    page.until(".draft-items [role=option]", says="problems").click()
    page.until(".condition-form select option[value=empty]").click()
    page.until(".condition-form .buttons button", says="Add it").click()
    until_rule(page, "count(problems) = 0")
    page.type_into("Rule of the entry", "count(problems) = 0 AND grade > 8")
    page.until(".draft-items .says", says="more than 8")


def pick(page: Page, *labels: str) -> None:
    """Chooses the boxes with these words in the form of a condition, and adds it."""
    for label in labels:
        page.until(".condition-form .pick", says=label).click()
    page.until(".condition-form .buttons button", says="Add it").click()


def add_condition(page: Page, attribute: str, *labels: str, button: str = "Add a condition") -> None:
    page.until(".rule-form button", says=button).click()
    page.until(".attribute-picker button", says=attribute).click()
    pick(page, *labels)


# --- a set by clicks ---------------------------------------------------------------------------------------------------------


def test_twelve_places_are_put_together_without_typing_a_rule(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.press("Put together a new set")
    page.until(".starts")
    # One place for each denomination of my coins: seven.
    page.until(".starts button", says="One for each ...").click()
    page.until(".attribute-picker button", says="enomination").click()
    page.until(".starts .pick", says="A fixed list").click()
    page.until(".starts button", says="Add the places").click()
    page.until(".entry", says="one for each")
    # Three of free choice, from 1900 to 1929 by the bar of my coins; no coins of a shilling.
    page.until(".starts button", says="Places of free choice").click()
    page.until(".starts button", says="Add the places").click()
    page.until(".part-editor input[id=part-places]")
    page.until(".rule-form button", says="Add a condition").click()
    page.until(".attribute-picker button", says="ear on the coin").click()
    page.until(".span-bar button", says="1900-1909").click()
    page.until(".condition-form .buttons button", says="Add it").click()
    until_rule(page, "year_on_coin BETWEEN 1900 AND 1909")
    add_condition(page, "enomination", "shilling")
    until_rule(page, "year_on_coin BETWEEN 1900 AND 1909 AND denomination = 'shilling'")
    page.until("button[aria-label='But not: denomination: shilling']").click()
    until_rule(page, "year_on_coin BETWEEN 1900 AND 1909 AND NOT denomination = 'shilling'")
    # One from a coin of mine, and a blank one with alternatives.
    page.until(".starts button", says="A place from one of my coins").click()
    page.until(".starts .coin-list button", says="1935 shilling").click()
    page.until(".starts .pick", says="denomination: shilling")
    page.until(".starts button", says="Add the place").click()
    until_rule(page, "denomination = 'shilling'")
    page.until(".starts button", says="A blank place").click()
    page.until(".group-name", says="Any coin, until you add a condition.")
    add_condition(page, "enomination", "florin")
    until_rule(page, "denomination = 'florin'")
    add_condition(page, "aterial", "bronze", button="Or also ...")
    until_rule(page, "denomination = 'florin' OR material = 'bronze'")
    # Of seven coins the metal is not recorded.
    page.until(".effect .fits", says="2 fit, 7 may fit")
    assert page.text(".effect .fits") == "Here: 2 fit, 7 may fit; 2 of them fit elsewhere too."
    # Up and down by buttons: it goes before the one from the coin.
    names = [entry.text.split("\n")[0] for entry in page.all(".place-list li")]
    page.until("button[aria-label='Up: New place']").click()
    moved = [entry.text.split("\n")[0] for entry in page.all(".place-list li")]
    assert (names[0], names[1]) == (moved[1], moved[0])
    # Warnings lead to their place, and are acknowledged one by one.
    page.until(".publish button", says="Look at what publishing changes").click()
    page.until(".publish", says="This will be the first revision.")
    publish = page.until(".publish button", says="Publish")
    for box in page.all(".severity-warning input"):
        assert not publish.is_enabled()
        box.click()
    page.until(".publish button:enabled", says="Publish").click()
    page.until("li.place")
    assert len(page.all("li.place")) == 12
    (kept,) = [one for one in collector.ask("GET", "/v1/definitions").json()["items"] if one["title"] == "A new set"]
    assert (kept["status"], kept["revision"]) == ("published", 1)
    document = collector.ask("GET", f"/v1/definitions/{kept['id']}").json()["document"]
    # Every rule is text of the service's writer.
    assert all(isinstance(rule, str) or rule is True for _, rule in rules_of(document))


def test_a_published_set_is_changed_and_the_change_is_told(page: Page, collector: Collector) -> None:
    made = collector.ask("GET", f"/v1/definitions/{collector.set}")
    tag = {"If-Match": made.headers["etag"]}
    collector.ask("POST", f"/v1/definitions/{collector.set}/revisions?acknowledged=true", headers=tag)
    page.sign_in(collector.token, collector.album())
    page.press("Change what this set takes")
    page.until(".effect .figures")
    page.until(".entry", says="A crown").click()
    page.until("button[aria-label='Change: denomination: crown']").click()
    page.until(".condition-form .pick", says="shilling").click()
    page.until(".condition-form .buttons button", says="Change it").click()
    until_rule(page, "denomination IN ('crown', 'shilling')")
    # An example of the author's: the coin has to fit.
    page.until("button[aria-label^='Has to fit here: No. s1']").click()
    page.until(".effect li", says="has to fit: crown")
    page.until(".publish button", says="Look at what publishing changes").click()
    page.until(".publish li", says="A crown")
    assert "before" in page.text(".publish")
    for box in page.all(".severity-warning input"):
        box.click()
    page.until(".publish button:enabled", says="Publish").click()
    page.until("li.place")
    stored = collector.ask("GET", f"/v1/definitions/{collector.set}").json()
    assert (stored["status"], stored["revision"]) == ("published", 2)
    assert stored["document"]["examples"] == [
        {
            "label": "No. s1, 1935 shilling",
            "facts": {"denomination": "shilling", "year_on_coin": 1935, "grade": 50},
            "fits": ["crown"],
        }
    ]
    # What nobody touched is as it was.
    assert stored["document"]["layout"] == made.json()["document"]["layout"]


# --- forms and text ----------------------------------------------------------------------------------------------------------


def all_rules() -> list[Any]:
    """The rules of the shipped definitions, and those of the cases of the language; each as it was written."""
    found: list[Any] = []
    for path in sorted((ROOT / "set_definitions").glob("*.definition.*")):
        raw = path.read_bytes()
        document = parse_yaml(raw) if path.suffix == ".yaml" else parse_json(raw)
        found += [rule for _, rule in rules_of(document)]
    for path in sorted((ROOT / "tests" / "cases").glob("*.json")):
        for case in json.loads(path.read_text(encoding="utf-8"))["cases"]:
            found += [case["rule"]] if "rule" in case else []
            found += [rule for _, rule in rules_of(case.get("definition", {}))]
    return found


ROUND_TRIP = """const [trees, texts, done] = arguments;
import("/app/sheet/rule-form.js").then(({formOf, treeOf, same, isExact}) => {
    const flipped = (node) => node.kind === "condition" ? {...node, how: {at_most: "below"}[node.how] ?? node.how}
        : node.kind === "not" ? {...node, item: flipped(node.item)}
        : node.items ? {...node, items: node.items.map(flipped)} : node;
    const whole = (node) => node.kind === "block" ? false : node.kind === "not" ? whole(node.item)
        : node.kind === "condition" || node.items.every(whole);
    const forms = trees.map(formOf);
    done({
        exact: texts.map(isExact),
        differ: trees.filter((tree, at) => !same(treeOf(forms[at]), tree)),
        again: forms.map(treeOf),
        planted: trees.filter((tree, at) => !same(treeOf(flipped(forms[at])), tree)).length,
        whole: forms.filter(whole).length,
    });
}, (error) => done(String(error)));"""


def test_forms_and_text_are_two_views_of_one_tree(
    page: Page, house: tuple[Server, str, httpx.Client], newcomer: Callable[[], tuple[str, str]]
) -> None:
    rules = [rule for rule in all_rules() if not isinstance(rule, bool)]
    assert len(rules) > 200
    headers = {"Authorization": f"Bearer {newcomer()[1]}"}

    def read(sent: list[Any]) -> list[dict[str, Any]]:
        """The rules as the service reads them: text to tree, tree to text."""
        slots = [{"id": f"p{at}", "accepts": rule} for at, rule in enumerate(sent)]
        body = {"definition": {"format": "set-definition/1", "title": "All rules", "slots": slots}}
        told = house[2].post("/v1/definition-previews", json=body, headers=headers)
        assert told.status_code == 200, told.text
        found: list[dict[str, Any]] = told.json()["rules"]
        return found

    readings = [reading for reading in read(rules) if reading["json"] is not None]
    trees = [reading["json"] for reading in readings]
    page.open("/app/sign-in")
    texts = [reading["text"] for reading in readings]
    told = page.driver.execute_async_script(ROUND_TRIP, trees, texts)
    assert told["differ"] == []
    # Back through the service: the same text, so nothing was rewritten; but for numbers that a double does not keep, of which the
    # builder shows the text alone.
    again = [one["text"] for one in read(told["again"])]
    assert {
        text for text, was, exact in zip(again, texts, told["exact"], strict=True) if text != was and exact
    } == set()
    assert "weight_measured = 2.50" in [text for text, exact in zip(texts, told["exact"], strict=True) if not exact]
    assert sum(told["exact"]) > 0.95 * len(texts)
    # The control: another sign is another tree wherever it stands.
    assert told["planted"] == sum('"<="' in json.dumps(tree) for tree in trees if _has_plain_bound(tree)) > 0
    # Most have a form of their own; the rest are blocks in their places.
    assert told["whole"] > len(trees) / 2


def _has_plain_bound(tree: Any) -> bool:
    """Whether somewhere an attribute alone is at most some value."""
    if not isinstance(tree, dict):
        return False
    args = tree.get("args", [])
    if tree.get("op") == "<=":
        first, second = args
        is_plain = not isinstance(second, dict | list) or (isinstance(second, dict) and "date" in second)
        return isinstance(first, dict) and "property" in first and is_plain
    return tree.get("op") in ("and", "or", "not") and any(map(_has_plain_bound, args))


def test_a_fault_is_shown_under_its_sign_and_a_draft_survives_a_reload(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    builder(page, collector, "A crown")
    wrong = "denomination = 'crown' AND grde > 1"
    page.type_into("Rule of: A crown", wrong)
    said = page.until(".faults li", says="Line 1, character 28")
    assert "did you mean 'grade'" in said.text
    line, caret = str(page.run("return document.querySelector('.pointed').textContent")).split("\n")
    assert (line, caret) == (wrong, " " * wrong.index("grde") + "^")
    # The finding leads to the place.
    page.until(".entry", says="The whole set").click()
    page.until(".severity-error button", says="Go to the place").click()
    page.until("#part-label:focus")
    # A reload, and another one: what was typed is there, and the service has nothing of it.
    page.open(f"/app/build/{collector.set}")
    page.until(".draft-state", says="not saved on the service yet")
    page.until(".entry", says="A crown").click()
    assert rule_text(page) == wrong
    page.until(".faults li", says="Line 1, character 28")
    assert "grde" not in collector.ask("GET", f"/v1/definitions/{collector.set}").text
    # What there are no fields for is a block in its place, and stays as it is when another part changes.
    page.type_into("Rule of: A crown", "denomination = 'crown' AND year_on_coin % 2 = 0")
    page.until(".block-text code", says="year_on_coin % 2 = 0")
    add_condition(page, "aterial", "bronze")
    until_rule(page, "denomination = 'crown' AND year_on_coin % 2 = 0 AND material = 'bronze'")
    page.press("Drop these changes")
    page.until(".draft-state", says="As saved on the service.")


LATE = """const real = window.fetch; let first = true;
window.fetch = (path, ...rest) => {
    const asked = real(path, ...rest);
    if (!String(path).includes("definition-previews") || !first) return asked;
    first = false;
    return asked.then((answer) => new Promise((done) => setTimeout(() => { window.late = true; done(answer); }, 2500)));
};"""


def test_the_last_answer_wins(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    builder(page, collector, "A crown")
    page.run(LATE)
    page.type_into("Rule of: A crown", "denomination = 'farthing'")
    page.until("#rule-text")
    time.sleep(0.6)
    page.type_into("Rule of: A crown", "denomination = 'sixpence'")
    page.until(".effect .takes", says="sixpence")
    deadline = time.monotonic() + 30
    while not page.run("return window.late === true") and time.monotonic() < deadline:
        time.sleep(0.1)
    time.sleep(0.2)
    assert page.text(".effect .takes").lower() == "a sixpence"


# An answer to a request of this kind is held back until it is let go.
HELD = """const [method, path] = arguments;
const asked = window.fetch;
window.fetch = async (...with_) => {
    const answer = await asked(...with_);
    if (with_[1]?.method === method && with_[0] === path) {
        window.isHeld = true;
        await new Promise((go) => { window.letGo = go; });
    }
    return answer;
};"""


def test_what_is_typed_while_the_draft_is_stored_stays_and_is_unsaved(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.type_into("Title", "Before")
    page.until(".publish button:enabled", says="Save the draft")
    page.run(HELD, "PUT", f"/v1/definitions/{collector.set}")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.run_until("return window.isHeld === true")
    page.type_into("Title", "Meanwhile")
    page.run("window.letGo()")
    page.until(".publish[aria-busy=false]")
    assert page.until("#set-title").get_property("value") == "Meanwhile"
    assert "not saved on the service yet" in page.text(".draft-state")
    # It is kept in the browser, and goes on from what was stored.
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    assert page.until("#set-title").get_property("value") == "Meanwhile"
    assert saved(page, collector)["title"] == "Meanwhile"
    assert page.focused() != "BODY"


def test_a_new_set_that_is_changed_while_it_is_stored_is_one_set(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open("/app/build/new")
    page.until(".starts button", says="A blank place").click()
    page.until(".effect .figures")
    page.run(HELD, "POST", "/v1/definitions")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.run_until("return window.isHeld === true")
    # Of this rule the service writes the text, once it is stored.
    add_condition(page, "enomination", "florin")
    page.run("window.letGo()")
    page.until(".publish[aria-busy=false]")
    until_rule(page, "denomination = 'florin'")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.until(".draft-state", says="As saved on the service.")
    page.open("/app/build/new")
    page.until(".draft-state", says="Nothing is saved yet.")
    made = [one for one in collector.ask("GET", "/v1/definitions").json()["items"] if one["title"] == "A new set"]
    assert len(made) == 1
    document = collector.ask("GET", f"/v1/definitions/{made[0]['id']}").json()["document"]
    assert document["slots"][0]["accepts"] == "denomination = 'florin'"


def test_what_was_looked_at_is_told_of_no_later_draft(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.until(".publish button:enabled", says="Look at what publishing changes").click()
    page.until(".publish button", says="Publish")
    # What was pressed has the focus again.
    assert page.run("return document.activeElement.textContent") == "Look at what publishing changes"
    page.type_into("Title", "Another name")
    page.run_until(
        "return ![...document.querySelectorAll('.publish button')].some((one) => one.textContent === 'Publish')"
    )
    page.until(".publish button:enabled", says="Look at what publishing changes").click()
    page.until(".publish button", says="Publish")


def overtaken(page: Page, collector: Collector, **otherwise: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """The title is changed here after another device stored its draft: the address, the document before, and the other."""
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    path = f"/v1/definitions/{collector.set}"
    stored = collector.ask("GET", path)
    before = stored.json()["document"]
    other = {**before, **otherwise}
    collector.ask("PUT", path, json={"document": other}, headers={"If-Match": stored.headers["ETag"]})
    page.type_into("Title", "Of this browser")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.until(".publish .trouble", says="another draft of it was saved elsewhere")
    return path, before, other


def test_a_draft_that_was_overtaken_is_stored_in_the_others_place_if_its_owner_says_so(
    page: Page, collector: Collector
) -> None:
    path, before, other = overtaken(page, collector, summary="Of another device.")
    assert "If-Match" not in page.text(".publish")
    assert collector.ask("GET", path).json()["document"] == other
    page.press("Save mine in its place")
    page.until(".draft-state", says="As saved on the service.")
    assert page.all(".publish .trouble") == []
    assert collector.ask("GET", path).json()["document"] == {**before, "title": "Of this browser"}


def test_a_draft_that_was_overtaken_can_be_dropped_for_the_other(page: Page, collector: Collector) -> None:
    overtaken(page, collector, title="Of another device")
    page.click(".draft-state button", says="Drop these changes")
    page.until("h1", says="Of another device")
    # Nothing is left to be put in the other's place.
    assert page.all(".publish .trouble") == []


def test_the_places_of_a_free_choice_count_a_coin_once(page: Page, collector: Collector) -> None:
    collector.change("f2", denomination="sixpence")
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.until(".entry", says="Any sixpence").click()
    page.until(".effect .fits", says="Any sixpence: 2 fit, 0 may fit")
    assert "2 coins" in page.text(".entry[aria-current=true]")


def test_a_template_leads_to_the_whole_set(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open("/app/build/new")
    page.until(".starts")
    page.press("From a template")
    page.until(".starts .pick", says="One for each decade of your coins").click()
    page.until(".starts button:enabled", says="Add the places").click()
    page.until("#set-title:focus")


# --- beside the places ---------------------------------------------------------------------------------------------------------


def opened(page: Page, title: str) -> None:
    page.until(".part-editor summary", says=title).click()


def added(page: Page, button: str, fact: str | None = None) -> None:
    """Adds an entry by its button; of one about a fact the fact is searched for and taken."""
    page.until(".adding button", says=button).click()
    if fact is not None:
        page.until(".adding .attribute-picker input").send_keys(fact)
        page.until(".adding [role=option]", says=fact).click()
    page.until(".draft-items button[aria-expanded=true]")


def saved(page: Page, collector: Collector) -> dict[str, Any]:
    page.until(".publish button:enabled", says="Save the draft").click()
    page.until(".draft-state", says="As saved on the service.")
    document: dict[str, Any] = collector.ask("GET", f"/v1/definitions/{collector.set}").json()["document"]
    return document


def test_what_holds_of_all_places_is_put_together_without_typing_a_rule(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    # Preferences: the one that is there goes behind two others.
    opened(page, "Which coin is the better one: 1")
    added(page, "First coins that")
    picked_then_typed(page)
    page.type_into("Rule of the entry", "count(problems) = 0")
    page.until("button[aria-label='Up: First coins that fit: count(problems) = 0']").click()
    added(page, "In an order of yours", "strike")
    for value in ("circulation", "proof"):
        page.until("#prefer-2-value").send_keys(value, Keys.ENTER)
    page.until("button[aria-label='Up: proof']").click()
    # Presumptions: one more fact, of some coins only; and where the catalogue is complete.
    opened(page, "What is presumed: 1")
    page.until("button[aria-label^='Change: problems']").click()
    page.until(".draft-items .adding button", says="Add a fact").click()
    page.until(".draft-items .attribute-picker input").send_keys("magnetic")
    page.until(".draft-items [role=option]", says="magnetic").click()
    page.until(".presumed .choices label", says="no").click()
    page.until(".draft-items button", says="Only of coins that").click()
    page.type_into("Rule of the entry", "denomination = 'farthing'")
    added(page, "The catalogue has them all")
    page.type_into("Rule of the entry", "denomination = 'crown'")
    # Rules over several places.
    opened(page, "Rules over several places")
    added(page, "All different in", "year on the coin")
    page.until("#constraints-0-label").send_keys("No year twice")
    for place in ("A florin", "Another florin"):
        page.until("#does")
        page.until(".draft-items .values label.pick", says=place).click()
    added(page, "A goal")
    page.until("#constraints-1-count").clear()
    page.until("#constraints-1-count").send_keys("3")
    page.type_into("Rule of the entry", "grade >= 40")
    page.until(".draft-items .says", says="Goal: 3 coins that fit: grade >= 40")
    for width, dark in page.looks():
        page.until(".builder")
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0, width
    document = saved(page, collector)
    assert document["prefer"] == [
        {"where": "count(problems) = 0"},
        {"highest": "grade"},
        {"order": "strike", "values": ["proof", "circulation"]},
    ]
    assert document["presume"] == [{"facts": {"problems": [], "magnetic": False}, "where": "denomination = 'farthing'"}]
    assert document["identify"] == [{"where": "denomination = 'crown'"}]
    assert document["constraints"] == [
        {
            "id": "different",
            "kind": "different",
            "by": ["year_on_coin"],
            "label": "No year twice",
            "places": ["florin-a", "florin-b"],
        },
        {"id": "at-least", "kind": "at_least", "where": "grade >= 40", "count": 3},
    ]
    # A place that is gone is gone from the rules too; what else there is stays as it was.
    page.until(".entry", says="Another florin").click()
    page.until("button[aria-label='Remove: Another florin']").click()
    document = saved(page, collector)
    assert document["constraints"][0]["places"] == ["florin-a"]
    assert [document[name] for name in ("one_per", "free_choice")] == [
        DEFINITION[name] for name in ("one_per", "free_choice")
    ]


def test_a_free_choice_gets_its_rules_without_typing_a_rule(page: Page, collector: Collector) -> None:
    """No two alike, so many of each, so many that fit: forms and text are the same tree, and can be taken back."""
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.until(".entry", says="Any sixpence").click()
    opened(page, "Rules of this choice")
    page.until(".adding button", says="All different in").click()
    page.until(".adding .attribute-picker input").send_keys("year on the coin")
    page.until(".adding [role=option]", says="year on the coin").click()
    page.until(".part-editor .token", says="year on the coin")
    page.until("#free_choice-0-distinct input, input#free_choice-0-distinct").send_keys("mint")
    page.until("#free_choice-0-distinct-list [role=option], .attribute-picker [role=option]", says="mint").click()
    added(page, "At most so many of each", "strike")
    page.until("#free_choice-0-at_most-0-count").clear()
    page.until("#free_choice-0-at_most-0-count").send_keys("2")
    page.until(".draft-items .says", says="At most 2 of each: strike")
    added(page, "At most so many coins that")
    picked_then_typed(page)
    for width, dark in page.looks():
        page.until(".builder")
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0, width
    choice = saved(page, collector)["free_choice"][0]
    assert choice == {
        **DEFINITION["free_choice"][0],
        "distinct": ["year_on_coin", "mint"],
        "at_most": [{"per": "strike", "count": 2}, {"where": "count(problems) = 0 AND grade > 8", "count": 1}],
    }
    # What the service says in words are the same rules.
    told = " ".join(collector.ask("GET", f"/v1/definitions/{collector.set}").json()["in_words"])
    assert "no two coins agree in year on the coin and mint" in told
    assert "at most 2 of one strike" in told
    # A fault leads to its entry.
    page.type_into("Rule of the entry", "grade > ")
    page.until(".column-rule .wrong, .column-rule .fault, .column-rule [role=alert]")
    page.type_into("Rule of the entry", "grade > 8")
    # And back.
    page.until("button[aria-label='Remove: At most 2 of each: strike']").click()
    page.until(".part-editor button", says="Let them be alike again").click()
    page.until(".draft-items .says", says="At most 1 coins that fit")
    page.until("button[aria-label^='Remove: At most 1']").click()
    assert saved(page, collector)["free_choice"][0] == DEFINITION["free_choice"][0]


def test_keys_of_a_group_are_changed_afterwards(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    page.until(".entry", says="alloys").click()
    page.until("#key").send_keys("silver")
    page.until("#key-list [role=option]", says="silver").click()
    page.until("button[aria-label='Remove: brass']").click()
    page.until("button[aria-label='Up: silver']").click()
    page.until(".part-editor .pick", says="known to have none").click()
    page.type_into("Where to look on the coin", "the edge")
    opened(page, "Which coin is the better one")
    added(page, "The lower, the better", "year on the coin")
    page.until(".effect li", says="silver")
    group = saved(page, collector)["one_per"][0]
    assert group == {
        **DEFINITION["one_per"][0],
        "keys": {"from": "list", "values": ["silver", "bronze"]},
        "none": True,
        "look_at": "the edge",
        "prefer": [{"lowest": "year_on_coin"}],
    }
    # From elsewhere, and back: a list begins with what my coins have.
    page.until(".part-editor .pick", says="All of the catalogue").click()
    assert saved(page, collector)["one_per"][0]["keys"] == {"from": "catalogue"}
    page.until(".part-editor .pick", says="A fixed list").click()
    assert saved(page, collector)["one_per"][0]["keys"] == {"from": "list", "values": ["bronze"]}


def test_signing_out_says_which_drafts_would_be_lost(
    page: Page, collector: Collector, newcomer: Callable[[], tuple[str, str]]
) -> None:
    page.sign_in(collector.token)
    builder(page, collector, "A crown")
    page.type_into("Name of the place", "A crown piece")
    page.until(".draft-state", says="not saved on the service yet")
    page.press("Sign out")
    page.until("[role=alert]", says="1 set that you are putting together is not saved")
    assert page.text("[role=alert] li") == "One of every sign"
    assert page.faults() == []
    page.until("[role=alert] button", says="Stay signed in").click()
    page.press("Sign out")
    page.until("[role=alert] button", says="Save them as drafts on the service").click()
    page.until(".draft-state", says="As saved on the service.")
    slots = collector.ask("GET", f"/v1/definitions/{collector.set}").json()["document"]["slots"]
    assert slots[4]["label"] == "A crown piece"
    # Another one, and then the token ends: the draft waits here for its account, and nobody else is shown it.
    page.type_into("Name of the place", "A crown of silver")
    page.until(".draft-state", says="not saved on the service yet")
    collector.ask("DELETE", "/v1/account/token")
    page.until(".notice", says="You are no longer signed in")
    page.until("[role=alert]", says="1 set that you are putting together is not saved")
    assert "One of every sign" not in page.text("[role=alert]")
    page.open(f"/app/sign-in#token={newcomer()[1]}")
    page.press("Sign in with this token")
    page.until(".trouble", says="This browser still has changes of the account")
    page.press("Remove them from this browser")
    page.until("main", not_saying="putting together")
    page.press("Sign in with this token")
    page.until("main h1", says="My sets")


# --- for everybody -----------------------------------------------------------------------------------------------------------


def tab_to(page: Page, wanted: str) -> None:
    """Goes on by the Tab key until what has the focus says so."""
    said = "const at = document.activeElement; return at.getAttribute('aria-label') ?? at.id + ' ' + at.textContent"
    for _ in range(120):
        page.keys(Keys.TAB)
        if wanted in str(page.run(said)):
            return
    raise AssertionError(f"the Tab key never comes to {wanted}")


def test_the_keyboard_alone_does(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open(f"/app/build/{collector.set}")
    page.until(".effect .figures")
    tab_to(page, "A crown")
    page.keys(Keys.ENTER)
    page.until(".part-editor[aria-label='A crown']")
    tab_to(page, "Add a condition")
    page.keys(Keys.ENTER)
    page.until(".attribute-picker button")
    # By another word than its label: the help of the attribute.
    page.keys("grade")
    page.until("[role=option]", says="grade")
    page.keys(Keys.ARROW_DOWN, Keys.ENTER)
    page.until(".condition-form select")
    tab_to(page, "accepts-add--value-0")
    page.keys("40")
    tab_to(page, "Add it")
    page.keys(Keys.ENTER)
    until_rule(page, "denomination = 'crown' AND grade >= 40")
    # The form is gone, and the keyboard is where it was before.
    assert "Add a condition" in page.run("return document.activeElement.textContent")
    tab_to(page, "Down: A crown")
    page.keys(Keys.ENTER)
    layout = page.run(
        "return [...document.querySelectorAll('.place-list div:nth-of-type(2) li')].map((one) => one.textContent.trim())"
    )
    assert [text.split("  ")[0].strip() for text in layout][:2] == ["A florin", "A crown"]


def test_no_view_of_the_builder_has_a_fault(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    found: list[Any] = []

    def look(state: str) -> None:
        for width, dark in page.looks():
            page.until(".builder")
            found.extend((state, width, dark, fault) for fault in page.faults())
            assert page.overflow() <= 0, (state, width)

    page.open("/app/build/new")
    page.until(".starts")
    page.until(".starts button", says="From a template").click()
    page.until(".starts .panel")
    look("new")
    builder(page, collector, "A penny before 1901")
    page.until(".rule-form button", says="Add a condition").click()
    page.until(".attribute-picker button", says="ear on the coin").click()
    page.until(".span-bar button")
    look("a condition")
    # On a phone the three are tabs, and arrow keys go from one to the next.
    page.look(320)
    page.until("[role=tab]", says="Pick").click()
    page.keys(Keys.ARROW_RIGHT)
    page.until("#rule[role=tabpanel] textarea")
    assert page.faults() == []
    page.keys(Keys.ARROW_RIGHT)
    page.until("#does[role=tabpanel] .findings")
    assert page.faults() == []
    assert page.overflow() <= 0
    page.look(1280)
    assert found == []
    # The control: a field whose label is gone is seen.
    page.until(".part-editor label")
    page.run("document.querySelector('label[for=part-label]').remove()")
    assert any(fault.startswith("label:") for fault in page.faults())


PAGES = """const [document, done] = arguments;
import("/app/sheet/draft.js").then((draft) => {
    const before = JSON.stringify(document);
    const order = (one) => draft.leavesOf(one).map((leaf) => [leaf.label, leaf.entries.map(({part}) => part.id)]);
    const turned = draft.moved(draft.moved(document, "sound", -1), "sound", -1);
    const added = draft.withPart(draft.withPage(document, "Four"), "slots", {label: "A farthing", accepts: true}, 3);
    done({
        order: order(document), up: order(turned), end: draft.canMove(turned, "sound", -1),
        loose: draft.canMove(document, "alloys", 1), pages: order(draft.movedPage(document, 2, -1)),
        id: added.id, added: order(added.document), gone: order(draft.withoutPart(document, "crown")),
        lost: order(draft.withoutPage(document, 1)), page: draft.pageOf(document, "guinea"),
        at: draft.partAt(document, "/slots/4/accepts"), none: draft.partAt(document, "/scope"),
        put: draft.valueAt(draft.withValueAt(document, "/slots/4/accepts", "x"), "/slots/4/accepts"),
        optional: draft.changedPart(document, "guinea", {tier: null}).slots[7], same: JSON.stringify(document) === before,
    });
}, (error) => done(String(error)));"""


def test_places_and_pages_are_moved_as_the_album_shows_them(page: Page) -> None:
    page.open("/app/sign-in")
    told = page.driver.execute_async_script(PAGES, DEFINITION)
    first, second, third = ("Bronze and silver", "Larger ones", "At will")
    bronze, larger = ["farthing", "halfpenny", "sound", "old-penny"], ["crown", "florin-a", "florin-b", "guinea"]
    assert told["order"] == [[first, bronze], [second, larger], [third, ["sixpences"]], ["", ["alloys"]]]
    assert told["up"][0] == [first, ["sound", "farthing", "halfpenny", "old-penny"]]
    assert (told["end"], told["loose"]) == (False, False)
    assert [label for label, _ in told["pages"]] == [first, third, second, ""]
    assert told["id"] == "a-farthing"
    assert told["added"][3] == ["Four", ["a-farthing"]]
    assert told["gone"][1] == [second, larger[1:]]
    assert told["lost"][-1] == ["", [*larger, "alloys"]]
    assert (told["page"], told["at"], told["none"], told["put"]) == (1, "crown", None, "x")
    assert "tier" not in told["optional"]
    assert told["same"] is True


# --- templates ---------------------------------------------------------------------------------------------------------------

TEMPLATES = """const [from, done] = arguments;
const modules = [import("/app/sheet/templates.js"), import("/app/sheet/draft.js")];
Promise.all(modules).then(([{TEMPLATES, decadesOf, conditionsOf}, {blank}]) => {
    const facts = {denomination: "penny", problems: [], mint: {none: true}, grade: {from: 20, to: 30}, main_motifs: ["lion"],
        year_on_coin: {one_of: [1900, 1902]}};
    const say = (key, values = {}) => [key.split(".")[1], ...Object.values(values)].join(" ");
    const chosen = {
        issuer: {id: "GB", label: "United Kingdom"}, motif: {id: "bird", label: "bird"}, from, page: 0,
        decades: decadesOf([1894, 1921, 1937], 2026),
    };
    done({
        made: Object.fromEntries(TEMPLATES.map((one) => [one.id, one.make(blank("A start", "en"), chosen, say)])),
        none: decadesOf([], 2026),
        facts: conditionsOf(facts, new Map(Object.keys(facts).map((name) => [name, {many: Array.isArray(facts[name])}])))
            .map(({condition}) => condition),
    });
}, (error) => done(String(error)));"""


def test_every_template_is_a_sound_start(page: Page, collector: Collector) -> None:
    collector.ask("POST", "/v1/holdings", json={"facts": {"issuer": "GB", "reverse_design": "shield"}})
    collector.ask("POST", "/v1/holdings", json={"facts": {"issuer": "DDDE"}})
    page.open("/app/sign-in")
    told = page.driver.execute_async_script(TEMPLATES, DEFINITION)
    places: dict[str, list[str]] = {}
    for name, document in told["made"].items():
        body = {"definition": document, "holdings": "mine"}
        preview = collector.ask("POST", "/v1/definition-previews", json=body).json()
        assert preview["counts"]["error"] == 0, (name, preview["findings"])
        places[name] = [place["label"] for place in preview["places"]]
    assert places["designs"] == ["shield"]
    assert "bird of prey" in places["motifs"]
    assert len(places["vanished"]) == 1
    assert len(places["types"]) > 10
    assert places["decades"] == ["1890-1899", "1900-1909", "1910-1919", "1920-1929", "1930-1939"]
    assert places["copied"] == ["A farthing", "A halfpenny", "A sound shilling", "A penny before 1901"]
    assert told["made"]["copied"]["layout"] == [
        {"page": "Bronze and silver", "slots": ["farthing", "halfpenny", "sound", "old-penny"]}
    ]
    assert told["none"] == [1930, 2020]
    # A coin's facts as conditions: what is in doubt as all that it may be.
    assert [(one["attribute"], one["how"], one["values"]) for one in told["facts"]] == [
        ("denomination", "is", ["penny"]),
        ("year_on_coin", "is", [1900, 1902]),
        ("problems", "empty", []),
        ("mint", "none", []),
        ("grade", "between", [20, 30]),
        ("main_motifs", "has_all", ["lion"]),
    ]


def test_a_set_that_has_no_place_yet_is_told_in_words_of_the_builder(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open("/app/build/new")
    page.until(".findings .finding", says="The set has no place yet: add one.")
    assert "slots" not in page.text(".effect")
