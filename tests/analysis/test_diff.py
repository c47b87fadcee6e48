"""The changes between two revisions: every kind by hand, and what coins a place takes against plain enumeration."""

from __future__ import annotations

import copy
import json
import re
from itertools import product
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.analysis import diff, overlap, place_matching
from service.analysis.diff import CHANGE_KINDS, DefinitionChange, diff_definitions
from service.analysis.diff_wording import RevisionChange, text_lines, worded_changes
from service.facts.truth import NO, UNDECIDED
from service.reference import shipped
from service.reference.languages import ENGLISH, LANGUAGES, language
from service.rules.cql2.expression import parse
from service.rules.document import read_definition
from tests import reference
from tests.factories import OUTSIDE, a_document, a_rule, verdict_of
from tests.strategies import DECLARED, TODAY, VOCABULARIES, definitions, examples, rules

SETS = Path(__file__).resolve().parents[2] / "set_definitions"
SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(100))
MOST_WORLDS = 5_000
PLACE = {"id": "crown", "label": "Crown", "accepts": "denomination = 'crown'"}


def difference(old: dict[str, Any], new: dict[str, Any], **more: Any) -> diff.DefinitionDiff:
    definitions = [read_definition(document, vocabularies=VOCABULARIES) for document in (old, new)]
    return diff_definitions(definitions[0], definitions[1], {}, TODAY, **more)


def sentences_of(found: diff.DefinitionDiff) -> list[str]:
    return [change.words for change in worded_changes(found)]


def changed(old: dict[str, Any], new: dict[str, Any], **more: Any) -> list[DefinitionChange]:
    return list(difference(old, new, **more).changes)


def kinds(old: dict[str, Any], new: dict[str, Any], **more: Any) -> list[str]:
    return [change.kind for change in changed(old, new, **more)]


