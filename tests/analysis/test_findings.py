"""The check of a definition: never, always, overlap, containment and sameness are exact, and examples are real coins."""

from __future__ import annotations

import json
from datetime import date
from itertools import combinations, product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.analysis import questions
from service.analysis.findings import ERROR, Finding, check_definition, findings_of_faults
from service.analysis.satisfiability import WantedVerdict, _descend, _solve, find_witness
from service.evaluation.verdicts import Case
from service.facts.core_attributes import CORE
from service.facts.holding import read_facts
from service.facts.truth import UNDECIDED, YES
from service.reference import shipped
from service.rules.cql2.expression import parse
from service.rules.document import read_definition
from service.rules.predicates import Or
from service.rules.yaml_text import load_yaml
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_definition, a_rule, some_knowledge, verdict_of
from tests.strategies import ATTRIBUTES, TODAY, examples, rules, simple_rules

SETS = Path(__file__).resolve().parents[2] / "set_definitions"
SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(120))
MOST_WORLDS = 40_000


def findings(slots: dict[str, Any], **more: Any) -> list[Finding]:
    """The findings, without the notes on the attributes that every definition of these tests declares."""
    catalogue = more.pop("catalogue", {})
    found = check_definition(a_definition(slots, **more), {n: some_knowledge(f) for n, f in catalogue.items()}, TODAY)
    return [finding for finding in found if finding.code != "unused-attribute"]


def codes(slots: dict[str, Any], **more: Any) -> list[str]:
    return [finding.code for finding in findings(slots, **more)]


def exists(first: Any, second: Any, *, second_fits: bool, most: int = MOST_WORLDS) -> bool:
    """By trying every world of the slow reference, known to be none included, whether a coin fits the first rule and fits (or
    fails) the second."""
    tree = {"op": "or", "args": [parse(first).json, parse(second).json]}
    names = reference.properties(tree)
    none = reference.Thing(reference.NONE, (), False)
    domains = []
    total = 1
    for name in names:
        things = reference.domain(name, {}, tree, OUTSIDE)
        domains.append([*things, *(() if any(t.value == reference.NONE for t in things) else (none,))])
        total *= len(domains[-1])
    assume(total <= most)
    for picked in product(*domains):
        world = dict(zip(names, picked, strict=True))
        fits = [reference.holds(parse(rule).json, world, OUTSIDE) for rule in (first, second)]
        if fits[0] and fits[1] is second_fits:
            return True
    return False


@settings(SOME, max_examples=examples(50))
@given(rules(most_names=2), rules(most_names=2))
def test_whether_a_coin_can_fit_both_or_one_alone_equals_enumeration(first: Any, second: Any) -> None:
    for fits in (True, False):
        found = find_witness([WantedVerdict(a_rule(first)), WantedVerdict(a_rule(second), fits)], ATTRIBUTES, AROUND)
        assume(found.possible is not UNDECIDED)
        try:
            assert (found.possible is YES) is exists(first, second, second_fits=fits)
        except reference.TooMany:
            assume(False)
        if found.example is not None:
            # An example may hold more than JSON can say exactly; what it does is what counts.
            assert verdict_of(first, found.example) == "yes"
            assert verdict_of(second, found.example) == ("yes" if fits else "no")


@SOME
@given(rules(most_names=3), rules(most_names=2))
def test_the_solver_and_the_descent_agree(first: Any, second: Any) -> None:
    wanted = [WantedVerdict(a_rule(first)), WantedVerdict(a_rule(second), fits=False)]
    case = Case(Or((wanted[0].rule, wanted[1].rule)), {}, ATTRIBUTES, AROUND, with_none=True)
    assume(case.limit is None and not case.joint)
    walked, spent, _ = _descend(case, wanted)
    solved, unproven = _solve(case, wanted)
    assume(not spent and not unproven)
    assert (walked is None) is (solved is None)


