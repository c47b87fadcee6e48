"""Lists of terms that an account keeps, in Chromium: made, put into a tree, saved as they change, read from a file, deleted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from tests.web.a_set import DEFINITION, Collector
from tests.web.browser import Page
from tests.web.test_own_facts import at_term, opened, terms, tree

pytestmark = [pytest.mark.browser, pytest.mark.process]

# A scheme of our own making; SKOS has members for all of it but the last, which is no SKOS.
SCHEME = """@prefix skos: <http://www.w3.org/2004/02/skos/core#> . @prefix : <http://example.org/prints/> .
: a skos:ConceptScheme ; skos:prefLabel "Prints"@en .
:paw a skos:Concept ; skos:inScheme : ; skos:prefLabel "paw"@en ; :depth "shallow" .
:fox a skos:Concept ; skos:inScheme : ; skos:prefLabel "fox"@en ; skos:broader :paw .
"""


def kept(collector: Collector) -> dict[str, Any]:
    """The account's lists, by name."""
    items = collector.ask("GET", "/v1/vocabularies?private=true").json()["items"]
    return {one["name"]: collector.ask("GET", f"/v1/vocabularies/{one['name']}").json() for one in items}


def until_saved(page: Page) -> None:
    page.until(".draft-state", says="As saved on the service.")


def made(page: Page, label: str) -> None:
    page.open("/app/lists")
    page.click(".adding button", says="A list of your own")
    page.type_into("What is it to be called?", label)
    page.click(".adding button", says="Go on with its terms")
    page.until(".draft-items button[aria-expanded=true]", says=label)


def by_terms(entry: dict[str, Any]) -> dict[str, list[str]]:
    return {concept["id"]: concept["broader"] for concept in entry["concepts"]}


