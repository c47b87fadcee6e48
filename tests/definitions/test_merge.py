"""Three-way merges of definition documents: by hand, and what holds of all of them."""

from __future__ import annotations

import copy
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.definitions import merge as module
from service.definitions.merge import MISSING, Merge, merge
from service.errors import Invalid
from service.rules.document import canonical_json, read_definition
from tests.strategies import VOCABULARIES, definitions, examples, simple_rules

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(100))

A, B, C = ({"id": name, "label": name.upper(), "accepts": "grade > 1"} for name in "abc")
BASE: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "A set",
    "authors": ["A. Author"],
    "slots": [A, B, C],
    "one_per": [{"id": "g", "attribute": "hue", "keys": {"from": "list", "values": ["red", "brown"]}}],
    "constraints": [{"id": "k", "kind": "same", "by": ["mint"], "places": ["a", "b"]}],
    "layout": [{"page": "One", "slots": ["a", "b"]}, {"page": "Two", "slots": ["c"]}],
}


def changed(**more: Any) -> dict[str, Any]:
    return {**copy.deepcopy(BASE), **more}


def merged(mine: dict[str, Any], theirs: dict[str, Any], base: dict[str, Any] = BASE) -> Merge:
    before = copy.deepcopy((base, mine, theirs))
    made = merge(base, mine, theirs)
    assert (base, mine, theirs) == before, "an input was changed"
    return made


def ids(made: Merge, name: str = "slots") -> list[str]:
    return [entry["id"] for entry in made.document[name]]


def conflicts(made: Merge) -> list[dict[str, Any]]:
    return [msgspec.to_builtins(conflict) for conflict in made.conflicts]


def test_changes_of_different_fields_go_together() -> None:
    mine = changed(slots=[{**A, "label": "Mine"}, B, C], title="My set")
    theirs = changed(slots=[{**A, "accepts": "grade > 2", "tier": "optional"}, B, C], summary="Words")
    made = merged(mine, theirs)
    assert conflicts(made) == []
    assert made.document["slots"][0] == {"id": "a", "label": "Mine", "accepts": "grade > 2", "tier": "optional"}
    assert (made.document["title"], made.document["summary"]) == ("My set", "Words")


def test_where_both_changed_the_same_mine_is_kept_and_all_three_are_shown() -> None:
    mine = changed(slots=[A, B, {**C, "accepts": "grade > 5"}])
    theirs = changed(slots=[B, {**C, "accepts": "grade > 9"}])
    made = merged(mine, theirs)
    assert made.document["slots"] == [B, {**C, "accepts": "grade > 5"}]
    assert conflicts(made) == [
        {
            "path": "/slots/c/accepts",
            "pointer": "/slots/1/accepts",
            "base": "grade > 1",
            "mine": "grade > 5",
            "theirs": "grade > 9",
        }
    ]


def test_the_same_change_on_both_sides_is_none() -> None:
    mine = changed(slots=[{**A, "label": "Other"}, C], title="Other")
    assert merged(mine, copy.deepcopy(mine)) == Merge(mine)


def test_what_one_took_away_and_the_other_changed_is_a_conflict() -> None:
    without, edited = changed(slots=[A, C]), changed(slots=[A, {**B, "label": "Edited"}, C])
    made = merged(without, edited)
    assert ids(made) == ["a", "c"]
    assert conflicts(made) == [{"path": "/slots/b", "pointer": "/slots", "base": B, "theirs": {**B, "label": "Edited"}}]
    made = merged(edited, without)
    assert ids(made) == ["a", "b", "c"]
    assert conflicts(made) == [{"path": "/slots/b", "pointer": "/slots/1", "base": B, "mine": {**B, "label": "Edited"}}]


def test_what_both_added_under_one_id_goes_together_by_field() -> None:
    mine, theirs = ({"id": "new", "accepts": "grade > 1", "label": label} for label in ("Mine", "Theirs"))
    made = merged(changed(slots=[A, B, C, {**mine, "tier": "optional"}]), changed(slots=[theirs, A, B, C]))
    assert conflicts(made) == [
        {"path": "/slots/new/label", "pointer": "/slots/3/label", "mine": "Mine", "theirs": "Theirs"}
    ]
    assert made.document["slots"][3] == {**mine, "tier": "optional"}