@settings(SOME, max_examples=examples(60))
@given(st.lists(rules(most_names=1) | simple_rules(), min_size=2, max_size=3, unique_by=str))
def test_the_findings_on_small_definitions_equal_enumeration(accepts: list[Any]) -> None:
    found = findings({f"slot-{number}": rule for number, rule in enumerate(accepts)})
    assume("limit" not in [finding.code for finding in found])
    of_pairs = {frozenset((f.pointer, other)): f for f in found for other in f.others}
    never = {finding.pointer for finding in found if finding.code == "never"}
    pointers = [f"/slots/{number}/accepts" for number in range(len(accepts))]

    def is_some(first: Any, second: Any, fits: bool) -> bool:
        try:
            return exists(first, second, second_fits=fits, most=2_000)
        except reference.TooMany:
            assume(False)
            raise

    alive = {at: rule for at, rule in zip(pointers, accepts, strict=True) if is_some(rule, rule, True)}
    assert never == set(pointers) - alive.keys()
    for (at, first), (other, second) in combinations(alive.items(), 2):
        told = of_pairs.get(frozenset((at, other)))
        if not is_some(first, second, True):
            assert told is None
            continue
        is_inside, contains = not is_some(first, second, False), not is_some(second, first, False)
        if told is None:
            # Rules that are read as the same one, whatever their words, are told of once: the first speaks for all.
            assert any(f.code == "same" and {at, other} & {f.pointer, *f.others} for f in found)
            continue
        assert told.code == ("same" if is_inside and contains else "contained" if is_inside or contains else "overlap")
        if told.code == "contained":
            assert told.pointer == (at if is_inside else other)
        if told.example is not None:
            assert [verdict_of(rule, told.example) for rule in (first, second)] == ["yes", "yes"]


def test_an_overlap_that_no_facts_can_show_promises_no_example() -> None:
    (finding,) = findings({"owls": "narrower(species, 'owl')", "birds": "species = 'bird'"})
    assert (finding.code, finding.example) == ("overlap", None)
    assert finding.message == "One coin may fit both 'owls' and 'birds', though no facts can say so for certain."


def test_many_places_with_one_rule_are_told_of_once() -> None:
    found = findings({f"slot-{number}": "grade > 3" for number in range(40)} | {"low": "grade < 3"})
    assert [(f.code, len(f.others)) for f in found] == [("same", 39)]
    assert found[0].message.startswith(
        "'slot-0', 'slot-1', 'slot-2', 'slot-3', 'slot-4' and 35 more take the same coins"
    )


def test_a_text_that_only_folds_make_fit_is_found() -> None:
    # Zürich and Straße: the characters are those of Unicode's data (UnicodeData.txt, CaseFolding.txt).
    accented = "ACCENTI(mint) = 'Zurich' AND mint <> 'Zurich' AND mint LIKE 'Z_rich'"
    sharp = "CASEI(mint) = 'strasse' AND mint LIKE 'Stra_e'"
    assert codes({"a": accented, "b": sharp}) == []
    assert codes({"a": "CASEI(mint) = 'strasse'", "b": "mint = 'Strasse'"}) == ["contained"]
    assert codes({"a": "CASEI(mint) = 'strasse'", "b": f"mint = 'Strasse' OR ({sharp})"}) == ["contained"]
    same = {"a": "ACCENTI(mint) = 'Zurich' AND mint LIKE 'Z_rich'", "b": f"mint = 'Zurich' OR ({accented})"}
    assert codes(same) == ["same"]
    assert codes({**same, "b": "mint = 'Zurich'"}) == ["contained"]


def test_what_is_impossible_whatever_an_open_clause_says_is_never() -> None:
    open_clause = "weight_measured * diameter > 2"
    # The only required place can never be filled, so its tier is out of reach too.
    impossible = f"year_on_coin < 1800 AND year_on_coin > 1900 AND {open_clause}"
    assert codes({"a": impossible}) == ["never", "unreachable-tier"]
    assert codes({"a": open_clause}) == ["limit"]


def test_past_the_limit_of_its_work_a_check_says_so_and_claims_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    slots = {f"slot-{n}": f"grade > {n} AND year_on_coin > {1900 - n}" for n in range(20)}
    slots["none"] = "grade < 1"
    assert {"contained", "overlap"} & set(codes(slots))
    assert "limit" not in codes(slots)
    monkeypatch.setattr(questions, "_MOST_WORK", 0)
    found = codes(slots)
    assert set(found) == {"limit"}


def test_an_open_group_takes_no_coin_that_is_known_to_show_no_key() -> None:
    group = {"id": "mints", "attribute": "mint", "accepts": "grade > 5", "keys": {"from": "holdings"}}
    assert codes({"a": "grade > 10 AND mint IS NULL"}, one_per=[group]) == []
    assert codes({"a": "grade > 10 AND mint = 'Tower'"}, one_per=[group]) == ["contained"]


