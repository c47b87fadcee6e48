"""Keeping issues: the version of an owner's catalogue, the owner's own before shipped ones, what an import does.

(The folder cannot be named after service/reference: tests/reference.py is the slow second implementation.)
"""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Connection, delete, text

from service.accounts.model import Owner
from service.accounts.tables import account
from service.database.engine import Database
from service.database.migrate import upgrade
from service.errors import Conflict, Invalid, NotFound, OverLimit
from service.facts.core_attributes import CORE
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import Concept
from service.reference import actions, shipped, store, vocabularies
from service.reference.actions import Picked
from service.reference.model import Catalogue, Issue, KeptVocabulary, StoredIssue
from service.reference.store import IssueStore, VocabularyStore
from service.rules.presumptions import KeptPresumptions
from tests.clock import NOW
from tests.factories import some_knowledge
from tests.owners import open_account


def an_issue(identity: str, label: str = "a label", **facts: Any) -> Issue:
    return Issue(identity, label, facts, (), "own observation", "2026-11-25")


@pytest.fixture
def database(empty_database: Database) -> Database:
    upgrade(empty_database)
    return empty_database


@pytest.fixture
def owner(database: Database) -> Owner:
    return database.write(lambda connection: open_account(connection, "a collector"))[0]


def record(database: Database, owner: Owner, issue: Issue) -> StoredIssue:
    return database.write(lambda connection: actions.record_issue(connection, owner, issue, CORE, NOW))


def version(database: Database, owner: Owner) -> str | None:
    return database.read(lambda connection: IssueStore(connection, owner).version())


def test_an_owner_without_issues_has_no_version(database: Database, owner: Owner) -> None:
    assert version(database, owner) is None
    assert database.read(lambda connection: IssueStore(connection, owner).own_reference()).facts == {}


def test_the_version_changes_with_every_change_and_with_nothing_else(database: Database, owner: Owner) -> None:
    seen = []

    def act(change: Any) -> None:
        database.write(change)
        seen.append(version(database, owner))

    first, second = an_issue("a", grade=1), an_issue("a", grade=2)
    act(lambda c: actions.record_issue(c, owner, first, CORE, NOW))
    act(lambda c: actions.replace_issue(c, owner, second, CORE, NOW))
    act(lambda c: actions.import_issues(c, owner, [an_issue("b"), an_issue("c")], NOW))
    act(lambda c: actions.delete_issue(c, owner, "a"))
    # Back to a content that was there before: still another version.
    act(lambda c: actions.record_issue(c, owner, first, CORE, NOW))
    assert len(set(seen)) == 5
    other = database.write(lambda c: open_account(c, "another collector"))[0]
    act(lambda c: actions.import_issues(c, owner, [an_issue("b"), first], NOW))
    act(lambda c: actions.record_issue(c, other, first, CORE, NOW))
    act(lambda c: actions.compare_issues(c, owner, [an_issue("d")]))
    for refused in (an_issue("a"), an_issue("e", grade=99)):
        with pytest.raises((Conflict, Invalid)):
            record(database, owner, refused)
    assert set(seen[4:]) == {seen[4]} == {version(database, owner)}


def test_writers_at_the_same_time_leave_no_change_without_a_version(database: Database, owner: Owner) -> None:
    def write(number: int) -> tuple[str, str | None]:
        def act(connection: Connection) -> tuple[str, str | None]:
            made = actions.record_issue(connection, owner, an_issue(f"i{number}"), CORE, NOW)
            return made.version, IssueStore(connection, owner).version()

        return database.write(act)

    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(write, range(24)))
    assert all(own == whole for own, whole in found)
    assert len(set(found)) == 24
    assert version(database, owner) in {whole for _, whole in found}
    kept = database.read(lambda connection: IssueStore(connection, owner).own_reference())
    assert set(kept.facts) == {f"i{number}" for number in range(24)}