def slots(*entries: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {**a_document(**more), "slots": list(entries)}


def one(rule: Any, **more: Any) -> dict[str, Any]:
    """A set of one place with this rule."""
    return slots({**PLACE, "accepts": rule}, **more)


# --- what coins a place takes -------------------------------------------------------------------------------------------


def takes_alone(rule: Any, other: Any) -> bool:
    """By trying every world of the slow reference, known to be none included: whether some coin fits the one rule and not the
    other."""
    trees = [parse(text).json for text in (rule, other)]
    tree = {"op": "or", "args": trees}
    names = reference.properties(tree)
    none = reference.Thing(reference.NONE, (), False)
    domains, total = [], 1
    for name in names:
        things = reference.domain(name, {}, tree, OUTSIDE)
        domains.append([*things, *(() if any(t.value == reference.NONE for t in things) else (none,))])
        total *= len(domains[-1])
    if total > MOST_WORLDS:
        raise reference.TooMany
    for picked in product(*domains):
        world = dict(zip(names, picked, strict=True))
        if reference.holds(trees[0], world, OUTSIDE) and not reference.holds(trees[1], world, OUTSIDE):
            return True
    return False


def enumerated(old: Any, new: Any) -> str:
    """What becomes of the first rule. Raises TooMany where there are too many worlds to try."""
    gained, lost = takes_alone(new, old), takes_alone(old, new)
    words = {(False, False): "reworded", (True, False): "widened", (False, True): "narrowed", (True, True): "changed"}
    return words[gained, lost]


def ensure_enumerated(word: str, old: Any, new: Any) -> None:
    try:
        expected = enumerated(old, new)
    except reference.TooMany:
        expected = word
    assert word == expected


def told_of(found: list[DefinitionChange], place: str = "crown") -> str:
    """What is said of the rule of the place; reworded where nothing is."""
    said = [c.kind.removeprefix("rule-") for c in found if c.kind.startswith("rule-") and c.new == (place,)]
    assert len(said) <= 1
    return said[0] if said else "reworded"


def holds_examples(found: list[DefinitionChange], old: Any, new: Any) -> None:
    """Every example does what it is an example of."""
    for change in found:
        for facts, fits, fails in ((change.gained, new, old), (change.lost, old, new)):
            if facts is not None:
                assert verdict_of(fits, facts) == "yes"
                assert verdict_of(fails, facts) == "no"


@st.composite
def two_rules(draw: st.DrawFn) -> tuple[Any, Any]:
    """Two rules over the same attributes, the second often made from the first so that one contains the other."""
    first, other = draw(rules(most_names=2)), draw(rules(most_names=1))
    form = draw(st.integers(0, 3))
    if form == 0:
        return first, other
    second = {"op": "or" if form == 1 else "and", "args": [first, other]}
    return (first, second) if draw(st.booleans()) else (second, first)


@SOME
@given(two_rules())
def test_widened_narrowed_and_equal_are_what_enumeration_says(pair: tuple[Any, Any]) -> None:
    old, new = pair
    found = changed(one(old), one(new))
    word = told_of(found)
    assume(word != "undecided")
    ensure_enumerated(word, old, new)
    holds_examples(found, old, new)


@settings(SOME, max_examples=examples(40))
@given(two_rules(), rules(most_names=1), rules(most_names=1))
def test_under_a_scope_the_effective_rule_is_what_is_compared(pair: tuple[Any, Any], scope: Any, later: Any) -> None:
    old, new = ({"op": "and", "args": [scope, rule]} for rule in pair)
    found = changed(one(pair[0], scope=scope), one(pair[1], scope=scope))
    word = told_of(found)
    assume(word != "undecided")
    ensure_enumerated(word, old, new)
    holds_examples(found, old, new)
    # Another scope moves the place: the place's own change tells of it, or the scope's does.
    moved = {"op": "and", "args": [later, pair[1]]}
    found = changed(one(pair[0], scope=scope), one(pair[1], scope=later))
    by_scope = [c.places for c in found if c.kind.startswith("scope-") and c.places is not None]
    said = told_of(found)
    word = next(iter(by_scope[0])) if by_scope and said == "reworded" else said
    assume(word != "undecided" and "scope-undecided" not in [change.kind for change in found])
    ensure_enumerated(word, old, moved)


def test_the_enumeration_sees_a_comparison_that_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control: a comparison that never finds what is lost says widened where the reference says changed.
    old, new = "year_on_coin < 1900", "year_on_coin > 1899"
    assert told_of(changed(one(old), one(new))) == enumerated(old, new) == "changed"
    real = overlap.find_witness

    def blind(wanted: Any, *rest: Any, **more: Any) -> Any:
        """Answers one of the two questions with no."""
        return overlap.Witness(NO) if wanted[0].rule == a_rule(old) else real(wanted, *rest, **more)

    monkeypatch.setattr(overlap, "find_witness", blind)
    with pytest.raises(AssertionError):
        ensure_enumerated(told_of(changed(one(old), one(new))), old, new)


def test_what_is_past_the_budget_is_undecided_and_says_so() -> None:
    old, new = one("year_on_coin < 1900"), one("year_on_coin < 1901")
    (change,) = changed(old, new, most_work=0)
    assert (change.kind, change.limit, change.gained) == ("rule-undecided", "budget", None)
    (sentence,) = sentences_of(difference(old, new, most_work=0))
    assert "was not decided: it would take too much work" in sentence
    # Rules that are read as the same one cost nothing.
    assert kinds(one("grade > 20"), one("(grade > 20)"), most_work=0) == []
    sums = [one(f"grade * weight_measured > {limit} * year_on_coin") for limit in (2, 3)]
    (change,) = changed(*sums)
    assert (change.kind, change.limit) == ("rule-undecided", "arithmetic")


def test_questions_that_end_at_their_limit_cannot_go_on_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = 0

    def endless(*_: Any, **__: Any) -> overlap.Witness:
        nonlocal asked
        asked += 1
        return overlap.Witness(UNDECIDED, limit="budget")

    monkeypatch.setattr(overlap, "find_witness", endless)
    old, new = ({f"p{n}": f"mint LIKE '%{n}{end}%'" for n in range(100)} for end in "ab")
    found = changed(a_document(old), a_document(new))
    assert {(change.kind, change.limit) for change in found} == {("rule-undecided", "budget")}
    assert asked == overlap.COMPARISON_WORK / overlap._WORK_OF_A_LIMIT < len(found)


def test_names_that_mean_different_things_are_not_compared() -> None:
    old = one("rarity = 3", attributes=[*DECLARED, {"name": "rarity", "type": "integer"}])
    new = one("rarity = 'three'", attributes=[*DECLARED, {"name": "rarity", "type": "text"}])
    found = {change.kind: change for change in changed(old, new)}
    assert found.keys() == {"attribute-changed", "rule-undecided"}
    assert found["rule-undecided"].limit == "attribute"
    numbers = [
        one("rarity > 3", attributes=[*DECLARED, {"name": "rarity", "type": kind}]) for kind in ("integer", "decimal")
    ]
    assert kinds(*numbers) == ["attribute-changed"]
    whole = one("rarity >= 4", attributes=[*DECLARED, {"name": "rarity", "type": "integer"}])
    assert kinds(numbers[1], whole) == ["attribute-changed", "rule-narrowed"]


# --- every kind, by hand --------------------------------------------------------------------------------------------

GROUP = {"id": "kinds", "attribute": "species", "keys": {"from": "list", "values": ["owl", "tree"]}}
CHOICE = {"id": "any", "label": "Any", "places": 2, "accepts": "restrike = true"}
SAME = {"id": "pair", "kind": "same", "by": ["mint"], "places": ["a", "b"]}
A, B = {"id": "a", "accepts": "grade < 20"}, {"id": "b", "accepts": "grade >= 20"}
CROWNS = [
    {"id": "early", "accepts": "denomination = 'crown' AND year_on_coin <= 1900"},
    {"id": "late", "accepts": "denomination = 'crown' AND year_on_coin > 1900"},
]
BY_YEAR = {"op": "between", "args": [{"property": "year_on_coin"}, 1, 1900]}
KEPT = {**PLACE, "accepts": "denomination = 'crown' AND year_on_coin <= 1900"}


def group(**more: Any) -> dict[str, Any]:
    return a_document(one_per=[{**GROUP, **more}])


def choice(**more: Any) -> dict[str, Any]:
    return a_document(free_choice=[{**CHOICE, **more}])


def pages(*layout: tuple[str, list[str]], ids: tuple[str, str] = ("a", "b")) -> dict[str, Any]:
    entries = [{**A, "id": ids[0]}, {**B, "id": ids[1]}]
    return slots(*entries, layout=[{"page": name, "slots": places} for name, places in layout])


def ruled(*constraints: dict[str, Any], ids: tuple[str, str] = ("a", "b")) -> dict[str, Any]:
    return slots({**A, "id": ids[0]}, {**B, "id": ids[1]}, constraints=list(constraints))


def beasts(*concepts: dict[str, Any]) -> list[dict[str, Any]]:
    return [{"name": "beasts", "extends": "motifs", "concepts": list(concepts)}]


WYVERN, HYDRA = {"id": "wyvern", "broader": ["bird"]}, {"id": "hydra"}

CASES: dict[str, tuple[dict[str, Any], dict[str, Any], list[str]]] = {
    "title": (one("grade > 1"), one("grade > 1", title="Another"), ["title-changed"]),
    "summary": (one("grade > 1"), one("grade > 1", summary="Words"), ["summary-changed"]),
    "language": (one("grade > 1"), one("grade > 1", language="de"), ["language-changed"]),
    "authors": (one("grade > 1"), one("grade > 1", authors=["A. Author"]), ["authors-changed"]),
    "licence": (one("grade > 1"), one("grade > 1", licence="CC0-1.0"), ["licence-changed"]),
    "defaults said": (one("grade > 1"), one("grade > 1", summary="", language="en", prefer=[], scope=None), []),
    "vocabulary added": (one("grade > 1"), one("grade > 1", vocabularies=beasts(WYVERN)), ["vocabulary-added"]),
    "vocabulary removed": (one("grade > 1", vocabularies=beasts(WYVERN)), one("grade > 1"), ["vocabulary-removed"]),
    "vocabulary changed, and what is under a term is no change of the rule": (
        one("narrower(species, 'bird')", vocabularies=beasts(HYDRA, {"id": "wyvern"})),
        one("narrower(species, 'bird')", vocabularies=beasts(WYVERN, {"id": "ogre"})),
        ["vocabulary-changed"],
    ),
    "a rule on a term that is gone": (
        one("narrower(species, 'wyvern')", vocabularies=beasts(WYVERN)),
        one("narrower(species, 'bird')"),
        ["rule-widened", "vocabulary-removed"],
    ),
    "attribute added": (
        one("grade > 1"),
        one("grade > 1", attributes=[*DECLARED, {"name": "extra", "type": "text"}]),
        ["attribute-added"],
    ),
    "attribute removed": (one("grade > 1"), one("grade > 1", attributes=DECLARED[1:]), ["attribute-removed"]),
    "attribute changed": (
        one("grade > 1"),
        one("grade > 1", attributes=[{**DECLARED[0], "help": "what it shows"}, *DECLARED[1:]]),
        ["attribute-changed"],
    ),
    "scope widened": (one("grade > 1", scope="mint = 'Tower'"), one("grade > 1"), ["scope-widened"]),
    "scope narrowed": (one("grade > 1"), one("grade > 1", scope="mint = 'Tower'"), ["scope-narrowed"]),
    "scope changed": (
        one("grade > 1", scope="mint = 'Heaton'"),
        one("grade > 1", scope="mint = 'Tower'"),
        ["scope-changed"],
    ),
    "scope reworded": (
        one("grade > 1", scope="grade > 5"),
        one("grade > 1", scope="NOT (grade <= 5 OR grade IS NULL)"),
        ["scope-reworded"],
    ),
    "outside the scope nothing changes": (
        one("grade < 60", scope="grade < 20"),
        one("grade < 70", scope="grade < 20"),
        ["rule-reworded"],
    ),
    "place added": (slots(A), slots(A, B), ["place-added"]),
    "place removed": (slots(A, B), slots(B), ["place-removed"]),
    "place renamed": (slots(PLACE), slots({**PLACE, "label": "A crown"}), ["place-renamed"]),
    "place id": (slots(PLACE), slots({**PLACE, "id": "x"}), ["place-id-changed"]),
    "place id and label": (
        slots(PLACE),
        slots({**PLACE, "id": "x", "label": "X"}),
        ["place-id-changed", "place-renamed"],
    ),
    "place id and words": (
        slots({"id": "x", "accepts": "grade < 20 OR grade < 10"}, B),
        slots(A, B),
        ["place-id-changed", "rule-reworded"],
    ),
    "place id, label kept, rule widened": (
        slots(PLACE),
        slots({**PLACE, "id": "x", "accepts": "denomination IN ('crown', 'florin')"}),
        ["place-id-changed", "rule-widened"],
    ),
    "ids renumbered": (
        slots({**A, "id": "1"}, {**B, "id": "2"}),
        slots({"id": "1", "accepts": "mint = 'Tower'"}, {**A, "id": "2"}, {**B, "id": "3"}),
        ["place-added", "place-id-changed", "place-id-changed"],
    ),
    "same rule twice, told by label": (
        slots({**A, "label": "First"}, {**A, "id": "c", "label": "Second"}),
        slots({**A, "id": "x", "label": "Second"}, {**A, "id": "y", "label": "First"}),
        ["order-changed", "place-id-changed", "place-id-changed"],
    ),
    "another place": (slots(A), slots({**B, "id": "c"}), ["place-added", "place-removed"]),
    "rule widened": (one("grade > 20"), one("grade > 10"), ["rule-widened"]),
    "rule narrowed": (one("grade > 20"), one("grade > 30"), ["rule-narrowed"]),
    "rule changed": (one("grade > 20"), one("grade < 30"), ["rule-changed"]),
    "rule reworded": (one("grade > 20"), one("20 < grade"), ["rule-reworded"]),
    "rule as JSON": (one("grade > 20"), one({"op": ">", "args": [{"property": "grade"}, 20]}), []),
    "split": (slots(PLACE), slots(*CROWNS), ["place-split"]),
    "merged": (slots(*CROWNS), slots(PLACE), ["place-merged"]),
    "split, one part keeps the id": (slots(PLACE), slots(KEPT, CROWNS[1]), ["place-split", "rule-narrowed"]),
    "merged into one that was there": (slots(KEPT, CROWNS[1]), slots(PLACE), ["place-merged", "rule-widened"]),
    "no split: coins are left over": (
        slots(PLACE),
        slots(CROWNS[0], {"id": "late", "accepts": "denomination = 'crown' AND year_on_coin > 1901"}),
        ["place-added", "place-added", "place-removed"],
    ),
    "no split: a part takes more": (
        slots(PLACE),
        slots(CROWNS[0], {"id": "late", "accepts": "denomination IN ('crown', 'florin') AND year_on_coin > 1900"}),
        ["place-added", "place-added", "place-removed"],
    ),
    "split into a group": (
        slots({"id": "birds", "accepts": "species IN ('owl', 'tree')"}),
        group(),
        ["place-split"],
    ),
    "tier": (slots(A), slots({**A, "tier": "optional"}), ["tier-changed"]),
    "size": (choice(), choice(places=3), ["group-size-changed"]),
    "keys": (group(), group(keys={"from": "list", "values": ["owl", "kiwi"]}), ["keys-changed"]),
    "keys from elsewhere": (group(), group(keys={"from": "holdings"}), ["keys-changed"]),
    "distinct": (choice(), choice(distinct=["mint"]), ["distinct-changed"]),
    "distinct in another order": (choice(distinct=["mint", "grade"]), choice(distinct=["grade", "mint"]), []),
    "at most": (
        choice(at_most=[{"per": "mint", "count": 1}]),
        choice(at_most=[{"per": "mint", "count": 2}]),
        ["at-most-changed"],
    ),
    "preferences of the set": (
        one("grade > 1"),
        one("grade > 1", prefer=[{"highest": "grade"}]),
        ["preference-changed"],
    ),
    "preferences of a place": (slots(A), slots({**A, "prefer": [{"lowest": "grade"}]}), ["preference-changed"]),
    "preferences in other words": (
        slots({**A, "prefer": [{"where": "grade > 3"}]}),
        slots({**A, "prefer": [{"where": "(grade > 3)"}]}),
        [],
    ),
    "look at": (slots(A), slots({**A, "look_at": "the rim"}), ["look-at-changed"]),
    "order": (slots(A, B), slots(B, A), ["order-changed"]),
    "constraint added": (ruled(), ruled(SAME), ["constraint-added"]),
    "constraint removed": (ruled(SAME), ruled(), ["constraint-removed"]),
    "constraint changed": (ruled(SAME), ruled({**SAME, "kind": "different"}), ["constraint-changed"]),
    "constraint renamed": (ruled(SAME), ruled({**SAME, "id": "two"}), ["constraint-renamed"]),
    "constraint over places under other ids": (
        ruled(SAME),
        ruled({**SAME, "places": ["y", "x"]}, ids=("x", "y")),
        ["place-id-changed", "place-id-changed"],
    ),
    "page added": (pages(("One", ["a"])), pages(("One", ["a"]), ("Two", ["b"])), ["page-added"]),
    "page removed": (pages(("One", ["a"]), ("Two", ["b"])), pages(("One", ["a"])), ["page-removed"]),
    "page changed": (pages(("One", ["a", "b"])), pages(("One", ["b", "a"])), ["page-changed"]),
    "page renamed": (pages(("One", ["a", "b"])), pages(("Two", ["a", "b"])), ["page-renamed"]),
    "presumptions": (
        one("grade > 1"),
        one("grade > 1", presume=[{"facts": {"mint": "Tower"}}]),
        ["presume-changed"],
    ),
    "identification": (one("grade > 1"), one("grade > 1", identify=[{"where": "grade > 3"}]), ["identify-changed"]),
    "examples": (
        one("grade > 1"),
        one("grade > 1", examples=[{"facts": {"grade": 3}, "fits": [PLACE["id"]]}]),
        ["examples-changed"],
    ),
    "note of a place": (slots(A), slots({**A, "note": "Worn."}), ["note-changed"]),
    "note of a group": (group(note="One"), group(note="Two"), ["note-changed"]),
    "words of a rule over several places": (
        ruled(SAME),
        ruled({**SAME, "label": "A pair", "note": "Of one mint."}),
        ["label-changed", "note-changed"],
    ),
    "words of a page": (
        slots(A, layout=[{"page": "One", "label": "First", "note": "Old", "slots": []}]),
        slots(A, layout=[{"page": "One", "slots": []}]),
        ["label-changed", "note-changed"],
    ),
    "page with places under other ids": (
        pages(("One", ["a", "b"])),
        pages(("One", ["x", "b"]), ids=("x", "b")),
        ["place-id-changed"],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_change_by_hand(name: str) -> None:
    old, new, expected = CASES[name]
    told = difference(old, new)
    assert sorted(change.kind for change in told.changes) == expected
    sentences = sentences_of(told)
    assert len(sentences) == len(expected)
    for sentence in sentences:
        assert sentence[:1].isupper() or sentence.startswith("'"), sentence
        assert sentence.endswith("."), sentence
    encoded = msgspec.json.Encoder(decimal_format="number").encode(worded_changes(told))
    sent = msgspec.json.decode(encoded, type=list[RevisionChange])
    assert [change.words for change in sent] == sentences


@pytest.mark.parametrize("tag", [tag for tag in LANGUAGES if tag != ENGLISH])
def test_no_change_is_told_with_a_word_of_english(tag: str) -> None:
    """Labels, ids and terms of these cases apart, which their authors wrote; the English sentences are the control."""
    english = re.compile(
        r"\b(?:the|coins?|places?|group|rule|takes?|is|are|now|gone|changed|reworded|called|for example|more|declared)\b",
        re.IGNORECASE,
    )
    seen = 0
    for old, new, _ in CASES.values():
        told = difference(old, new)
        for plain, change in zip(worded_changes(told), worded_changes(told, language(tag)), strict=True):
            assert english.search(plain.words), plain.words
            # What stands in quotation marks, and what the author called it.
            words = re.sub(r"„[^“]*“|«[^»]*»", "", change.words)
            assert not english.search(words), (plain.words, change.words)
            assert change.words.endswith("."), change.words
            seen += 1
    assert seen > 60


def test_every_kind_has_a_case() -> None:
    seen = {kind for _, _, expected in CASES.values() for kind in expected}
    assert set(CHANGE_KINDS) - seen == {"rule-undecided", "scope-undecided", "comparison-cut"}
    assert seen <= set(CHANGE_KINDS)


@pytest.mark.parametrize("name", CASES)
def test_every_case_has_a_mirror(name: str) -> None:
    old, new, _ = CASES[name]
    ensure_mirrored(old, new)


TURNED = {
    "added": "removed",
    "removed": "added",
    "widened": "narrowed",
    "narrowed": "widened",
    "split": "merged",
    "merged": "split",
}


def turned(change: DefinitionChange) -> str:
    """The same change seen from the other side, as text: how a change compares with another of the other direction."""
    what, _, event = change.kind.rpartition("-")
    reached = (change.places or {}).items()
    more = [
        {TURNED.get(word, word): sorted(pair[::-1] for pair in pairs) for word, pairs in reached},
        None if change.keys is None else [sorted(change.keys.removed), sorted(change.keys.added)],
        TURNED.get(change.counted or "", change.counted),
    ]
    kind = f"{what}-{TURNED.get(event, event)}"
    sides = [change.new, change.old, change.new_pointers, change.old_pointers, change.after, change.before]
    return json.dumps([kind, *sides, change.lost, change.gained, change.limit, more], sort_keys=True, default=str)


def as_it_is(change: DefinitionChange) -> str:
    more = [
        {word: sorted(pairs) for word, pairs in (change.places or {}).items()},
        None if change.keys is None else [sorted(change.keys.added), sorted(change.keys.removed)],
        change.counted,
    ]
    sides = [change.old, change.new, change.old_pointers, change.new_pointers, change.before, change.after]
    return json.dumps(
        [change.kind, *sides, change.gained, change.lost, change.limit, more], sort_keys=True, default=str
    )


def ensure_mirrored(old: dict[str, Any], new: dict[str, Any]) -> None:
    there, back = changed(old, new), changed(new, old)
    assert sorted(map(turned, there)) == sorted(map(as_it_is, back))


@SOME
@given(definitions(), definitions())
def test_two_sets_differ_alike_from_both_sides(old: dict[str, Any], new: dict[str, Any]) -> None:
    ensure_mirrored(old, new)


@settings(SOME, max_examples=examples(60))
@given(definitions())
def test_a_set_does_not_differ_from_itself(document: dict[str, Any]) -> None:
    assert changed(document, copy.deepcopy(document)) == []


@SOME
@given(definitions(), definitions())
def test_every_place_is_told_of_once(old: dict[str, Any], new: dict[str, Any]) -> None:
    told = difference(old, new).matching
    for side, document in enumerate((old, new)):
        ids = [entry["id"] for kind in ("slots", "one_per", "free_choice") for entry in document[kind]]
        gone_on = [pair[side].id for pair in told.pairs]
        partings = [one.whole.id for one in (told.splits, told.merges)[side]]
        partings += [part.id for one in (told.merges, told.splits)[side] for part in one.parts]
        alone = [unit.id for unit in (told.removed, told.added)[side]]
        assert len(gone_on) == len(set(gone_on))
        assert set(ids) == {*gone_on, *partings, *alone}
        assert not set(alone) & {*gone_on, *partings}


# --- details and words ----------------------------------------------------------------------------------------------


def test_a_rule_that_takes_more_tells_of_a_coin() -> None:
    old = slots({**PLACE, "accepts": "denomination = 'crown' AND year_on_coin = 1901"})
    new = slots({**PLACE, "accepts": "denomination = 'crown' AND year_on_coin BETWEEN 1901 AND 1902"})
    (sent,) = worded_changes(difference(old, new))
    assert msgspec.to_builtins(sent) == {
        "kind": "rule-widened",
        "old": ["crown"],
        "new": ["crown"],
        "old_pointers": ["/slots/0/accepts"],
        "new_pointers": ["/slots/0/accepts"],
        "before": "denomination = 'crown' AND year_on_coin = 1901",
        "after": "denomination = 'crown' AND year_on_coin BETWEEN 1901 AND 1902",
        "newly_accepted": {"denomination": "crown", "year_on_coin": 1902},
        "words": "The place 'Crown' now also takes coins that it did not take before, for example a crown dated 1902.",
    }
    assert sentences_of(difference(old, new)) == [
        "The place 'Crown' now also takes coins that it did not take before, for example a crown dated 1902."
    ]
    assert sentences_of(difference(new, old)) == [
        "The place 'Crown' no longer takes some coins that it took before, for example a crown dated 1902."
    ]


def test_a_split_by_year_leaves_undated_coins_over_and_says_so() -> None:
    (change,) = changed(slots(PLACE), slots(*CROWNS))
    assert (change.old, change.new) == (("crown",), ("early", "late"))
    assert change.lost == {"denomination": "crown", "year_on_coin": {"none": True}}
    (sentence,) = sentences_of(difference(slots(PLACE), slots(*CROWNS)))
    assert sentence == (
        "The place 'Crown' is split: the coins it took now go to 'early' and 'late', but for a few coins, "
        "for example a crown, no year on the coin."
    )
    whole = [{"id": "low", "accepts": "denomination = 'crown' AND grade < 20"}]
    whole.append({"id": "high", "accepts": "denomination = 'crown' AND NOT (grade < 20)"})
    (change,) = changed(slots(PLACE), slots(*whole))
    assert (change.kind, change.lost) == ("place-split", None)


def test_a_scope_tells_which_places_it_reaches() -> None:
    places = [{"id": "old", "accepts": "year_on_coin < 1850"}, {"id": "new", "accepts": "year_on_coin > 1950"}]
    (change,) = changed(slots(*places, scope="year_on_coin > 1800"), slots(*places, scope="year_on_coin > 1820"))
    assert change.kind == "scope-narrowed"
    assert change.places == {"narrowed": [["old", "old"]]}
    # A place whose own rule changed too is told of by itself, under both scopes.
    moved = [{"id": "old", "accepts": "year_on_coin < 1815"}, places[1]]
    found = changed(slots(*places, scope="year_on_coin > 1800"), slots(*moved, scope="year_on_coin > 1820"))
    assert [change.kind for change in found] == ["scope-narrowed", "rule-narrowed"]
    assert found[0].places is None


def test_a_rule_that_a_constraint_counts_is_compared_too() -> None:
    def few(where: str) -> dict[str, Any]:
        return ruled({"id": "few", "kind": "at_most", "where": where, "count": 1})

    (change,) = changed(few("grade < 10"), few("grade < 30"))
    assert (change.counted, change.places, change.keys, change.lost) == ("widened", None, None, None)
    assert verdict_of("grade < 30", change.gained or {}) == "yes"


def test_too_many_comings_and_goings_are_cut_and_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place_matching, "_MOST_PAIRS", 1)
    assert "comparison-cut" in kinds(slots(PLACE), slots(*CROWNS))


def test_the_words_stand_under_a_title() -> None:
    assert list(text_lines("Two crowns", [])) == ["Two crowns", "", "- Nothing changed."]
    assert list(text_lines("Two crowns", ["It is so."])) == ["Two crowns", "", "- It is so."]


def test_a_shipped_set_against_itself_with_every_rule_reworded() -> None:
    for path in sorted(SETS.glob("*.definition.json")):
        document = json.loads(path.read_text("utf-8"))
        reworded = copy.deepcopy(document)
        for slot in reworded.get("slots", ()):
            slot["accepts"] = {"op": "not", "args": [{"op": "not", "args": [parse(slot["accepts"]).json]}]}
        schemes = shipped.vocabularies()
        told = diff_definitions(
            read_definition(document, vocabularies=schemes), read_definition(reworded, vocabularies=schemes), {}, TODAY
        )
        assert {change.kind for change in told.changes} <= {"rule-reworded"}, path
        assert len(told.changes) == len(document.get("slots", ()))
