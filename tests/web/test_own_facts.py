"""Facts and lists of a set's own in the builder, in Chromium: declared, put into a tree, asked for, recorded, taken away."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from service.errors import Fault
from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Concept, build_vocabulary
from service.rules.vocabularies import ConceptIn, read_concept
from tests.web.a_set import DEFINITION, Collector
from tests.web.browser import Page
from tests.web.modules import Modules, modules_served
from tests.web.test_builder import saved, tab_to, until_rule

pytestmark = [pytest.mark.browser, pytest.mark.process]
SECTION = "Facts and lists of your own"


def opened(page: Page, address: str) -> None:
    """The section of a set's own facts, with its module."""
    page.open(address)
    page.until(".effect .findings, .effect [role=status]")
    page.click(".part-editor summary", says=SECTION)
    page.until(".adding button", says="A fact of your own")


def declared(page: Page, label: str, kind: str) -> None:
    """A fact of one's own, which is open afterwards."""
    page.click(".adding button", says="A fact of your own")
    page.type_into("What is it to be called?", label)
    page.click(".adding label.pick", says=kind)
    page.click(".adding button", says="Add the fact")
    page.until(".draft-items button[aria-expanded=true]")


def terms(page: Page, *texts: str, field: str = "A new term") -> None:
    for text in texts:
        page.type_into(field, text + Keys.ENTER)
        page.until(".term-tree button", says=text)


def retyped(page: Page, selector: str, text: str) -> None:
    """Types over what is there. To empty a field first is no typing: it may be painted anew meanwhile."""
    page.until(selector).send_keys(Keys.CONTROL, "a", Keys.NULL, text)


def at_term(page: Page, term: str, button: str) -> None:
    """Presses a button of a term, which is opened where it is not."""
    if not page.all(f".term-tree button[data-step][aria-label$=': {term}']"):
        page.click(".term-tree .entry", says=term)
    page.click(f".term-tree button[aria-label^='{button}'][aria-label$=': {term}']")


def tree(page: Page) -> list[Any]:
    """The terms as they are shown: each with those below it."""
    found: list[Any] = page.run(
        "const of = (list) => [...(list?.children ?? [])].map((one) => ["
        "one.querySelector('button').firstChild.textContent, of(one.querySelector(':scope > ul'))]);"
        "return of(document.querySelector('.term-tree'))"
    )
    return found


def condition(page: Page, fact: str) -> None:
    """The form of a condition on a fact that is searched for."""
    page.click(".rule-form button", says="Add a condition")
    page.until(".rule-form .attribute-picker input").send_keys(fact)
    page.click(".rule-form [role=option]", says=fact)
    page.until(".condition-form select")


# --- from nothing to a filled place --------------------------------------------------------------------------------------------