def test_two_first_writers_of_one_id_do_not_both_win(database: Database, owner: Owner) -> None:
    def write(_: int) -> bool:
        try:
            record(database, owner, an_issue("same"))
        except Conflict:
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(write, range(4))) == [False, False, False, True]


def test_digits_and_the_order_of_facts_are_kept(database: Database, owner: Owner) -> None:
    facts: dict[str, Any] = {"weight_legal": Decimal("2.50"), "diameter": Decimal("0.1"), "motifs": ["ship", "horse"]}
    record(database, owner, an_issue("a", **facts))
    found = database.read(lambda connection: IssueStore(connection, owner).get("a"))
    assert json.dumps(found.issue.facts, default=str) == json.dumps(facts, default=str)


def test_more_than_a_batch_is_read_to_the_end_in_order(database: Database, owner: Owner) -> None:
    names = [f"n{number:04}" for number in range(1_203)]
    done = database.write(lambda c: actions.import_issues(c, owner, [an_issue(name) for name in reversed(names)], NOW))
    assert (len(done.created), len(done.updated)) == (1_203, 0)
    found = database.read(lambda c: [stored.id for stored in IssueStore(c, owner).after("n0000")])
    assert found == names[1:]


def test_there_is_a_limit_to_what_an_owner_keeps(
    database: Database, owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.reference.actions.MOST_ISSUES", 3)
    database.write(lambda c: actions.import_issues(c, owner, [an_issue(name) for name in "abc"], NOW))
    with pytest.raises(OverLimit):
        record(database, owner, an_issue("d"))
    with pytest.raises(OverLimit):
        database.write(lambda c: actions.import_issues(c, owner, [an_issue("a", grade=1), an_issue("d")], NOW))
    # What replaces needs no room, and the refused import changed nothing.
    done = database.write(lambda c: actions.import_issues(c, owner, [an_issue("a", grade=1)], NOW))
    assert len(done.updated) == 1


def test_an_owners_issue_stands_before_a_shipped_one_that_came_later(
    database: Database, owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    record(database, owner, an_issue("new-one", label="mine", grade=1))
    later = {**actions.shipped_issues(), "new-one": an_issue("new-one", label="shipped", grade=2)}
    later = dict(sorted(later.items()))
    monkeypatch.setattr(actions, "shipped_issues", lambda: later)
    monkeypatch.setattr(actions, "_in_order", lambda: (tuple(later.values()), tuple(later)))
    found = database.read(
        lambda c: [entry for entry in actions.issues_after(c, owner, None, Picked()) if entry.id == "new-one"]
    )
    assert [entry.issue.label for entry in found if isinstance(entry, StoredIssue)] == ["mine"] and len(found) == 1
    assert isinstance(database.read(lambda c: actions.find_issue(c, owner, "new-one")), StoredIssue)
    database.write(lambda c: actions.ensure_changeable(c, owner, "new-one", expect=lambda _: None))
    database.write(lambda c: actions.delete_issue(c, owner, "new-one"))
    with pytest.raises(Conflict):
        database.write(lambda c: actions.ensure_changeable(c, owner, "new-one", expect=lambda _: None))


def test_what_is_not_there_is_not_found(database: Database, owner: Owner) -> None:
    with pytest.raises(NotFound):
        database.read(lambda c: actions.find_issue(c, owner, "nothing"))
    with pytest.raises(NotFound):
        database.write(lambda c: actions.ensure_changeable(c, owner, "nothing", expect=lambda _: None))


def test_the_catalogue_of_a_definition_puts_the_owners_facts_first() -> None:
    plain = {"a": some_knowledge({"grade": 1}), "b": some_knowledge({"grade": 2})}
    own: dict[str, dict[str, Any]] = {"b": {"grade": 3}, "c": {"grade": "worn", "mint": "Tower"}}
    catalogue = Catalogue(plain, own, CORE)
    assert list(catalogue) == ["a", "b", "c"]
    assert len(catalogue) == 3
    assert dict(catalogue) == {
        "a": plain["a"],
        "b": some_knowledge({"grade": 3}),
        "c": some_knowledge({"mint": "Tower"}),
    }
    assert "c" in catalogue and "d" not in catalogue
    with pytest.raises(KeyError):
        catalogue["d"]
    assert [fault.pointer for fault in catalogue.faults_of("c")] == ["/grade"]
    assert catalogue.faults_of("a") == []
    first = {"b": some_knowledge({"grade": 4}), "d": some_knowledge({"grade": 5})}
    above = catalogue.under(first)
    assert {name: above[name] for name in first} == first
    assert sorted(above) == ["a", "b", "c", "d"]
    assert len(above) == 4


def test_every_shipped_issue_says_where_it_comes_from() -> None:
    names = [issue["id"] for issue in shipped.issues()]
    assert len(set(names)) == len(names) == len(actions.shipped_issues())
    for issue in actions.shipped_issues().values():
        assert issue.source and issue.edition and issue.label, issue.id
        assert "/" not in issue.id and issue.id.isprintable() and len(issue.id) <= 200


def test_what_an_entry_says_of_its_source_goes_before_its_file(monkeypatch: pytest.MonkeyPatch) -> None:
    of_file = {"source": "a law", "edition": "first"}
    entries = [
        {"id": "a", "label": "A", "facts": {}},
        {"id": "b", "label": "B", "facts": {}, "source": "another law", "look_alikes": ["a"]},
    ]
    content = json.dumps({**of_file, "issues": entries}).encode()
    monkeypatch.setattr(shipped, "CATALOGUE_FILES", ("made_up.json",))
    monkeypatch.setattr(shipped, "_content", lambda name: content)
    found = shipped.issues.__wrapped__()
    assert [(entry["source"], entry["edition"], entry["look_alikes"]) for entry in found] == [
        ("a law", "first", []),
        ("another law", "first", ["a"]),
    ]


def test_the_vocabularies_read_last_are_kept_and_always_those_of_their_owner(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_ones: dict[Any, Any] = {}
    monkeypatch.setattr(store, "_READ", kept_ones)
    monkeypatch.setattr(store, "_MOST_READ", 3)
    owners = [database.write(lambda c, n=n: open_account(c, f"collector {n}"))[0] for n in range(5)]
    for number, owner in enumerate(owners):
        own = OwnVocabulary(f"words-{number}", (Concept(f"word-{number}", "a word"),))
        database.write(lambda c, owner=owner, own=own: vocabularies.keep_vocabulary(c, owner, KeptVocabulary(own), NOW))

    def read(owner: Owner) -> list[str]:
        return [own.name for own in database.read(lambda c: VocabularyStore(c, owner).all())]

    for _ in range(2):
        assert [read(owner) for owner in owners] == [[f"words-{number}"] for number in range(5)]
        assert [owner for owner, _ in kept_ones] == [owner.id for owner in owners[2:]]


def test_presumptions_change_the_version_and_go_with_the_account(database: Database, owner: Owner) -> None:
    other = database.write(lambda c: open_account(c, "another collector"))[0]
    entries = [{"facts": {"fineness": Decimal("0.50")}}]

    def presume(whose: Owner) -> KeptPresumptions:
        return database.write(
            lambda c: actions.presume(c, whose, lambda: (entries, []), NOW, expect=lambda before: seen.append(before))
        )

    seen: list[KeptPresumptions] = []
    made = [presume(owner), presume(other), presume(owner)]
    assert len({kept.version for kept in made}) == 3
    assert [before.version for before in seen] == [None, None, made[0].version]
    kept = database.read(lambda c: IssueStore(c, owner).own_reference())
    assert (kept.presumed, kept.version) == (made[2], version(database, owner))
    assert str(kept.presumed.presume[0]["facts"]["fineness"]) == "0.50"
    database.write(lambda c: c.execute(delete(account).where(account.c.id == owner.id)))
    rows = database.read(lambda c: c.execute(text("SELECT owner_id FROM presumption")).all())
    assert len(rows) == 1
    assert database.read(lambda c: IssueStore(c, other).presumptions()) == made[1]