def test_one_id_never_stands_twice_when_a_place_moves_to_another_list() -> None:
    group = {"id": "a", "places": 2, "accepts": "grade > 1"}
    theirs = changed(slots=[B, C], free_choice=[group])
    moved = merged(changed(title="Mine"), theirs)
    assert (ids(moved), ids(moved, "free_choice"), moved.conflicts) == (["b", "c"], ["a"], ())
    made = merged(changed(slots=[{**A, "label": "Edited"}, B, C]), theirs)
    assert (ids(made), made.document.get("free_choice", [])) == (["a", "b", "c"], [])
    assert [conflict["path"] for conflict in conflicts(made)] == ["/slots/a"]


@pytest.mark.parametrize(
    ("mine", "theirs", "expected"),
    [
        ("abc", "abc", "abc"),
        ("anbc", "abcx", "anbcx"),
        ("anbc", "abxc", "anbxc"),
        ("nabc", "xabc", "xnabc"),
        ("cba", "abxc", "cbxa"),
        ("abxc", "cba", "cbxa"),
        ("ac", "cab", "ca"),
        ("bca", "cab", "bca"),
        ("abnc", "ac", "anc"),
        ("", "abc", ""),
    ],
)
def test_order_is_kept_where_it_can_be(mine: str, theirs: str, expected: str) -> None:
    def of(names: str) -> dict[str, Any]:
        return changed(slots=[{"id": name, "label": name.upper(), "accepts": "grade > 1"} for name in names])

    assert "".join(ids(merged(of(mine), of(theirs)))) == expected


def test_lists_whose_entries_stand_by_themselves_are_merged_by_entry() -> None:
    mine, theirs = changed(authors=["A. Author", "B. Mine"]), changed(authors=["C. Theirs", "A. Author"])
    mine["layout"] = [{"page": "One", "slots": ["a"]}, {"page": "Two", "slots": ["c", "b"]}]
    theirs["layout"] = [{"page": "One", "slots": ["a", "b", "g"]}, {"page": "Three", "slots": ["c"]}]
    mine["one_per"][0]["keys"] = {"from": "list", "values": ["red", "brown", "blue"]}
    theirs["one_per"][0]["keys"] = {"from": "list", "values": ["brown", "green"]}
    theirs["constraints"][0]["places"] = ["a", "b", "c"]
    made = merged(mine, theirs)
    assert made.document["authors"] == ["C. Theirs", "A. Author", "B. Mine"]
    assert made.document["one_per"][0]["keys"]["values"] == ["brown", "green", "blue"]
    assert made.document["constraints"][0]["places"] == ["a", "b", "c"]
    # A page that one took away and the other changed stays as it is mine.
    assert [page["page"] for page in made.document["layout"]] == ["One", "Two", "Three"]
    assert made.document["layout"][0]["slots"] == ["a", "g"]
    assert [conflict["path"] for conflict in conflicts(made)] == ["/layout/Two"]


def test_keys_that_come_from_elsewhere_are_one_piece() -> None:
    mine, theirs = changed(), changed()
    mine["one_per"][0]["keys"] = {"from": "holdings"}
    theirs["one_per"][0]["keys"] = {"from": "list", "values": ["red"]}
    made = merged(mine, theirs)
    assert made.document["one_per"][0]["keys"] == {"from": "holdings"}
    assert [conflict["path"] for conflict in conflicts(made)] == ["/one_per/g/keys"]


def test_pages_of_one_title_are_merged_as_one_piece() -> None:
    base = changed(layout=[{"page": "One", "slots": ["a"]}, {"page": "One", "slots": ["b"]}])
    mine = {**base, "layout": [{"page": "One", "slots": ["a", "c"]}, {"page": "One", "slots": ["b"]}]}
    theirs = {**base, "layout": []}
    assert merged(mine, {**base, "title": "T"}, base).document["layout"] == mine["layout"]
    made = merged(mine, theirs, base)
    assert [conflict["path"] for conflict in conflicts(made)] == ["/layout"]


def test_a_merge_may_be_unsound_and_reading_it_says_why() -> None:
    mine = changed(slots=[A, B], layout=BASE["layout"][:1])
    theirs = changed(constraints=[*BASE["constraints"], {"id": "x", "kind": "same", "by": ["mint"], "places": ["c"]}])
    made = merged(mine, theirs)
    assert made.conflicts == ()
    with pytest.raises(Invalid, match="no place 'c'"):
        read_definition({**made.document, "one_per": []}, vocabularies=VOCABULARIES)


# --- what always holds ------------------------------------------------------------------------------------------------