def test_a_set_with_facts_of_its_own_is_built_without_typing_a_rule(page: Page, collector: Collector) -> None:
    """By the animal pictured, from a list of its own with a tree, and how the coin was found; then a coin gets the facts."""
    page.sign_in(collector.token)
    opened(page, "/app/build/new")
    page.type_into("Title", "Animals of the hedge")
    # How it was found: three terms, the last one first.
    declared(page, "How it was found", "one of a list of terms")
    terms(page, "field find", "gift", "fair")
    at_term(page, "fair", "Up")
    at_term(page, "fair", "Up")
    assert tree(page) == [["fair", []], ["field find", []], ["gift", []]]
    # Which animal: a tree, its terms typed in any order.
    declared(page, "Which animal", "one of a list of terms")
    terms(page, "bird", "robin", "wren", "hedgehog")
    at_term(page, "robin", "In")
    at_term(page, "wren", "In")
    page.until(".term-tree ul ul, .term-tree ul")
    terms(page, "goldcrest", field="A new term below wren")
    assert tree(page) == [["bird", [["robin", []], ["wren", [["goldcrest", []]]]]], ["hedgehog", []]]
    at_term(page, "goldcrest", "Out")
    assert tree(page) == [["bird", [["robin", []], ["wren", []], ["goldcrest", []]]], ["hedgehog", []]]
    # The keyboard stays on what was pressed, or goes to the term.
    assert "goldcrest" in page.run(
        "return document.activeElement.getAttribute('aria-label') ?? document.activeElement.textContent"
    )
    # A place for it, at once: a bird from the field.
    page.click(".starts button", says="A blank place")
    page.until(".part-editor h3", says="What it takes")
    page.type_into("Name of the place", "A bird from the field")
    condition(page, "which animal")
    page.click(".condition-form select option[value=narrower]")
    # All terms are there in their own order, before any coin has one.
    assert [pick.text for pick in page.all(".condition-form .pick")] == [
        "bird",
        "robin",
        "wren",
        "goldcrest",
        "hedgehog",
    ]
    page.click(".condition-form .pick", says="bird")
    page.click(".condition-form .buttons button", says="Add it")
    until_rule(page, "narrower(which_animal, 'bird')")
    condition(page, "how it was found")
    assert [pick.text for pick in page.all(".condition-form .pick")] == ["fair", "field find", "gift"]
    page.click(".condition-form .pick", says="field find")
    page.click(".condition-form .buttons button", says="Add it")
    until_rule(page, "narrower(which_animal, 'bird') AND how_it_was_found = 'field find'")
    page.until(".effect .fits", says="0 fit, 9 may fit")
    page.until(".publish button:enabled", says="Save the draft").click()
    page.until(".draft-state", says="As saved on the service.")
    (kept,) = [
        one for one in collector.ask("GET", "/v1/definitions").json()["items"] if one["title"] == "Animals of the hedge"
    ]
    document = collector.ask("GET", f"/v1/definitions/{kept['id']}").json()["document"]
    assert document["attributes"] == [
        {"name": "how_it_was_found", "type": "text", "vocabulary": "how_it_was_found", "label": "How it was found"},
        {"name": "which_animal", "type": "text", "vocabulary": "which_animal", "label": "Which animal"},
    ]
    assert document["vocabularies"] == [
        {
            "name": "how_it_was_found",
            "label": "How it was found",
            "concepts": [{"id": "fair"}, {"id": "field find"}, {"id": "gift"}],
        },
        {
            "name": "which_animal",
            "label": "Which animal",
            "concepts": [
                {"id": "bird"},
                {"id": "robin", "broader": ["bird"]},
                {"id": "wren", "broader": ["bird"]},
                {"id": "goldcrest", "broader": ["bird"]},
                {"id": "hedgehog"},
            ],
        },
    ]
    # A coin gets both, picked from the lists.
    page.open(f"/app/coins/{collector.coins['h1']}")
    for name, text, term in (("which_animal", "wre", "wren"), ("how_it_was_found", "FIELD", "field find")):
        page.until(f"#fact-{name}").send_keys(text)
        page.click(f"#fact-{name}-list [role=option]", says=term)
    page.press("Record it")
    page.until(".unsaved", not_saying="not recorded")
    page.until("h2", says="Where it is in your sets")
    page.until("a", says="A bird from the field")
    assert collector.facts("h1")["which_animal"] == "wren"
    page.open(f"/app/sets/{kept['id']}")
    page.until("li.place .word", says="Filled")
    # In the builder it is told as well, with the coins behind each term.
    page.open(f"/app/build/{kept['id']}")
    page.until(".effect .figures", says="1 fit some place")
    page.click(".entry", says="A bird from the field")
    page.until(".effect .fits", says="1 fit")
    page.until(".rule-item .says", says="which animal: bird")
    page.click("button[aria-label='Change: how it was found: field find']")
    page.until(".condition-form .pick", says="field find\n1 coin")


# --- what goes, what stays -----------------------------------------------------------------------------------------------------

