"""A search in columns finds what one with an object for each holding finds, in its order, from behind any key."""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.evaluation.views import Views
from service.facts.knowledge import Among
from service.notation.terms import with_terms
from service.progress.actions.stored_set import stored_holdings
from service.progress.own_fields import filter_attributes, folded, place_attribute, with_places
from service.progress.searched import ORDERED, FoundHoldings, Searched
from service.progress.selection import Order, least, read_sort_key, sort_key_text
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext
from service.rules.presumptions import KeptPresumptions
from tests.holdings.columns.rows import as_stored, collections, held_rows, in_columns
from tests.progress import search_by_objects
from tests.progress.test_stored_coins import IDENTIFY, REPLACES, SCHEMES, WHERES, catalogue
from tests.strategies import ATTRIBUTES, NAMES, TODAY, examples, presumptions, simple_rules

MANY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(100))
TABLE = with_terms(ATTRIBUTES, SCHEMES)
FILTERS = (
    "grade >= 20 OR note IS NULL",
    "number = '17' OR quantity > 1",
    "price_paid > 2 AND price_currency = 'EUR'",
    "a_contains(tags, ('doubles')) AND mark IS NULL",
    "issue = 'issue-1' OR mint = 'Tower'",
    "bought_on < DATE('2021-01-01')",
    "set('A') = 'old' AND grade > 10",
    "set('A') IS NULL OR set('B') = 'new'",
    "narrower(species, 'bird') AND status <> 'sold'",
)
SETS = {"A": ("old", "new"), "B": ("new",)}
WORDS = (None, "aunt", "ALBUM 1", "ann doubles", "o", "quoted \\", "17 my")
KEYS: tuple[Any, ...] = (
    None,
    20,
    Fraction(5, 2),
    "Tower",
    date(2020, 2, 29),
    True,
    ["big"],
    datetime(2026, 11, 2, 10, tzinfo=UTC),
)
SORTS = ("", "grade", "year_on_coin", "mint", "species", "restrike", "traits", "weight_measured", *ORDERED)


@st.composite
def places(draw: st.DrawFn, named: dict[str, str]) -> dict[str, dict[str, list[str]]]:
    """Where holdings are placed, some of them that are not there."""
    coins = st.sampled_from([f"coin-{number}" for number in range(7)])
    return {
        name: draw(
            st.dictionaries(coins, st.lists(st.sampled_from(SETS[identity]), min_size=1, max_size=3), max_size=3)
        )
        for name, identity in named.items()
    }


@MANY
@given(st.data())
def test_both_ways_find_the_same(data: st.DataObject) -> None:
    rows = data.draw(collections())
    account = KeptPresumptions(
        tuple(data.draw(st.lists(presumptions(WHERES), max_size=2))),
        tuple(data.draw(st.lists(st.sampled_from(IDENTIFY), max_size=1))),
    )
    context = EvaluationContext(TODAY, SCHEMES)
    has_own = data.draw(st.booleans())
    issues = catalogue(TABLE, own=has_own)
    # Only an issue that there is replaces another.
    replaces = data.draw(st.sampled_from(REPLACES)) if has_own else {}

    def looks() -> Views:
        return Views(TABLE, context, issues, account.read(TABLE, SCHEMES), replaces)

    held = in_columns(rows)
    if data.draw(st.booleans()) and rows:
        # Words and values that were met before are looked up, new ones are added.
        Searched(held, TABLE, looks()).having(["o"])
        changed = data.draw(held_rows("coin-0", 77))
        held, rows[0] = held.patched(held.state.after("m"), [changed]), changed
    attributes, named, predicate = filter_attributes(TABLE), dict[str, str](), None
    text = data.draw(st.one_of(st.none(), st.sampled_from(FILTERS), simple_rules()))
    if text is not None:
        expression, found = with_places(parse(text))
        named = dict(found)
        attributes = attributes.extended(place_attribute(name) for name in named)
        predicate = bind(expression, attributes, SCHEMES)
    placed = data.draw(places(named))
    order = Order(data.draw(st.sampled_from(SORTS)), False)
    if order.name:
        order = Order(order.name, data.draw(st.booleans()))
    doubtful, words = data.draw(st.booleans()), data.draw(st.sampled_from(WORDS))
    sought = None if words is None else folded(words).split()

    stored = [as_stored(row) for row in rows]
    objects, _ = stored_holdings(stored, TABLE, issues, SCHEMES)
    expected = search_by_objects.found(
        stored, objects, looks(), predicate, attributes, context, order, placed, sought, doubtful=doubtful
    )
    searched = Searched(held, TABLE, looks())
    ordered = searched.in_order(order)
    fitting = None
    if predicate is not None:
        fitting = searched.fitting(predicate, attributes, context, placed, doubtful=doubtful)
    if sought is not None:
        having = searched.having(sought)
        fitting = having if fitting is None else fitting & having
    result = FoundHoldings(order, ordered, fitting, held)
    assert len(result) == len(expected)
    assert list(result.after(None, 99)) == expected
    few = data.draw(st.integers(0, 3))
    assert list(result.after(None, few)) == expected[:few]
    keys = [key for key, _ in expected] + [(data.draw(st.sampled_from(KEYS)), "coin-2")]
    for key in keys:
        limit = data.draw(st.integers(1, 3))
        assert _behind(lambda key=key, limit=limit: result.after(key, limit)) == _behind(
            lambda key=key, limit=limit: search_by_objects.after(expected, key, limit, order)
        )


def _behind(ask: Any) -> Any:
    try:
        return list(ask())
    except ValueError:
        return "a key of another order"


def test_all_attributes_of_made_up_facts_can_be_sorted_by() -> None:
    assert set(SORTS) - {""} <= {*NAMES, *ORDERED, "species"}


LETTERS = st.text(st.sampled_from("ab"), max_size=120)


@MANY
@given(st.one_of(st.tuples(LETTERS, LETTERS), st.tuples(*[st.frozensets(LETTERS, max_size=5)] * 2)))
def test_what_long_values_count_for_is_short_and_in_their_order(values: tuple[Any, Any]) -> None:
    # Alike up to where it is told apart, or cut.
    one, other = ("a" * 90 + v if isinstance(v, str) else frozenset("a" * 90 + term for term in v) for v in values)
    first, second = sorted((one, other), key=lambda v: v if isinstance(v, str) else sorted(v))
    counts = [least(Among((value,))) for value in (first, second)]
    assert counts[0] <= counts[1]
    assert all(len("".join(value)) <= 200 for value in counts)
    assert all(read_sort_key(sort_key_text((value, "id"))) == (value, "id") for value in counts)


def test_folding_takes_the_case_of_letters_that_stand_in_one_sign() -> None:
    assert [folded(text) for text in ("№ 7", "₨ 5", "Straße", "ÉCU", "ﬁne", "Ⅷ")] == [
        "no 7",
        "rs 5",
        "strasse",
        "ecu",
        "fine",
        "viii",
    ]
    letters = (chr(code) for code in range(sys.maxunicode + 1) if not 0xD800 <= code < 0xE000)
    assert [letter for letter in letters if folded(folded(letter)) != folded(letter)] == []