def test_a_key_that_nothing_in_its_group_can_have_is_an_error() -> None:
    group = {"id": "mints", "attribute": "mint", "keys": {"from": "list", "values": ["Tower", "Heaton"]}}
    assert "too-few-keys" not in codes({}, one_per=[{**group, "accepts": "grade > 5"}])
    (finding,) = findings({}, one_per=[{**group, "accepts": "mint <> 'Heaton'"}])
    assert (finding.code, finding.severity, finding.pointer) == ("too-few-keys", ERROR, "/one_per/0/keys")
    assert "'Heaton'" in finding.message


def test_an_issue_that_none_of_a_hundred_keys_takes_is_a_gap() -> None:
    keys = {"from": "list", "values": [f"mint {number}" for number in range(100)]}
    catalogue = {"in": {"mint": "mint 7"}, "out": {"mint": "mint 700"}, "open": {"grade": 5}}
    found = findings(
        {}, one_per=[{"id": "mints", "attribute": "mint", "keys": keys}], scope="TRUE", catalogue=catalogue
    )
    assert [f.message for f in found if f.code == "gap"] == ["The issue 'out' is in scope and fits no place."]


def test_a_choice_that_shares_a_key_too_often_is_an_error() -> None:
    choice = {
        "id": "hues",
        "places": 7,
        "accepts": "hue IN ('red', 'brown')",
        "at_most": [{"per": ["hue"], "count": 3}],
    }
    assert "too-few-keys" in codes({}, free_choice=[choice])
    assert "too-few-keys" not in codes({}, free_choice=[{**choice, "places": 6}])
    fails = {**choice, "at_most": [{"where": "hue <> 'red' OR hue = 'red'", "count": 6}]}
    assert "constraint-never" in codes({}, free_choice=[fails])


def test_keys_are_counted_by_what_the_whole_rule_allows() -> None:
    # Three values come to mind (red, brown, known to be none), and the rule leaves one.
    choice = {"id": "hues", "places": 2, "accepts": "hue <> 'red'", "distinct": ["hue"]}
    assert "too-few-keys" in codes({}, free_choice=[choice])
    assert "too-few-keys" not in codes({}, free_choice=[{**choice, "accepts": "hue <> 'red' OR hue IS NULL"}])


def test_different_places_that_compete_for_a_key_never_hold() -> None:
    slots = {"a": "mint = 'Tower' AND grade > 5", "b": "mint = 'Tower'", "c": "grade < 5"}
    makers = {"id": "makers", "kind": "different", "by": ["mint"], "places": ["a", "b", "c"]}
    assert "constraint-never" in codes(slots, constraints=[makers])
    for places in (["a", "c"], ["b", "c"]):
        assert "constraint-never" not in codes(slots, constraints=[{**makers, "places": places}])


def test_places_whose_values_interlock_without_meeting_can_never_agree() -> None:
    slots = {"even": "year_on_coin = 1900 OR year_on_coin = 1902", "odd": "year_on_coin = 1901"}
    pair = {"id": "pair", "kind": "same", "by": ["year_on_coin"], "places": ["even", "odd"]}
    assert "constraint-never" in codes(slots, constraints=[pair])
    assert "constraint-never" not in codes({**slots, "odd": "year_on_coin IN (1901, 1902)"}, constraints=[pair])


def test_the_places_of_a_group_never_agree_in_their_key() -> None:
    group = {"id": "mints", "attribute": "mint", "keys": {"from": "list", "values": ["Tower", "Heaton"]}}
    pair = {"id": "pair", "kind": "same", "by": ["mint"], "places": ["mints"]}
    assert "constraint-never" in codes({}, one_per=[group], constraints=[pair])
    assert "constraint-never" not in codes({}, one_per=[group], constraints=[{**pair, "places": ["mints/Tower"]}])
    assert "constraint-never" not in codes({}, one_per=[group], constraints=[{**pair, "by": ["year_on_coin"]}])


def test_changing_one_constant_of_a_sound_definition_shows_as_never() -> None:
    sound = {"a": "grade > 20 AND year_on_coin BETWEEN 1800 AND 1850", "b": "grade < 5 AND mint = 'Tower'"}
    assert "never" not in codes(sound)
    assert "never" in codes({**sound, "a": "grade > 70 AND year_on_coin BETWEEN 1800 AND 1850"})
    assert "never" in codes({**sound, "a": "grade > 20 AND year_on_coin BETWEEN 1900 AND 1850"})
    assert "never" in codes({**sound, "b": "grade < 1 AND mint = 'Tower'"})


