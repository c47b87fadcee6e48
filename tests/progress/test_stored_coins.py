"""An evaluation from columns says what one from an object for each coin says: the coins, what they may be, what was left out,
and the answer byte for byte."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Invalid, OverLimit
from service.evaluation.columns import Columns
from service.evaluation.recorded import CoinsInColumns
from service.evaluation.views import bare
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, View, read_facts
from service.facts.vocabulary import Abbreviation, Concept, build_vocabulary
from service.notation.terms import with_terms
from service.progress.actions.stored_set import stored_holdings
from service.progress.evaluate import EvaluationRequest, coins_of, evaluate
from service.reference.model import Catalogue
from service.rules.document import read_definition
from service.rules.presumptions import KeptPresumptions
from tests.factories import bytes_of
from tests.holdings.columns.rows import as_stored, collections, in_columns
from tests.strategies import ISSUES, TODAY, VOCABULARIES, definitions, examples, presumptions

MANY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(100))
WHERES = (None, "restrike = TRUE", "year_on_coin < 1900", "narrower(species, 'bird')", "grade > 12 OR mint = 'Heaton'")
IDENTIFY = ({"where": "TRUE"}, {"where": "mint = 'Tower'"}, {"where": "grade > 12", "issues": ["issue-1", "issue-2"]})
OWN_ISSUES = {
    "issue-4": {"mint": 5, "species": "owl"},
    "issue-1": {"year_on_coin": {"from": 1899, "to": 1901}, "grade": 20},
}
REPLACES = ({}, {"issue-4": "issue-2"})
# A quarter is one thing on coins of AA, and another on those of BB.
DENOMINATIONS = build_vocabulary(
    "denominations",
    [
        Concept("penny", "penny"),
        Concept("AA-quarter", "quarter of AA", abbreviations=(Abbreviation("quarter", "AA"),)),
        Concept("BB-quarter", "quarter of BB", abbreviations=(Abbreviation("quarter", "BB"),)),
    ],
)
SCHEMES = {**VOCABULARIES, "denominations": DENOMINATIONS}


def catalogue(attributes: Attributes, *, own: bool) -> Catalogue:
    shipped = {name: read_facts(facts, CORE, strict=False)[0] for name, facts in ISSUES.items()}
    return Catalogue(shipped, OWN_ISSUES if own else {}, attributes)


@st.composite
def both(draw: st.DrawFn) -> tuple[EvaluationRequest, EvaluationRequest, list[Any], list[Any]]:
    """One question to columns and to objects, and what was left out of each."""
    rows = draw(collections())
    document = draw(definitions())
    if draw(st.booleans()):
        document["presume"] = draw(st.lists(presumptions(WHERES), max_size=3))
    if draw(st.booleans()):
        document["identify"] = [draw(st.sampled_from(IDENTIFY))]
    definition = read_definition(document, vocabularies=SCHEMES)
    attributes = with_terms(definition.attributes, SCHEMES)
    has_own = draw(st.booleans())
    issues = catalogue(attributes, own=has_own)
    asked: dict[str, Any] = {
        "definition": replace(definition, attributes=attributes),
        "today": TODAY,
        "vocabularies": definition.vocabularies,
        "issues": issues,
        # Only an issue that there is replaces another.
        "replaces": draw(st.sampled_from(REPLACES)) if has_own else {},
        "statuses": draw(
            st.sampled_from((frozenset(("held", "for trade")), frozenset(("held",)), frozenset(("lost",))))
        ),
        "presumptions": KeptPresumptions(tuple(draw(st.lists(presumptions(WHERES), max_size=2))), ()).read(
            attributes, definition.vocabularies
        ),
        "pins": tuple((f"coin-{n}", "slot-0") for n in draw(st.lists(st.integers(0, 3), max_size=1))),
    }
    stored = [as_stored(row) for row in rows]
    objects, ignored = stored_holdings(stored, attributes, issues, definition.vocabularies)
    columns, left = stored_holdings(in_columns(rows), attributes, issues, definition.vocabularies)
    return (
        EvaluationRequest(holdings=columns, **asked),
        EvaluationRequest(holdings=objects, **asked),
        list(left),
        list(ignored),
    )


@MANY
@given(both())
def test_coins_are_the_same(asked: tuple[EvaluationRequest, EvaluationRequest, list[Any], list[Any]]) -> None:
    in_columns, by_objects, left, ignored = asked
    assert list(in_columns.holdings) == list(by_objects.holdings)
    assert bytes_of(left) == bytes_of(ignored)
    new, old = coins_of(in_columns), coins_of(by_objects)
    assert isinstance(new, CoinsInColumns)
    assert not isinstance(old, CoinsInColumns)
    assert list(new.holdings) == list(old.holdings)
    assert list(new.views) == list(old.views)
    assert list(new.ids) == list(old.ids)
    assert list(new.numbers) == list(old.numbers)
    assert new.quantity.tolist() == old.quantity.tolist()
    assert new.single.tolist() == old.single.tolist()
    assert list(new.several) == list(old.several)
    assert dict(new.row_of) == dict(old.row_of)
    assert new.has_presumed == old.has_presumed
    seen = [by_objects.seen(holding) for holding in old.holdings]
    assert list(new.clashing) == [coin for coin, one in enumerate(seen) if one.contradictions or one.unidentified]
    names = {name for views in old.views for view in views for name in view.facts} | {"grade", "legend_issuer"}
    about = by_objects.definition.attributes, by_objects.context
    _assert_columns(new.columns(*about), [old.views[coin][0] for coin in old.single.tolist()], names)
    without = new.bare_columns(*about)
    assert (without is None) == (old.bare_columns(*about) is None)
    if without is not None:
        _assert_columns(without, [bare(old.views[coin])[0] for coin in old.single.tolist()], names)


def _assert_columns(columns: Columns, rows: list[View], names: set[str]) -> None:
    assert columns.rows == len(rows)
    for name in names:
        column = columns.column(name)
        assert column.entries[0] is None
        assert len(set(column.entries)) == len(column.entries)
        known: list[Any] = [column.entries[code] for code in column.codes.tolist()]
        assert known == [_of(row.facts, name) for row in rows]


def _of(facts: Facts, name: str) -> Any:
    return facts.get(name)


@MANY
@given(both())
def test_answers_are_the_same(asked: tuple[EvaluationRequest, EvaluationRequest, list[Any], list[Any]]) -> None:
    in_columns, by_objects, _, _ = asked
    answers = []
    for request in (in_columns, by_objects):
        try:
            answers.append(bytes_of(evaluate(request)))
        except (OverLimit, Invalid) as refusal:
            answers.append(repr(refusal.faults).encode())
    assert answers[0] == answers[1]


def test_a_short_name_of_an_issuer_counts_on_its_coins() -> None:
    rows = [
        (f"coin-{n}", n, n, False, f'{{"facts":{facts}}}', "2026-11-01", "2026-11-01", "[]")
        for n, facts in enumerate(
            (
                '{"issuer":"AA","denomination":"quarter"}',
                '{"denomination":"quarter","issuer":"BB"}',
                '{"denomination":"quarter"}',
            )
        )
    ]
    attributes = with_terms(CORE, SCHEMES)
    coins, _ = stored_holdings(in_columns(rows), attributes, {}, SCHEMES)
    objects, _ = stored_holdings([as_stored(row) for row in rows], attributes, {}, SCHEMES)
    column = coins.column("denomination")  # type: ignore[attr-defined]
    known = [column.entries[code] for code in column.codes.tolist()]
    assert known == [holding.facts["denomination"] for holding in objects]
    assert len(set(known)) == 3