# As another program writes it: with members that no form has, several broader terms, and a term of a shipped list.
WRITTEN: dict[str, Any] = {
    **DEFINITION,
    "attributes": [
        {"name": "found", "type": "text", "label": "Found", "vocabulary": "ways", "help": "how it came here"},
        {"name": "tray", "type": "text", "values": ["upper", "lower"], "many": True},
        {"name": "girth", "type": "decimal", "unit": "mm", "label": "Girth"},
    ],
    "vocabularies": [
        {
            "name": "ways",
            "concepts": [
                {"id": "bought", "names": [{"text": "gekauft", "language": "de", "kind": "preferred"}]},
                {"id": "fair", "broader": ["bought", "meeting"], "note": "a fair of collectors"},
                {"id": "meeting", "alternative_labels": ["swap evening"]},
            ],
        },
        {"name": "beasts", "extends": "motifs", "concepts": [{"id": "quagga", "broader": ["equid"]}]},
    ],
    "slots": [
        {**slot, "accepts": "narrower(found, 'bought')"} if slot["id"] == "crown" else slot
        for slot in DEFINITION["slots"]
    ],
    "prefer": [{"highest": "girth"}],
}


def written(collector: Collector) -> None:
    path = f"/v1/definitions/{collector.set}"
    tag = {"If-Match": collector.ask("GET", path).headers["etag"]}
    collector.ask("PUT", path, headers=tag, json={"document": WRITTEN})


def test_what_no_form_shows_stays_and_a_removal_says_what_breaks(page: Page, collector: Collector) -> None:
    written(collector)
    collector.change("x1", found="fair")
    page.sign_in(collector.token)
    opened(page, f"/app/build/{collector.set}")
    # A new name and a help; nothing else of it is written anew.
    page.click("button[aria-label^='Change: Found']")
    retyped(page, "#attributes-0-label", "How it came")
    page.click(".term-tree .entry", says="fair")
    retyped(page, "#vocabularies-0-term-label", "coin fair")
    page.click("button[aria-label='Take away: meeting']")
    document = saved(page, collector)
    found, *others = document["attributes"]
    assert found == {**WRITTEN["attributes"][0], "label": "How it came"} and others == WRITTEN["attributes"][1:]
    ways, beasts = document["vocabularies"]
    assert beasts == WRITTEN["vocabularies"][1]
    assert ways["concepts"] == [
        WRITTEN["vocabularies"][0]["concepts"][0],
        {"id": "fair", "broader": ["bought"], "note": "a fair of collectors", "label": "coin fair"},
        WRITTEN["vocabularies"][0]["concepts"][2],
    ]
    # A term that a rule reads: the service says where; it is kept.
    at_term(page, "bought", "Remove")
    told = page.until(".removing", says="It is still read here")
    assert "A crown" in told.text and "'bought'" in told.text
    page.click(".removing button", says="Keep it")
    # One that a coin has and no rule reads.
    at_term(page, "coin fair", "Remove")
    page.until(".removing", says="1 of your coins has it recorded")
    page.click(".removing button", says="Keep it")
    # One that nothing reads goes at once, and what was below it is where it was.
    at_term(page, "meeting", "Remove")
    page.until(".term-tree", not_saying="meeting")
    assert tree(page) == [["bought", [["coin fair", []]]]]
    # A fact that a place reads, and one that a preference reads: by name.
    page.click("button[aria-label^='Remove: How it came']")
    told = page.until(".removing", says="It is still read here")
    assert "A crown" in told.text and "1 of your coins has it recorded" in told.text
    assert page.faults() == []
    page.click(".removing button", says="Keep it")
    page.click("button[aria-label^='Remove: Girth']")
    page.until(".removing", says="Which coin is the better one")
    page.click(".removing button", says="Remove it all the same")
    # The finding stands beside the preference, and leads to it; the coins that have the other fact keep it.
    page.until(".severity-error", says="girth")
    page.click(".part-editor summary", says="Which coin is the better one")
    page.until(".draft-items .wrong", says="girth")
    page.click("button[aria-label^='Remove: The higher']")
    document = saved(page, collector)
    assert [one["name"] for one in document["attributes"]] == ["found", "tray"]
    assert collector.facts("x1")["found"] == "fair"
    # A list whose fact is still there: told by the fact that reads it.
    page.click("button[aria-label^='Remove: ways']")
    told = page.until(".removing", says="It is still read here")
    assert "How it came" in told.text