def test_a_list_is_made_and_used_in_a_set_without_typing_a_rule(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open("/app/coins")
    page.click(".buttons a", says="Lists of terms")
    page.until("main p", says="You keep no list of your own yet.")
    made(page, "Prints in the snow")
    terms(page, "paw", "fox", "hoof")
    at_term(page, "fox", "In")
    assert tree(page) == [["paw", [["fox", []]]], ["hoof", []]]
    until_saved(page)
    assert {name: by_terms(entry) for name, entry in kept(collector).items()} == {
        "prints_in_the_snow": {"paw": [], "fox": ["paw"], "hoof": []}
    }
    # The keys of one per term: from the list, in the builder.
    opened(page, "/app/build/new")
    page.click(".adding button", says="A fact of your own")
    page.type_into("What is it to be called?", "Print")
    page.click(".adding label.pick", says="one of a list of terms")
    options = {one.text: one for one in page.all(".adding select option")}
    options["Prints in the snow"].click()
    page.click(".adding button", says="Add the fact")
    page.until(".draft-items", says="Print: a term of the list Prints in the snow")


def test_every_change_is_saved_and_one_from_elsewhere_is_not_overwritten(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    made(page, "Prints")
    terms(page, "paw", "hoof")
    until_saved(page)
    tag = collector.ask("GET", "/v1/vocabularies/prints").headers["ETag"]
    elsewhere = {"label": "Prints", "concepts": [{"id": "claw"}]}
    collector.ask("PUT", "/v1/vocabularies/prints", {"If-Match": tag}, json=elsewhere)
    terms(page, "fin")
    page.until(".draft-state", says="The last change is not saved.")
    assert by_terms(kept(collector)["prints"]) == {"claw": []}
    page.click(".buttons button", says="Take it as it is on the service")
    page.until(".term-tree .entry", says="claw")
    assert tree(page) == [["claw", []]]
    # Without a network it is told, kept, and sent on demand.
    page.network(is_there=False)
    terms(page, "fin")
    page.until(".draft-state", says="The last change is not saved.")
    page.network(is_there=True)
    page.click(".trouble button", says="Try again")
    until_saved(page)
    assert by_terms(kept(collector)["prints"]) == {"claw": [], "fin": []}
    # Who leaves the view at once has saved all the same.
    terms(page, "wing")
    page.click("nav a", says="Coins")
    page.until(".coins td")
    page.open("/app/lists")
    page.click(".draft-items .entry", says="Prints: 3 terms")
    page.until(".term-tree .entry", says="wing")


def test_what_reads_a_term_is_told_before_it_goes(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    listed = {"name": "prints", "label": "Prints", "concepts": [{"id": "paw"}, {"id": "fin"}]}
    collector.ask("POST", "/v1/vocabularies", json=listed)
    document = {
        "format": "set-definition/1",
        "title": "Snow",
        "slots": [{"id": "a", "accepts": "narrower(print, 'paw')"}],
        "attributes": [{"name": "print", "type": "text", "vocabulary": "prints"}],
    }
    made_there = collector.ask("POST", "/v1/definitions", json={"document": document})
    coin = collector.ask("POST", "/v1/holdings", json={"number": "s1", "facts": {"print": "paw"}}).json()
    collector.coins["s1"] = coin["id"]
    page.open("/app/lists")
    page.click(".draft-items .entry", says="Prints")
    page.until(".hint", says="Sets that name it: Snow.")
    at_term(page, "paw", "Remove")
    told = page.until(".removing", says="Snow").text
    assert "1 of your coins has it recorded." in told
    page.click(".removing button", says="Keep it")
    # Nothing reads the other one.
    at_term(page, "fin", "Remove")
    page.run_until("return document.querySelectorAll('.term-tree .entry').length === 1")
    until_saved(page)
    assert by_terms(kept(collector)["prints"]) == {"paw": []}
    page.click(".buttons button", says="Delete the list")
    assert "Sets that name it: Snow." in page.until(".removing", says="Coins keep what is recorded of them.").text
    page.click(".removing button", says="Remove it all the same")
    # A draft could not be read without it.
    page.until(".trouble", says="the draft 'Snow' names the vocabulary 'prints'")
    collector.ask("DELETE", made_there.headers["Location"], {"If-Match": made_there.headers["ETag"]})
    page.click(".removing button", says="Remove it all the same")
    page.until(".notice", says="The list Prints is deleted.")
    assert kept(collector) == {}
    assert collector.facts("s1") == {"print": "paw"}


def test_a_list_comes_from_a_file_and_goes_into_one(page: Page, collector: Collector, tmp_path: Path) -> None:
    page.sign_in(collector.token)
    page.open("/app/lists")
    page.click("details.panel summary", says="A list from a file")
    file = tmp_path / "prints.ttl"
    file.write_text(SCHEME)
    page.until("#dropped-file").send_keys(str(file))
    notice = page.until(".notice", says="Prints is kept, with 2 terms.").text
    assert "Not kept of it: http://example.org/prints/depth" in notice
    assert tree(page) == [["paw", [["fox", []]]]]
    assert by_terms(kept(collector)["prints"]) == {"paw": [], "fox": ["paw"]}
    # Once more it is there already.
    page.until("#dropped-file").send_keys(str(file))
    page.until(".trouble", says="there is a vocabulary 'prints' already")
    # What is saved as a file can be read, and has what was typed last.
    terms(page, "fin")
    text = page.saved(lambda: page.click(".buttons button", says="Save it as a file"))
    collector.ask("DELETE", "/v1/vocabularies/prints", {"If-Match": "*"})
    collector.ask("POST", "/v1/vocabularies", {"Content-Type": "text/turtle"}, content=text)
    assert by_terms(kept(collector)["prints"]) == {"paw": [], "fox": ["paw"], "fin": []}


def test_a_list_of_a_set_becomes_one_for_all_sets(page: Page, collector: Collector) -> None:
    document = {
        **DEFINITION,
        "attributes": [{"name": "print", "type": "text", "vocabulary": "prints", "label": "Print"}],
        "vocabularies": [{"name": "prints", "label": "Prints", "concepts": [{"id": "paw"}]}],
    }
    version = collector.ask("GET", f"/v1/definitions/{collector.set}").headers["ETag"]
    collector.ask("PUT", f"/v1/definitions/{collector.set}", {"If-Match": version}, json={"document": document})
    page.sign_in(collector.token)
    opened(page, f"/app/build/{collector.set}")
    page.click("button[aria-label^='Change: Prints']")
    page.click(".buttons button", says="Keep it for all my sets")
    page.run_until("return document.querySelector('.term-tree') === null")
    page.until(".draft-items", says="Print: a term of the list Prints")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.until(".draft-state", says="As saved on the service.")
    now = collector.ask("GET", f"/v1/definitions/{collector.set}").json()["document"]
    assert "vocabularies" not in now
    assert by_terms(kept(collector)["prints"]) == {"paw": []}


def test_terms_added_to_a_list_leave_its_other_names(page: Page, collector: Collector) -> None:
    """A term of one's own with the id of one that is there adds to it, in pickers as in the service."""
    collector.ask(
        "POST",
        "/v1/vocabularies",
        json={
            "name": "more",
            "extends": "motifs",
            "concepts": [{"id": "kiwi", "alternative_labels": ["snuffler"]}, {"id": "moon kiwi", "broader": ["kiwi"]}],
        },
    )
    page.sign_in(collector.token)
    page.open("/app/coins/new")
    told = page.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "import('/app/parts/data.js').then(({loadConcepts}) => loadConcepts('motifs'))"
        ".then((all) => all.filter(({id}) => id.includes('kiwi')).map((one) => [one.id, one.broader, one.alternative_labels]))"
        ".then(done)"
    )
    shipped = collector.ask("GET", "/v1/vocabularies/motifs").json()["concepts"]
    (before,) = [one for one in shipped if one["id"] == "kiwi"]
    assert before["broader"] != []
    assert ["kiwi", before["broader"], [*before["alternative_labels"], "snuffler"]] in told
    assert ["moon kiwi", ["kiwi"], []] in told


def test_the_view_of_lists_has_no_fault(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    made(page, "Prints in the snow, as they are found on a winter morning along the hedge")
    terms(page, "paw", "a term with a name so long that it does not fit beside another one at all")
    page.click(".term-tree .entry", says="paw")
    page.click(".buttons button", says="Delete the list")
    page.click("details.panel summary", says="A list from a file")
    for width, dark in page.looks():
        page.until(".term-tree")
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0, width


def test_the_keyboard_alone_makes_a_list(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    page.open("/app/lists")
    page.until(".adding button").send_keys(Keys.ENTER)
    page.type_into("What is it to be called?", "Settings")
    page.keys(Keys.TAB, Keys.ENTER)
    page.until(".draft-items button[aria-expanded=true]", says="Settings")
    terms(page, "ring", "brooch")
    page.until(".term-tree .entry", says="brooch")
    until_saved(page)
    assert list(by_terms(kept(collector)["settings"])) == ["ring", "brooch"]