def test_a_place_that_no_coin_can_ever_fit_is_an_error() -> None:
    (finding,) = findings({"a": "year_on_coin < 1800 AND year_on_coin > 1900"})[:1]
    assert (finding.code, finding.severity, finding.pointer) == ("never", ERROR, "/slots/0/accepts")
    assert finding.message == "No coin can ever fit 'a': a coin dated before 1800 dated after 1900."


def test_a_place_that_every_coin_fits_is_noted_and_an_undated_coin_is_thought_of() -> None:
    assert codes({"a": "grade >= 1 OR grade IS NULL"}) == ["always"]
    assert codes({"a": "year_on_coin < 1900 OR year_on_coin >= 1900"}) == []


def test_what_lies_outside_the_scope_is_an_error() -> None:
    slots = {"a": "year_on_coin < 1800", "b": "year_on_coin > 1900"}
    assert codes(slots, scope="year_on_coin >= 1837") == ["outside-scope"]


def test_two_places_that_share_a_coin_overlap_and_the_example_fits_both() -> None:
    (finding,) = findings({"a": "grade >= 20", "b": "year_on_coin < 1900"})
    assert finding.code == "overlap"
    assert finding.example is not None
    assert verdict_of("grade >= 20 AND year_on_coin < 1900", finding.example) == "yes"


def test_a_place_inside_another_is_contained() -> None:
    (finding,) = findings({"any": "denomination = 'penny'", "old": "denomination = 'penny' AND year_on_coin < 1900"})
    assert (finding.code, finding.pointer, finding.others) == ("contained", "/slots/1/accepts", ("/slots/0/accepts",))
    assert finding.message == "Every coin that fits 'old' fits 'any' too."


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("grade >= 20", "grade >= 20"),
        ("grade >= 20 AND mint = 'Tower'", "mint = 'Tower' AND NOT grade < 20"),
        ("grade IN (1, 2)", "grade BETWEEN 1 AND 2"),
    ],
)
def test_the_same_rule_in_other_words_is_the_same(first: str, second: str) -> None:
    found = codes({"a": first, "b": second})
    # NOT grade < 20 holds for a coin whose grade is known to be none, so the second pair is contained, not the same.
    assert found == (["contained"] if "NOT" in second else ["same"])


def test_places_that_never_meet_have_no_finding() -> None:
    assert codes({"a": "denomination = 'penny'", "b": "denomination = 'crown'", "c": "denomination = 'florin'"}) == []


def test_an_issue_in_scope_that_fits_nothing_is_a_gap() -> None:
    catalogue = {"early": {"year_on_coin": 1890}, "late": {"year_on_coin": 1950}, "old": {"year_on_coin": 1700}}
    found = findings({"a": "year_on_coin < 1900"}, scope="year_on_coin >= 1800", catalogue=catalogue)
    assert [finding.message for finding in found if finding.code == "gap"] == [
        "The issue 'late' is in scope and fits no place."
    ]


def test_changing_one_constant_of_a_sound_definition_shows_as_a_gap() -> None:
    catalogue = {f"year-{year}": {"year_on_coin": year} for year in range(1890, 1910)}
    sound = {"old": "year_on_coin <= 1899", "new": "year_on_coin >= 1900"}
    assert "gap" not in codes(sound, scope="year_on_coin > 0", catalogue=catalogue)
    for place, mutant in (("old", "year_on_coin <= 1898"), ("new", "year_on_coin >= 1901")):
        assert "gap" in codes({**sound, place: mutant}, scope="year_on_coin > 0", catalogue=catalogue)


def test_a_choice_with_more_places_than_keys_is_an_error() -> None:
    choice = {"id": "hues", "places": 4, "accepts": "grade > 0", "distinct": ["hue"]}
    assert "too-few-keys" in codes({}, free_choice=[choice])
    assert "too-few-keys" not in codes({}, free_choice=[{**choice, "places": 3}])
    listed = {"id": "two", "places": 3, "accepts": "mint IN ('Tower', 'Heaton')", "distinct": ["mint"]}
    assert "too-few-keys" in codes({}, free_choice=[listed])


def test_constraints_that_can_never_hold_are_errors() -> None:
    slots = {"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"}
    pair = {"id": "pair", "kind": "same", "by": ["year_on_coin"], "places": ["old", "new"]}
    assert "constraint-never" in codes(slots, constraints=[pair])
    assert "constraint-never" not in codes({**slots, "new": "year_on_coin >= 1890"}, constraints=[pair])
    none = {"id": "none", "kind": "at_most", "where": "year_on_coin < 1950", "count": 0, "places": ["old"]}
    assert "constraint-never" in codes(slots, constraints=[none])
    assert "constraint-never" not in codes(slots, constraints=[{**none, "places": ["new"]}])


