"""What headings mean, which holding a row is about, and what undoing an import takes. Pure."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.facts.attributes import Attribute
from service.facts.core_attributes import CORE
from service.holdings.imports.columns import ColumnMeaning, columns_of, field_named
from service.holdings.imports.heading_words import HEADING_WORDS as WORDS
from service.holdings.imports.plan import (
    CHANGED_SINCE,
    CREATED,
    DELETED_SINCE,
    UNCHANGED,
    UPDATED,
    SentRow,
    Trace,
    change_between,
    digest_of,
    is_same,
    patch_to,
    plan_of,
    undo_plan,
)
from service.holdings.model import StoredHolding, merged, with_defaults
from service.holdings.sync.field_names import flattened
from service.holdings.sync.merge import ValueConflict
from tests.clock import NOW
from tests.strategies import examples

UUID = "01939f6e-0000-7000-8000-00000000000a"


def stored(identity: str, conflicts: tuple[ValueConflict, ...] = (), **data: Any) -> StoredHolding:
    return StoredHolding(identity, 1, 1, with_defaults(data), NOW, NOW, conflicts)


def guessed(*headings: str, cells: dict[int, list[str]] | None = None) -> list[str | None]:
    columns = columns_of(headings, CORE, {}, cells or {})
    return [None if column.field is None else column.field.written for column in columns]


# --- headings ----------------------------------------------------------------------------------------------------------


def test_names_labels_and_words_of_the_trade_are_understood() -> None:
    assert guessed("grade", "Year on the coin", "METAL", "Mint mark", "Denom.", "Notes", "Qty") == [
        "grade", "year_on_coin", "material", "mintmark", "denomination", "note", "quantity",
    ]  # fmt: skip


def test_a_fact_that_is_not_declared_is_named_with_its_prefix() -> None:
    named = {
        text: field_named(text, CORE) for text in ("facts.shelf", "facts.", "facts." + "x" * 100, "facts." + "x" * 101)
    }
    assert [meaning and meaning.is_fact for meaning in named.values()] == [True, None, True, None]
    assert field_named("shelf", CORE) is None
    grade, location = field_named("grade", CORE), field_named("location", CORE)
    assert grade is not None and grade.is_fact
    assert location is not None and not location.is_fact


def test_only_the_exact_name_is_no_guess() -> None:
    columns = columns_of(["grade", "Year", "facts.shelf", "colour of box"], CORE, {}, {})
    assert [column.guessed for column in columns] == [False, True, False, True]
    assert [column.is_open for column in columns] == [False, False, False, True]


def test_a_slip_of_the_pen_is_the_nearest_word() -> None:
    assert guessed("Denomenation", "Diametre") == ["denomination", "diameter"]
    assert guessed("Xyzzy") == [None]


def test_every_word_of_the_trade_leads_to_a_field_that_there_is() -> None:
    for name, words in WORDS.items():
        for word in words:
            # What 'Type' means is asked.
            assert guessed(word) == [None if name == "type" else name], word


def test_a_unit_that_is_another_is_not_taken_for_ours() -> None:
    assert guessed("Weight (g)", "Diameter [mm]") == ["weight_measured", "diameter"]
    assert guessed("Weight (oz)", "Diameter (inch)") == [None, None]


def test_of_two_columns_for_one_field_the_surer_gets_it() -> None:
    assert guessed("Year", "year_on_coin") == [None, "year_on_coin"]
    assert guessed("Year", "Date") == ["year_on_coin", None]


def test_words_in_a_column_show_that_words_are_meant() -> None:
    assert guessed("Grade", cells={0: ["about fine", "very fine", "45"]}) == ["grade_words"]
    assert guessed("Grade", cells={0: ["45", "62|63", "-"]}) == ["grade"]
    # Who writes the exact name means it.
    assert guessed("grade", cells={0: ["about fine"]}) == ["grade"]


def test_an_id_that_is_none_of_ours_is_the_owners_number() -> None:
    assert guessed("ID", cells={0: ["1", "2"]}) == ["number"]
    assert guessed("ID", cells={0: [UUID]}) == ["id"]


def test_what_the_caller_says_goes_before_every_guess() -> None:
    said = {0: ColumnMeaning("shelf", is_fact=True), 1: None}
    columns = columns_of(["Grade", "number", "grade"], CORE, said, {})
    assert [(c.field.written if c.field else None, c.guessed, c.is_open) for c in columns] == [
        ("shelf", False, False),
        (None, False, False),
        ("grade", False, False),
    ]


def test_a_declared_attribute_is_understood_by_its_label() -> None:
    more = CORE.extended([Attribute("shelf_mark", "text", label="Mark on the shelf")])
    (column,) = columns_of(["mark on the shelf"], more, {}, {})
    assert column.field == ColumnMeaning("shelf_mark", is_fact=True)


# --- which holding a row is about --------------------------------------------------------------------------------------


def row(place: int, identity: str | None = None, number: str | None = None, **facts: Any) -> SentRow:
    return SentRow(place, identity, {} if number is None else {"number": number}, facts)


def test_a_row_is_about_the_holding_of_its_number_and_changes_what_it_says_only() -> None:
    before = stored("a", number="1", note="kept", facts={"grade": 40, "mint": "x"})
    sent = SentRow(1, None, {"number": "1"}, {"grade": 45}, frozenset({"mint"}))
    (planned,) = plan_of([sent], [before]).planned
    assert (planned.outcome, planned.id) == (UPDATED, "a")
    assert planned.after == with_defaults({"number": "1", "note": "kept", "facts": {"grade": 45}})


def test_the_same_again_is_unchanged_and_a_new_number_is_new() -> None:
    plan = plan_of([row(1, number="1", grade=40), row(2, number="2")], [stored("a", number="1", facts={"grade": 40})])
    assert [planned.outcome for planned in plan.planned] == [UNCHANGED, CREATED]


def test_the_row_that_was_first_is_named_as_it_is_counted_in_the_file() -> None:
    first, second = row(1, number="1"), row(2, number="1")
    ((_, inline),) = plan_of([first, second], []).refused
    assert inline.message == "row 1 is about the same holding (number '1')"
    ((_, in_a_file),) = plan_of([replace(first, line=4), replace(second, line=5)], []).refused
    assert in_a_file.message == "row 4 is about the same holding (number '1')"


def test_a_row_without_number_and_id_is_always_new() -> None:
    plan = plan_of([row(1), row(2), row(3, number="")], [stored("a"), stored("b", number="")])
    assert [(planned.outcome, planned.is_repeated) for planned in plan.planned] == [(CREATED, True)] * 3


@pytest.mark.parametrize(
    ("rows", "about"),
    [
        ([row(1, number="1"), row(2, number="1")], (2, "/number")),
        ([row(1, number="7"), row(2, number="7")], (2, "/number")),
        ([row(1, "a"), row(2, number="1")], (2, "/number")),
        ([row(1, number="1"), row(2, "a")], (2, "/id")),
        ([row(1, number="double")], (1, "/number")),
        ([row(1, "new", number="1")], (1, "/number")),
        ([row(1, "gone")], (1, "/id")),
    ],
)
def test_what_would_be_about_two_holdings_is_refused(rows: list[SentRow], about: tuple[int, str]) -> None:
    there = [stored("a", number="1"), stored("b", number="double"), stored("c", number="double")]
    plan = plan_of(rows, there, frozenset({"gone"}))
    assert [(place, fault.pointer) for place, fault in plan.refused] == [about]
    assert len(plan.planned) == len(rows) - 1


def test_holdings_that_share_a_number_are_told_apart_by_their_ids() -> None:
    plan = plan_of([row(1, "b", "1"), row(2, "c", "1")], [stored("b", number="1"), stored("c", number="1")])
    assert [planned.outcome for planned in plan.planned] == [UNCHANGED, UNCHANGED]
    plan = plan_of([row(1, "b", "1"), row(2, "c", "1")], [])
    assert [planned.outcome for planned in plan.planned] == [CREATED, CREATED]


# --- changes and their opposite ----------------------------------------------------------------------------------------

PLAIN = st.integers(0, 3) | st.booleans() | st.sampled_from(["", "x", "y"])
FACT = PLAIN | st.fixed_dictionaries({}, optional=dict.fromkeys(("from", "to", "none"), PLAIN)) | st.lists(PLAIN)
DATA = st.fixed_dictionaries(
    {"facts": st.dictionaries(st.sampled_from(["grade", "mint", "number", "facts.x"]), FACT, max_size=3)},
    optional={"number": st.none() | st.sampled_from(["", "1"]), "tags": st.lists(st.just("t"), max_size=2)},
).map(with_defaults)


@settings(max_examples=examples(100))
@given(DATA, DATA)
def test_a_patch_makes_the_one_into_the_other(before: dict[str, Any], after: dict[str, Any]) -> None:
    assert is_same(with_defaults(merged(before, patch_to(before, after))), after)
    assert patch_to(before, before) == {}


@settings(max_examples=examples(100))
@given(DATA, DATA, DATA)
def test_undoing_sets_back_what_still_stands_and_nothing_else(
    before: dict[str, Any], after: dict[str, Any], now: dict[str, Any]
) -> None:
    trace = Trace({}, {"a": change_between(flattened(before), flattened(after))})
    back = undo_plan(trace, [stored("a", **now)])
    result = flattened(with_defaults(merged(now, back.patches.get("a", {}))))
    old, new, current = flattened(before), flattened(after), flattened(now)
    kept = {name for entry in back.kept for name in entry.fields}
    for name in {*old, *new, *current}:
        imported = (name in old, old.get(name)) != (name in new, new.get(name))
        untouched = name in current and name in new and is_same(current[name], new[name])
        if imported and (untouched or (name not in current and name not in new)):
            assert (name in result) is (name in old) and is_same(result.get(name), old.get(name)), name
        else:
            assert is_same(result.get(name), current.get(name)), name
            assert (name in kept) or not imported or is_same(current.get(name), new.get(name)), name


def test_what_the_import_made_goes_unless_it_was_changed_since() -> None:
    same, changed = stored("a", facts={"grade": 1}), stored("b", facts={"grade": 2}, number="7")
    disputed = stored("d", ({"attribute": "grade"},), facts={"grade": 1})
    digest = digest_of({"grade": 1})
    back = undo_plan(Trace(dict.fromkeys("abcd", digest), {}), [same, changed, disputed])
    assert (back.destroyed, back.gone) == (("a",), 1)
    assert [(kept.holding, kept.number, kept.reason) for kept in back.kept] == [
        ("b", "7", CHANGED_SINCE),
        ("d", None, CHANGED_SINCE),
    ]


def test_what_was_deleted_since_is_told() -> None:
    back = undo_plan(Trace({}, {"a": {"before": {"grade": 1, "number": "7"}, "after": {"grade": 2}}}), [])
    (kept,) = back.kept
    assert (kept.reason, kept.number, kept.fields) == (DELETED_SINCE, "7", ["grade", "number"])