def test_terms_are_added_to_a_list_that_is_there(page: Page, collector: Collector) -> None:
    """An animal that the shipped list does not know, below one that it knows: the coin with it fits the rule on the one above."""
    page.sign_in(collector.token)
    opened(page, f"/app/build/{collector.set}")
    page.click(".adding button", says="Terms for a list that is there")
    page.click(".adding select option[value=motifs]")
    page.click(".adding button", says="Go on with its terms")
    page.type_into("A new term", "Horse")
    page.until(".field .wrong", says="horse is in the list already")
    assert not page.until(".field .term-typed button", says="Add it").is_enabled()
    page.until("#vocabularies-0-new").clear()
    terms(page, "quagga")
    page.click(".term-tree .entry", says="quagga")
    page.until("#vocabularies-0-term-above").send_keys("zebr")
    page.click("#vocabularies-0-term-above-list [role=option]", says="zebra")
    page.until(".term-tree .entry", says="below zebra")
    # On a place: the shipped terms and the new one in one picker; a coin has it.
    page.click(".entry", says="A crown")
    page.click("button[aria-label='Remove: denomination: crown']")
    condition(page, "main motifs")
    page.click(".condition-form select option[value=narrower]")
    page.until("input[id$='other']").send_keys("zebra")
    page.click(".condition-form [role=option]", says="zebra")
    page.click(".condition-form .buttons button", says="Add it")
    until_rule(page, "narrower(main_motifs, 'zebra')")
    document = saved(page, collector)
    assert document["vocabularies"] == [
        {"name": "motifs_more", "extends": "motifs", "concepts": [{"id": "quagga", "broader": ["zebra"]}]}
    ]
    page.open(f"/app/coins/{collector.coins['h2']}")
    page.until("#fact-main_motifs").send_keys("quag")
    page.click("#fact-main_motifs-list [role=option]", says="quagga")
    page.press("Record it")
    # Before, it was only possible.
    page.until(".legend-like", says="Filled")
    assert collector.facts("h2")["main_motifs"] == ["quagga"]


# --- for everybody -------------------------------------------------------------------------------------------------------------