def test_what_is_declared_and_never_read_and_a_tier_out_of_reach_are_told() -> None:
    definition = a_definition({"never": "grade < 1", "dull": "A_CONTAINS(quirks, ('dull')) AND grade < 1"})
    found = check_definition(definition, {}, TODAY)
    assert "unreachable-tier" in [finding.code for finding in found]
    unused = [finding.message for finding in found if finding.code == "unused-attribute"]
    assert len(unused) == len(definition.document["attributes"]) - 1
    assert not any("'quirks'" in message for message in unused)


@pytest.mark.parametrize("path", sorted(SETS.glob("*.definition.*")), ids=lambda path: path.name.split(".")[0])
def test_the_starter_definitions_are_sound(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    document = load_yaml(text) if path.suffix == ".yaml" else json.loads(text)
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    catalogue = {issue["id"]: read_facts(issue["facts"], CORE, strict=True)[0] for issue in shipped.issues()}
    found = check_definition(definition, catalogue, date(2026, 11, 25), claims=shipped.claims())
    assert [finding.message for finding in found if finding.severity != "note"] == []
    table = {finding.pointer for finding in found}
    assert all(
        pointer.startswith(("/slots", "/one_per", "/free_choice", "/attributes", "/scope", "")) for pointer in table
    )


def test_faults_of_a_document_become_findings_with_their_place() -> None:
    from service.errors import Fault

    (finding,) = findings_of_faults([Fault("syntax", "found '>'", "/slots/0/accepts", None, 1, 8)])
    assert (finding.code, finding.severity) == ("syntax", ERROR)
    assert finding.message == "found '>' (line 1, column 8)"


def test_the_work_of_an_answer_counts_the_steps_of_its_search() -> None:
    rule = WantedVerdict(a_rule("year_on_coin > 1900"))
    works = [find_witness([rule] * times, ATTRIBUTES, AROUND).work for times in (1, 2, 3)]
    assert works[0] < works[1] < works[2]


def test_never_is_not_claimed_where_the_regions_cannot_be_listed() -> None:
    wide = "weight_measured * diameter < 1 AND weight_measured * diameter > 2"
    found = find_witness([WantedVerdict(a_rule(wide))], ATTRIBUTES, AROUND)
    assert found.possible is UNDECIDED


def test_a_goal_that_can_never_be_reached_and_a_partner_that_can_never_match_are_told() -> None:
    slots = {"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900", "any": "TRUE"}
    goal = {"id": "old-ones", "kind": "at_least", "where": "year_on_coin < 1800", "count": 2}
    assert "constraint-never" not in codes(slots, constraints=[goal])
    assert "constraint-never" in codes(slots, constraints=[{**goal, "count": 3}])
    assert "constraint-never" in codes(slots, constraints=[{**goal, "count": 1, "places": ["new"]}])
    open_ended = {"id": "mints", "attribute": "mint", "keys": {"from": "holdings"}}
    assert "constraint-never" not in codes(slots, constraints=[{**goal, "count": 9}], one_per=[open_ended])
    partner = {"id": "partner", "kind": "matches", "by": ["year_on_coin"], "place": "old", "places": ["new"]}
    assert "constraint-never" in codes(slots, constraints=[partner])
    assert "constraint-never" not in codes(slots, constraints=[{**partner, "by": ["mint"]}])
    assert "constraint-never" not in codes(slots, constraints=[{**partner, "places": ["new", "any"]}])
    assert "constraint-never" in codes({"old": "TRUE"}, constraints=[{**partner, "places": ["old"]}])


# The spans are what GET /v1/catalogue/complete says: shillings from 1816 to 1970, 2 euro of Estonia since 2011.
@pytest.mark.parametrize(
    ("where", "is_within"),
    [
        ("issuer = 'GB' AND denomination = 'shilling' AND year_on_coin BETWEEN 1816 AND 1970", True),
        ("issuer = 'GB' AND denomination IN ('shilling', 'florin') AND year_on_coin BETWEEN 1849 AND 1970", True),
        ("issuer = 'GB' AND denomination = 'shilling'", False),
        ("issuer = 'GB' AND denomination = 'shilling' AND year_on_coin BETWEEN 1815 AND 1970", False),
        ("issuer = 'GB' AND denomination = 'shilling' AND year_on_coin BETWEEN 1816 AND 1971", False),
        ("denomination = 'shilling' AND year_on_coin BETWEEN 1816 AND 1970", False),
        ("issuer = 'EE' AND denomination = '2 euro' AND year_on_coin >= 2011", True),
        ("issuer = 'EE' AND denomination = '2 euro' AND year_on_coin >= 2010", False),
        ("TRUE", False),
    ],
)
def test_an_identification_that_reaches_further_than_the_catalogue_is_told(where: str, is_within: bool) -> None:
    document = {"format": "set-definition/1", "title": "A set", "slots": [{"id": "a", "accepts": "grade > 1"}]}
    document["identify"] = [{"where": where}]
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    found = check_definition(definition, {}, TODAY, claims=shipped.claims())
    told = [(finding.code, finding.severity, finding.pointer) for finding in found]
    assert told == ([] if is_within else [("identify-incomplete", "warning", "/identify/0/where")])
    for finding in found:
        assert verdict_of(where, finding.example or {}) == "yes"
    # Without a word of the catalogue nothing is complete; an entry that lists its issues is so by its author's word.
    assert [finding.code for finding in check_definition(definition, {}, TODAY)] == ["identify-incomplete"]
    document["identify"] = [{"where": where, "issues": ["gb-shilling-925"]}]
    listed = read_definition(document, vocabularies=shipped.vocabularies())
    assert check_definition(listed, {}, TODAY, claims=shipped.claims()) == []


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        (
            "issuer = 'Portugall'",
            "'issuer': 'Portugall' is no term of the vocabulary 'issuers'; did you mean 'PT' (Portugal)?",
        ),
        (
            "issuer IN ('US', 'Germany')",
            "'issuer': 'Germany' may be 'DE' (Germany), 'x-german-empire' (German Empire) or 'x-german-reich' (German Reich "
            "(1918 to 1945)): say which.",
        ),
        (
            "denomination = 'holey dollar thing'",
            "'denomination': 'holey dollar thing' is no term of the vocabulary 'denominations'; only coins recorded in the same "
            "words fit.",
        ),
        (
            "A_OVERLAPS(main_motifs, ('kangeroo'))",
            "'main_motifs': 'kangeroo' is no term of the vocabulary 'motifs'; did you mean 'kangaroo'?",
        ),
        ("denomination = 'quarter'", None),
        # One term is called so, of some issuers: nothing is to be chosen.
        (
            "denomination = 'nickel'",
            "'denomination': 'nickel' is no term of the vocabulary 'denominations'; did you mean '5 cents'?",
        ),
        ("issuer = 'USA' AND denomination = 'quarter'", ""),
        ("issuer IN ('USA', 'united kingdom') AND denomination = '2/6' AND mint = 'Nowhere'", ""),
    ],
)  # fmt: skip
def test_a_constant_that_is_no_term_is_told_with_the_nearest(rule: str, message: str | None) -> None:
    """Labels of issuers: Unicode CLDR; what the words are near to was chosen by hand."""
    document = {"format": "set-definition/1", "title": "t", "slots": [{"id": "a", "accepts": rule}]}
    read = read_definition(document, vocabularies=shipped.vocabularies())
    told = [finding for finding in check_definition(read, {}, TODAY) if finding.code == "unknown-term"]
    if message is None:
        assert told[0].message.startswith("'denomination': 'quarter' may be ")
        return
    assert [finding.message for finding in told] == ([message] if message else [])
    assert {(finding.severity, finding.pointer) for finding in told} <= {("warning", "/slots/0/accepts")}


def test_an_unknown_term_in_several_rules_and_keys_is_told_once() -> None:
    document = {
        "format": "set-definition/1", "title": "t", "scope": "issuer <> 'Portugall'",
        "slots": [{"id": "a", "accepts": "issuer = 'Portugall' OR grade > 1"}],
        "one_per": [{"id": "b", "attribute": "issuer", "keys": {"from": "list", "values": ["US", "Portugall"]}}],
    }  # fmt: skip
    read = read_definition(document, vocabularies=shipped.vocabularies())
    (told,) = [finding for finding in check_definition(read, {}, TODAY) if finding.code == "unknown-term"]
    assert (told.pointer, told.others) == ("/scope", ("/slots/0/accepts", "/one_per/0/keys/values/1"))
