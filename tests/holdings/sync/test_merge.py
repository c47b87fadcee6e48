"""The merge of one mutation: causal compare-and-set for each attribute ."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Fault
from service.holdings.sync.merge import REJECTED, MergeOutcome, Mutation, View, merge
from service.holdings.sync.record import Record, mutation_of
from service.holdings.sync.replay import list_as_json, view_in
from tests.strategies import examples

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def sound(values: Mapping[str, Any]) -> list[Fault]:
    """Grades run to 70; a coin of quantity 0 is refused only beside a location: each alone is valid."""
    faults = [Fault("range", "1 to 70", "/grade")] if values.get("grade", 1) == 99 else []
    if values.get("number") == "odd" and values.get("location") == "even":
        faults.append(Fault("mixture", "do not go together", "/location"))
    return faults


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def an_update(name: str, patch: dict[str, Any], hours: float = 0, **more: Any) -> Mutation:
    return Mutation(name, "update", "coin", at(hours), patch, **more)


class History:
    """What the log has of the mutations before."""

    def __init__(self) -> None:
        self.said: dict[str, tuple[Any, Any]] = {}

    def list_at(self, name: str, writer: str) -> View | None:
        known = self.said.get(mutation_of(writer))
        return None if known is None else view_in(*known, "coin", name, writer)

    def take(self, record: Record | None, mutation: Mutation) -> MergeOutcome:
        outcome = merge(record, mutation, self.list_at, sound)
        if outcome.status != REJECTED:
            lists = {name: list_as_json(one) for name, one in outcome.lists.items()}
            self.said[mutation.id] = (mutation.patch, lists)
        return outcome


def after(*mutations: Mutation, record: Record | None = None, history: History | None = None) -> MergeOutcome:
    outcome = MergeOutcome(record, "applied")
    history = history or History()
    if record is not None and "made" not in history.said:
        history.said["made"] = (record.values, {})
    for mutation in mutations:
        outcome = history.take(outcome.record, mutation)
    return outcome


def a_coin(**values: Any) -> Record:
    made = after(Mutation("made", "create", "coin", at(0), values)).record
    assert made is not None
    return made


def shown(outcome: MergeOutcome) -> dict[str, Any]:
    assert outcome.record is not None
    return dict(outcome.record.values)


def kept(outcome: MergeOutcome) -> list[tuple[str, Any]]:
    """What stands among the conflicts: kind and value."""
    assert outcome.record is not None
    return [(conflict.kind, conflict.value) for conflict in outcome.record.conflicts]


def test_an_edit_that_saw_the_value_applies_whatever_its_clock_says() -> None:
    done = after(an_update("m1", {"grade": 40}, hours=-999, seen={"grade": "made"}), record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("applied", {"grade": 40}, [])


@pytest.mark.parametrize(("hours", "wins", "loses"), [(2, 45, 40), (0.5, 40, 45)])
def test_two_edits_unseen_keep_both_and_show_the_later(hours: float, wins: int, loses: int) -> None:
    first = an_update("m1", {"grade": 40}, 1, seen={"grade": "made"})
    second = an_update("m2", {"grade": 45}, hours, seen={"grade": "made"})
    done = after(first, second, record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("conflict", {"grade": wins}, [("value", loses)])


def test_at_one_moment_the_greater_id_is_shown() -> None:
    edits = [an_update(name, {"grade": value}, 1, seen={"grade": "made"}) for name, value in (("b", 2), ("a", 1))]
    assert shown(after(*edits, record=a_coin(grade=30))) == {"grade": 2}


def test_edits_of_different_attributes_merge_without_a_conflict() -> None:
    first = an_update("m1", {"grade": 40}, 1, seen={"grade": "made"})
    second = an_update("m2", {"note": "worn"}, 2, seen={"note": None})
    done = after(first, second, record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("applied", {"grade": 40, "note": "worn"}, [])


def test_equal_values_are_one_value_with_both_writers() -> None:
    edits = [an_update(name, {"grade": 40}, 1, seen={"grade": "made"}) for name in ("m1", "m2")]
    done = after(*edits, record=a_coin(grade=30))
    assert (done.status, kept(done)) == ("merged", [])
    assert done.record is not None
    assert done.record.written["grade"].by == "m1+m2"


@pytest.mark.parametrize("seen", ["m1", "m2"])
def test_whoever_goes_on_from_one_of_two_writers_leaves_the_other(seen: str) -> None:
    edits = [an_update(name, {"grade": 40}, 1, seen={"grade": "made"}) for name in ("m1", "m2")]
    further = an_update("m3", {"grade": 45}, 2, seen={"grade": seen})
    orders = [(edits[0], edits[1], further), (edits[1], edits[0], further)]
    orders.append((edits[0], further, edits[1]) if seen == "m1" else (edits[1], further, edits[0]))
    for order in orders:
        done = after(*order, record=a_coin(grade=30))
        assert (shown(done), kept(done)) == ({"grade": 45}, [("value", 40)])
        assert done.record is not None
        (conflict,) = done.record.conflicts
        assert conflict.id == ("m2:grade" if seen == "m1" else "m1:grade")


def test_whoever_saw_both_writers_replaces_both() -> None:
    edits = [an_update(name, {"grade": 40}, 1, seen={"grade": "made"}) for name in ("m1", "m2")]
    done = after(*edits, an_update("m3", {"grade": 45}, 0, seen={"grade": "m1+m2"}), record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("applied", {"grade": 45}, [])


def test_a_conflict_that_equals_what_is_shown_or_another_one_is_part_of_it() -> None:
    edits = [
        an_update(name, {"grade": grade}, hours, seen={"grade": "made"})
        for name, grade, hours in (("m1", 40, 1), ("m2", 45, 2), ("m3", 40, 0), ("m4", 45, 0))
    ]
    done = after(*edits, record=a_coin(grade=30))
    assert (shown(done), kept(done)) == ({"grade": 45}, [("value", 40)])
    assert done.record is not None
    assert [conflict.id for conflict in done.record.conflicts] == ["m1+m3:grade"]
    # The owner resolves what he saw: a third one of the same value came since.
    late = an_update("m5", {"grade": 40}, 0, seen={"grade": "made"})
    resolved = an_update("m6", {}, 9, resolves=frozenset(("m1+m3:grade",)))
    for order in ((late, resolved), (resolved, late)):
        done = after(*edits, *order, record=a_coin(grade=30))
        assert done.record is not None
        assert [conflict.id for conflict in done.record.conflicts] == ["m5:grade"]


@pytest.mark.parametrize(
    ("name", "values"),
    [("quantity", (1, None)), ("status", ("held", None)), ("tags", ([], None)), ("values", ([], None))],
)
def test_a_default_a_removal_and_an_empty_list_are_one_value_of_an_own_field(name: str, values: Any) -> None:
    edits = [an_update(f"m{n}", {name: value}, n, seen={name: "made"}) for n, value in enumerate(values)]
    for order in (edits, edits[::-1]):
        done = after(*order, record=a_coin(**{name: {"quantity": 7, "status": "sold"}.get(name, ["a"])}))
        assert (done.status, shown(done), kept(done)) == ("merged", {}, [])


def test_a_fact_that_is_an_empty_list_is_not_one_that_was_removed() -> None:
    edits = [
        an_update(f"m{n}", {"problems": value}, n, seen={"problems": "made"}) for n, value in enumerate(([], None))
    ]
    done = after(*edits, record=a_coin(problems=["holed"]))
    assert (done.status, kept(done)) == ("conflict", [("value", [])])


def test_the_last_digit_of_a_number_says_nothing_if_it_is_nought() -> None:
    edits = [
        an_update("m1", {"weight": Decimal("12.50")}, 1),
        an_update("m2", {"weight": Decimal("12.5")}, 2),
        an_update("m3", {"price_paid": {"amount": 3, "currency": "EUR"}}),
        an_update("m4", {"price_paid": {"amount": Decimal("3.0"), "currency": "EUR"}}),
    ]
    assert kept(after(*edits, record=a_coin())) == []


def test_true_is_not_one() -> None:
    edits = [an_update("m1", {"restrike": True}, 1), an_update("m2", {"restrike": 1}, 2)]
    assert kept(after(*edits, record=a_coin())) == [("value", True)]


def test_true_is_not_one_within_alternatives_either() -> None:
    edits = [an_update("m1", {"restrike": {"one_of": [True]}}, 1), an_update("m2", {"restrike": {"one_of": [1]}}, 2)]
    assert kept(after(*edits, record=a_coin())) == [("value", {"one_of": [True]})]


def test_going_on_from_a_list_that_lost_loses_no_term() -> None:
    cleared = an_update("m1", {"tags": None}, 1, seen={"tags": "made"})
    theirs = an_update("m2", {"tags": ["b"]}, 2, seen={"tags": "m1"})
    mine = an_update("m3", {"tags": ["c"]}, 1.5, seen={"tags": "m1"})
    further = an_update("m4", {"tags": ["c", "d"]}, 1.7, seen={"tags": "m3"})
    done = after(cleared, theirs, mine, further, record=a_coin(tags=["a"]))
    terms = {term for value in (shown(done)["tags"], *(value for _, value in kept(done))) for term in value}
    assert terms >= {"b", "c", "d"}


def test_a_removal_against_an_edit_keeps_both() -> None:
    first = an_update("m1", {"grade": None}, 1, seen={"grade": "made"})
    second = an_update("m2", {"grade": 45}, 2, seen={"grade": "made"})
    done = after(first, second, record=a_coin(grade=30))
    assert (shown(done), kept(done)) == ({"grade": 45}, [("value", None)])


def test_going_on_from_a_value_that_lost_replaces_it_and_nothing_else() -> None:
    lost = an_update("m1", {"grade": 40}, 1, seen={"grade": "made"})
    won = an_update("m2", {"grade": 45}, 2, seen={"grade": "made"})
    further = an_update("m3", {"grade": 41}, 1.5, seen={"grade": "m1"})
    done = after(won, lost, further, record=a_coin(grade=30))
    assert (shown(done), kept(done)) == ({"grade": 45}, [("value", 41)])


def test_the_owner_resolves_by_naming_the_conflict() -> None:
    edits = [an_update(name, {"grade": g}, g / 10, seen={"grade": "made"}) for name, g in (("m1", 40), ("m2", 45))]
    before = after(*edits, record=a_coin(grade=30))
    assert before.record is not None
    (conflict,) = before.record.conflicts
    done = after(
        an_update("m3", {"grade": 40}, 9, seen={"grade": "m2"}, resolves=frozenset((conflict.id,))),
        record=before.record,
    )
    assert (done.status, shown(done), kept(done)) == ("applied", {"grade": 40}, [])


def test_an_edit_that_saw_what_is_shown_leaves_the_conflict_open() -> None:
    edits = [an_update(name, {"grade": g}, g / 10, seen={"grade": "made"}) for name, g in (("m1", 40), ("m2", 45))]
    done = after(*edits, an_update("m3", {"grade": 46}, 9, seen={"grade": "m2"}), record=a_coin(grade=30))
    assert (shown(done), kept(done)) == ({"grade": 46}, [("value", 40)])


def test_lists_of_terms_merge_by_element() -> None:
    first = an_update("m1", {"tags": ["silver", "fair"]}, 1, seen={"tags": "made"})
    second = an_update("m2", {"tags": ["old"]}, 2, seen={"tags": "made"})
    # One took away old and added fair, the other took away silver.
    for order in ((first, second), (second, first)):
        history = History()
        done = after(*order, record=a_coin(tags=["silver", "old"]), history=history)
        assert (done.status, shown(done), kept(done)) == ("merged", {"tags": ["fair"]}, [])
        third = an_update("m3", {"tags": ["silver", "fair", "gift"]}, 3, seen={"tags": "m1"})
        done = after(third, record=done.record, history=history)
        assert shown(done) == {"tags": ["fair", "gift"]}


def test_whoever_goes_on_from_what_was_sent_does_not_take_away_what_came_of_it() -> None:
    mine, history = an_update("m1", {"tags": ["mine"]}, 1), History()
    # The other device's list met mine; I go on from mine alone, and then from what came of both.
    met = after(an_update("m0", {"tags": ["theirs"]}, 0), mine, record=a_coin(), history=history)
    assert (shown(met), met.record is not None) == ({"tags": ["theirs", "mine"]}, True)
    both = met.record.written["tags"].by if met.record else ""
    assert both.startswith("m1~")
    further = after(an_update("m2", {"tags": ["own"]}, 2, seen={"tags": "m1"}), record=met.record, history=history)
    assert shown(further) == {"tags": ["theirs", "own"]}
    seen_all = after(an_update("m3", {"tags": ["own"]}, 2, seen={"tags": both}), record=met.record, history=history)
    assert shown(seen_all) == {"tags": ["own"]}


def test_a_term_that_two_put_on_stays_where_one_of_them_takes_it_off() -> None:
    edits = [an_update(name, {"tags": ["old", "silver"]}, 1, seen={"tags": "made"}) for name in ("m1", "m2")]
    off = an_update("m3", {"tags": ["old"]}, 2, seen={"tags": "m1"})
    for order in ((*edits, off), (edits[0], off, edits[1])):
        assert sorted(shown(after(*order, record=a_coin(tags=["old"])))["tags"]) == ["old", "silver"]
    both = after(*edits, record=a_coin(tags=["old"]))
    assert both.record is not None
    assert set(both.record.written["tags"].ids) == {"m1", "m2"}


def test_a_list_that_nobody_remembers_is_kept_as_a_conflict() -> None:
    done = after(an_update("m2", {"tags": ["b"]}, 9, seen={"tags": "gone"}), record=a_coin(tags=["a"]))
    assert (done.status, shown(done), kept(done)) == ("conflict", {"tags": ["b"]}, [("value", ["a"])])


def test_a_delete_that_saw_everything_deletes() -> None:
    done = after(Mutation("d", "destroy", "coin", at(1), seen={"grade": "made"}), record=a_coin(grade=30))
    assert done.status == "applied"
    assert done.record is not None
    assert done.record.is_destroyed


def test_a_delete_against_an_unseen_edit_keeps_the_record() -> None:
    edit = an_update("m1", {"note": "mine"}, 1)
    done = after(edit, Mutation("d", "destroy", "coin", at(2), seen={"grade": "made"}), record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("conflict", {"grade": 30, "note": "mine"}, [("destroy", None)])
    assert done.record is not None
    assert not done.record.is_destroyed


def test_a_delete_that_did_not_see_an_open_conflict_keeps_the_record() -> None:
    edits = [an_update(name, {"grade": g}, g / 10, seen={"grade": "made"}) for name, g in (("m1", 40), ("m2", 45))]
    done = after(*edits, Mutation("d", "destroy", "coin", at(9), seen={"grade": "m2"}), record=a_coin(grade=30))
    assert [kind for kind, _ in kept(done)] == ["value", "destroy"]


def test_an_edit_after_an_unseen_delete_brings_the_record_back_with_a_conflict() -> None:
    gone = Mutation("d", "destroy", "coin", at(1), seen={"grade": "made"})
    done = after(gone, an_update("m1", {"note": "still here"}, 0), record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == (
        "conflict",
        {"grade": 30, "note": "still here"},
        [("destroy", None)],
    )


def test_revive_undoes_a_delete_that_its_author_saw() -> None:
    gone = Mutation("d", "destroy", "coin", at(1), seen={"grade": "made"})
    done = after(gone, an_update("m1", {"note": "back"}, 2, revive=True), record=a_coin(grade=30))
    assert (done.status, shown(done), kept(done)) == ("applied", {"grade": 30, "note": "back"}, [])


def a_delete(name: str, hours: float, seen: str = "made", *resolves: str) -> Mutation:
    return Mutation(name, "destroy", "coin", at(hours), seen={"grade": seen}, resolves=frozenset(resolves))


def test_three_people_who_all_want_a_coin_gone_can_delete_it() -> None:
    edit = an_update("m1", {"grade": 31}, 1, seen={"grade": "made"})
    done = after(edit, a_delete("d1", 2), a_delete("d2", 3), record=a_coin(grade=30))
    assert [conflict.kind for conflict in done.record.conflicts if done.record] == ["destroy", "destroy"]
    # The third one saw the edit, and knows nothing of the other deletes.
    done = after(a_delete("d3", 4, "m1"), record=done.record)
    assert done.record is not None
    assert (done.status, done.record.is_destroyed, done.record.destroyed_by) == ("applied", True, "d1+d2+d3")


def test_a_marker_has_all_deletes_and_a_revival_undoes_those_that_it_names() -> None:
    gone = after(a_delete("d1", 1), a_delete("d2", 2), record=a_coin(grade=30))
    assert gone.record is not None
    assert gone.record.destroyed_by == "d1+d2"
    back = after(an_update("m1", {"note": "n"}, 3, revive=True, resolves=frozenset(("d1",))), record=gone.record)
    assert (back.status, [(c.kind, c.mutation) for c in back.record.conflicts if back.record]) == (
        "conflict",
        [("destroy", "d2")],
    )
    for named in ({"d1+d2"}, {"d1", "d2"}):
        back = after(an_update("m1", {}, 3, revive=True, resolves=frozenset(named)), record=gone.record)
        assert (back.status, shown(back), kept(back)) == ("applied", {"grade": 30}, [])


def test_a_revival_without_a_patch_is_seen_by_later_deletes_or_not() -> None:
    back = an_update("m1", {}, 3, revive=True, resolves=frozenset(("d1",)))
    for order in ((a_delete("d1", 1), back, a_delete("d2", 2)), (a_delete("d1", 1), a_delete("d2", 2), back)):
        done = after(*order, record=a_coin(grade=30))
        assert done.record is not None
        assert (done.record.is_destroyed, kept(done)) == (False, [("destroy", None)])
    seen = Mutation("d3", "destroy", "coin", at(4), seen={"grade": "made", "~revive": "m1"})
    done = after(a_delete("d1", 1), back, seen, record=a_coin(grade=30))
    assert done.record is not None
    assert done.record.is_destroyed


def test_a_delete_that_failed_resolves_nothing() -> None:
    edits = [an_update(name, {"grade": g}, g / 10, seen={"grade": "made"}) for name, g in (("m1", 40), ("m2", 45))]
    unseen = an_update("m3", {"note": "n"}, 9)
    delete = a_delete("d1", 8, "m2", "m1:grade")
    for order in ((unseen, delete), (delete, unseen)):
        done = after(*edits, *order, record=a_coin(grade=30))
        assert sorted(kept(done), key=str) == [("destroy", None), ("value", 40)]


def test_a_mere_copy_never_undoes_a_delete_and_never_overwrites() -> None:
    gone = Mutation("d", "destroy", "coin", at(1), seen={"grade": "made"})
    copy = Mutation("c", "create", "coin", at(9), {"grade": 12, "note": "n"}, writers={"grade": "made", "note": "x"})
    done = after(gone, copy, record=a_coin(grade=30))
    assert done.record is not None
    assert done.record.is_destroyed
    alive = after(copy, record=a_coin(grade=30))
    assert (alive.status, shown(alive), kept(alive)) == ("applied", {"grade": 30, "note": "n"}, [])


def test_a_copy_of_what_is_not_here_keeps_its_writers() -> None:
    copy = Mutation("c", "create", "coin", at(9), {"grade": 12}, writers={"grade": "m7", "mintmark": "m8"})
    made = after(copy).record
    assert made is not None
    assert {name: written.by for name, written in made.written.items()} == {"grade": "m7", "mintmark": "m8"}


def test_an_update_of_what_is_not_here_is_no_verdict() -> None:
    done = after(an_update("m1", {"grade": 4}))
    assert (done.record, done.status, done.code) == (None, "rejected", "not-found")


def test_a_patch_that_is_wrong_in_itself_refuses_itself_alone() -> None:
    before = a_coin(grade=30)
    done = after(an_update("m1", {"grade": 99}, seen={"grade": "made"}), record=before)
    assert (done.record, done.status, [f.pointer for f in done.faults]) == (before, "rejected", ["/grade"])


def test_two_valid_edits_whose_mixture_is_not_keep_the_whole_patch() -> None:
    edits = [an_update("m1", {"number": "odd"}, 1), an_update("m2", {"location": "even", "note": "n"}, 2)]
    done = after(*edits, record=a_coin(grade=30))
    assert (done.status, shown(done)) == ("conflict", {"grade": 30, "number": "odd"})
    assert done.record is not None
    assert [(c.kind, c.patch) for c in done.record.conflicts] == [("invalid_merge", {"location": "even", "note": "n"})]


values = st.sampled_from((1, 2, 3, None))


@st.composite
def histories(draw: st.DrawFn) -> list[Mutation]:
    """Edits of two attributes by authors who each saw some earlier writer, or none."""
    edits: list[Mutation] = []
    for number in range(draw(st.integers(1, 8))):
        patch, seen = {}, {}
        for name in draw(st.sets(st.sampled_from(("grade", "note")), min_size=1)):
            patch[name] = draw(values)
            seen[name] = draw(st.sampled_from((None, "made", *(m.id for m in edits if name in m.patch))))
        edits.append(an_update(f"m{number}", patch, draw(st.integers(-5, 5)), seen=seen))
    return edits


@settings(deadline=None, database=None, max_examples=examples(300))
@given(histories())
def test_a_value_is_shown_or_kept_until_somebody_who_saw_it_replaces_it(edits: list[Mutation]) -> None:
    """Invariant 1 of sync.md, against a list of who saw whom."""
    outcome = after(*edits, record=a_coin(grade=9, note=9))
    record = outcome.record
    assert record is not None
    for name in ("grade", "note"):
        wrote = {"made": 9, **{m.id: m.patch[name] for m in edits if name in m.patch}}
        replaced = {m.seen.get(name) for m in edits if name in m.patch}
        here = [record.values.get(name), *(c.value for c in record.conflicts if c.attribute == name)]
        for writer, value in wrote.items():
            # Whoever saw an equal value of somebody else's saw this one.
            was_seen = writer in replaced or any(wrote[other] == value for other in replaced if other is not None)
            assert was_seen or value in here, (name, writer, value, record)
        assert record.written[name].ids <= wrote.keys()