def test_the_keyboard_alone_makes_a_tree(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    opened(page, f"/app/build/{collector.set}")
    tab_to(page, "A fact of your own")
    page.keys(Keys.ENTER)
    tab_to(page, "new-fact")
    page.keys("Setting")
    tab_to(page, "Add the fact")
    page.keys(Keys.ENTER)
    page.until(".draft-items button[aria-expanded=true]:focus")
    tab_to(page, "vocabularies-0-new")
    page.keys("ring", Keys.ENTER, "brooch", Keys.ENTER, "pin", Keys.ENTER)
    page.until(".term-tree .entry", says="pin")
    page.run("document.querySelector('.term-tree .entry').focus()")
    tab_to(page, "pin")
    page.keys(Keys.ENTER)
    tab_to(page, "In, below the one before it: pin")
    page.keys(Keys.ENTER)
    page.run_until("return document.activeElement.textContent.startsWith('pin')")
    tab_to(page, "Out, beside the one above it: pin")
    page.keys(Keys.ENTER)
    page.run_until("return document.activeElement.textContent.startsWith('pin')")
    tab_to(page, "Up: pin")
    # The button keeps the keyboard while it can be pressed again.
    page.keys(Keys.ENTER)
    page.run_until("return document.activeElement.dataset.step === 'up'")
    page.keys(Keys.ENTER)
    page.run_until("return document.activeElement.textContent.startsWith('pin')")
    assert tree(page) == [["pin", []], ["ring", []], ["brooch", []]]


def test_forms_of_own_facts_have_no_fault(page: Page, collector: Collector) -> None:
    written(collector)
    page.sign_in(collector.token)
    opened(page, f"/app/build/{collector.set}")
    page.click("button[aria-label^='Change: Found']")
    page.click(".term-tree .entry", says="fair")
    page.click(".adding button", says="A fact of your own")
    page.click(".adding button", says="A list of your own")
    for width, dark in page.looks():
        page.until(".term-tree")
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0, width
        small = page.run(
            "return [...document.querySelectorAll('.part-editor details[open] :is(button, select, input:not([type=radio],"
            " [type=checkbox]))')].filter((one) => one.offsetHeight > 0 && (one.offsetHeight < 44 || one.offsetWidth < 44))"
            ".map((one) => one.outerHTML.slice(0, 120))"
        )
        assert small == [], width


# --- pure ----------------------------------------------------------------------------------------------------------------------

LIST = "a b<a c<a d e<a<x f<d"
CASES: dict[str, Any] = {
    # The second one has a circle, and a term below itself.
    "trees": [LIST, "a<c b<a c<b d<d e<d"],
    "moves": [
        *(
            (LIST, "c", "up"),
            (LIST, "b", "down"),
            (LIST, "c", "in"),
            (LIST, "e", "in"),
            (LIST, "c", "out"),
            (LIST, "f", "out"),
        ),
        *((LIST, "a", "out"), (LIST, "b", "in"), (LIST, "a", "up"), (LIST, "d", "down"), (LIST, "g", "up")),
    ],
    "gone": [(LIST, "a"), ("a b<a c<b<y", "b")],
    "labels": ["How it was found", "Größe", "3 sides", "Εύρημα", "number"],
    "taken": ["number"],
    "findings": [
        [
            {"code": "a", "severity": "note", "pointer": "/attributes/1", "message": "x"},
            {"code": "b", "severity": "error", "pointer": "/attributes/2", "message": "y"},
        ],
        [
            {"code": "b", "severity": "error", "pointer": "/attributes/1", "message": "y"},
            {"code": "c", "severity": "error", "pointer": "/slots/0/accepts", "message": "z"},
            {"code": "d", "severity": "note", "pointer": "/slots/0", "message": "w"},
        ],
    ],
    "entries": [{"name": "more", "extends": "other"}, {"name": "other", "extends": "base"}, {"name": "own"}],
    "roots": ["more", "base", "own", "nothing"],
    # As the layers of test_layers_are_as_the_service_has_them.
    "layers": [
        [
            {"id": "horse", "label": "horse", "broader": []},
            {"id": "zebra", "label": "zebra", "broader": ["horse"], "alternative_labels": ["stripes"]},
        ],
        [
            {"id": "african", "label": ""},
            {
                "id": "zebra",
                "label": "striped horse",
                "broader": ["african"],
                "alternative_labels": ["stripes", "punda"],
            },
            {"id": "quagga", "broader": ["zebra"]},
        ],
    ],
    "known": [
        {"name": "motifs", "label": "Motifs", "vocabulary": "motifs", "many": True},
        {"name": "grade", "type": "integer"},
    ],
    "documents": [
        {
            "attributes": [
                {"name": "motifs", "type": "text", "label": "", "many": True},
                {"name": "found", "type": "text", "vocabulary": "ways"},
            ],
            "vocabularies": [
                {"name": "ways", "concepts": [{"id": "gift"}]},
                {"name": "beasts", "extends": "motifs", "concepts": [{"id": "quagga"}]},
            ],
        },
        {},
    ],
    "lists": [
        ["ways", [{"name": "ways", "text": "b a c<b"}]],
        ["motifs", [{"name": "more", "extends": "motifs", "text": "b"}]],
    ],
}
EXPECTED: dict[str, Any] = {
    "trees": [[["a", ["b", "c", "e"]], ["d", ["f"]]], [["a", [["b", ["c"]]]], ["d", ["e"]]]],
    "moves": [
        "a c<a b<a d e<a<x f<d",
        "a c<a b<a d e<a<x f<d",
        "a b<a c<b d e<a<x f<d",
        # What it stands below besides stays.
        "a b<a c<a e<c<x d f<d",
        "a c b<a d e<a<x f<d",
        "a b<a c<a d f e<a<x",
        *[None] * 5,
    ],
    "gone": ["b c d e<x f<d", "a c<y<a"],
    "below": ["a", "b", "c", "e"],
    "sound": [True, True],
    "untouched": True,
    "names": ["how_it_was_found", "grosse", "fact_3_sides", "fact", "number_2"],
    "facts": [
        {"name": "found", "type": "text", "vocabulary": "ways", "label": "Found"},
        {"name": "dug_up", "type": "integer", "label": "Dug up"},
    ],
    "broken": ["c"],
    "roots": ["base", "base", "own", "nothing"],
    "layers": [
        ["horse", "horse", [], []],
        ["zebra", "zebra", ["horse", "african"], ["stripes", "striped horse", "punda"]],
        ["african", "african", [], []],
        ["quagga", "quagga", ["zebra"], []],
    ],
    "declared": [["motifs", "Motifs", ["beasts"]], ["grade", None, []], ["found", None, ["ways"]]],
    "listed": [["b", "c", "a"], []],
}
OWN, CARRIED = "sheet/own-facts.js", "sheet/carried.js"
FAULTS = {
    "a circle is not cut": (OWN, "if (at === id) upper.set(id, null);", "", "trees"),
    "what is below besides is lost": (
        OWN,
        "broaderOf(concept, [beside, ...others",
        "broaderOf(concept, [beside, ...[]",
        "moves",
    ),
    "out is below the same": (OWN, "const above = upper.get(parent) ?? null;", "const above = parent;", "moves"),
    "those below are lost": (OWN, ", ...above])])", "])])", "gone"),
    "a name is taken twice": (OWN, "if (!taken.has(name)) return name;", "return name;", "names"),
    "a move of a list is a break": (OWN, "pointer.startsWith(`${list}/`) ? list : pointer", "pointer", "broken"),
    "additions stand alone": (CARRIED, "?.extends ?? root", "?.none ?? root", "roots"),
    "a layer takes the other away": (
        CARRIED,
        "there === undefined ? concept : joined(there, concept)",
        "concept",
        "layers",
    ),
    "an empty label counts": (CARRIED, 'value !== "" && ', "", "declared"),
}


@pytest.fixture(scope="module")
def modules() -> Iterator[Modules]:
    with modules_served() as served:
        yield served


def made_by(page: Page, modules: Modules, variant: str) -> dict[str, Any]:
    page.driver.get(f"{modules.address}/")
    told = page.driver.execute_async_script(
        "const [address, cases, done] = arguments;"
        "import(address).then(({results}) => results(cases)).then(done, (error) => done(String(error)))",
        f"{modules.address}/{variant}/pure_own_facts.js",
        CASES,
    )
    assert isinstance(told, dict), told
    return told


def test_terms_are_moved_as_the_tree_shows_them(chromium: Page, modules: Modules) -> None:
    assert made_by(chromium, modules, "sound") == EXPECTED


def test_layers_are_as_the_service_has_them() -> None:
    base, more = CASES["layers"]
    faults: list[Fault] = []

    def concepts(entries: list[dict[str, Any]]) -> list[Concept]:
        return [read_concept(ConceptIn.model_validate(entry).model_dump(), faults, "") for entry in entries]

    schemes = {"base": build_vocabulary("base", concepts(base))}
    made = with_own(schemes, [OwnVocabulary("more", tuple(concepts(more)), "base")])["more"].concepts.values()
    told = [[one.id, one.label, list(one.broader), list(one.alternative_labels)] for one in made]
    assert told == EXPECTED["layers"]
    assert faults == []


def test_the_control_sees_a_planted_fault(chromium: Page, modules: Modules) -> None:
    for name, (module, before, after, where) in FAULTS.items():
        modules.variants[name.replace(" ", "-")] = {module: (before, after)}
        told = made_by(chromium, modules, name.replace(" ", "-"))
        assert where in [key for key, value in EXPECTED.items() if told[key] != value], name