@st.composite
def edits(draw: st.DrawFn, base: dict[str, Any]) -> dict[str, Any]:
    """A copy of the document with up to five changes of every kind."""
    made = copy.deepcopy(base)
    for _ in range(draw(st.integers(0, 5))):
        name = draw(st.sampled_from(("slots", "slots", "one_per", "free_choice", "constraints", "attributes")))
        entries = made.get(name) or []
        form = draw(st.integers(0, 6))
        if form == 0 or not entries:
            made["title"] = draw(st.sampled_from(("One", "Two", "Three")))
        elif form == 1:
            del entries[draw(st.integers(0, len(entries) - 1))]
        elif form == 2:
            made[name] = draw(st.permutations(entries))
        elif form == 3:
            new = {
                **copy.deepcopy(entries[0]),
                "id" if name != "attributes" else "name": f"new_{draw(st.integers(0, 3))}",
            }
            key = "name" if name == "attributes" else "id"
            taken = {
                e[key] for n in ("slots", "one_per", "free_choice", "constraints") for e in made.get(n, []) if key in e
            }
            taken |= {entry.get("name") for entry in made["attributes"]}
            if new[key] not in taken:
                entries.insert(draw(st.integers(0, len(entries))), new)
        elif form == 4 and name == "slots":
            entries[draw(st.integers(0, len(entries) - 1))]["accepts"] = draw(simple_rules())
        elif form == 5:
            entries[draw(st.integers(0, len(entries) - 1))]["label"] = f"label {draw(st.integers(0, 2))}"
        else:
            made["authors"] = draw(st.lists(st.sampled_from(("A", "B", "C", "D")), max_size=3, unique=True))
    return made


@st.composite
def three(draw: st.DrawFn) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    base = draw(definitions())
    return base, draw(edits(base)), draw(edits(base))


def same(one: Any, other: Any) -> bool:
    return canonical_json(one) == canonical_json(other)


@SOME
@given(three())
def test_what_only_one_side_changed_comes_out_as_it_is(documents: tuple[Any, Any, Any]) -> None:
    base, mine, _ = documents
    assert merge(base, mine, copy.deepcopy(base)) == Merge(mine)
    assert merge(base, copy.deepcopy(base), mine) == Merge(mine)
    assert merge(base, mine, copy.deepcopy(mine)) == Merge(mine)


@SOME
@given(three())
def test_both_sides_see_the_same_conflicts(documents: tuple[Any, Any, Any]) -> None:
    base, mine, theirs = documents
    there, back = merge(base, mine, theirs), merge(base, theirs, mine)
    assert [c.path for c in there.conflicts] == [c.path for c in back.conflicts]
    for one, other in zip(there.conflicts, back.conflicts, strict=True):
        assert (one.base, one.mine, one.theirs) == (other.base, other.theirs, other.mine)
    if not there.conflicts:
        # Without a conflict both come to the same content, whatever the order.
        for name in ("slots", "one_per", "free_choice", "constraints"):
            contents = [sorted(canonical_json(e) for e in made.document.get(name, [])) for made in (there, back)]
            assert contents[0] == contents[1]


@SOME
@given(three())
def test_merging_again_changes_nothing_and_asks_nothing_new(documents: tuple[Any, Any, Any]) -> None:
    base, mine, theirs = documents
    made = merge(base, mine, theirs)
    assert merge(base, mine, theirs) == made
    # Once theirs is the base, mine has all that they did but where it was decided otherwise.
    assert merge(theirs, made.document, theirs) == Merge(made.document)
    for conflict in made.conflicts:
        assert not same_or_missing(conflict.mine, conflict.theirs)
        assert not same_or_missing(conflict.base, conflict.mine)
        assert not same_or_missing(conflict.base, conflict.theirs)


def same_or_missing(one: Any, other: Any) -> bool:
    return one is other if MISSING in (one, other) else same(one, other)


@settings(SOME, max_examples=examples(60))
@given(three())
def test_ids_stay_unique(documents: tuple[Any, Any, Any]) -> None:
    made = merge(*documents).document
    found = [entry["id"] for name in ("slots", "one_per", "free_choice", "constraints") for entry in made.get(name, [])]
    assert len(found) == len(set(found))


def test_the_properties_see_a_merge_that_always_takes_theirs(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control: without looking at the base the first property fails.
    monkeypatch.setattr(module._Merging, "_value", lambda self, path, base, mine, theirs: theirs)
    assert merge(BASE, changed(title="Mine"), BASE).document["title"] != "Mine"
