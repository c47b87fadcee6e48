"""What is kept agrees with the log, and a record that was tampered with is found."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from random import Random
from typing import Any

import pytest
from sqlalchemy import Connection, delete, insert, select, update

from service.__main__ import main
from service.accounts.model import ORIGIN, Owner
from service.accounts.store import AccountStore
from service.accounts.tables import account
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.facts.core_attributes import CORE
from service.holdings import actions
from service.holdings.sync.apply import SentMutation, apply_one
from service.holdings.sync.fingerprints import former_fingerprint_of
from service.holdings.sync.log import StoredLog
from service.holdings.sync.merge import CREATE, DESTROY, UPDATE, Mutation
from service.holdings.sync.verify import differences
from service.holdings.tables import holding, mutation
from tests.owners import open_account, recognise
from tests.sync.memory import sound

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def an_owner(database: Database) -> Owner:
    _, token = database.write(lambda connection: open_account(connection, f"somebody {new_id()}"))
    return database.read(lambda connection: recognise(connection, token))


def sent(made: Mutation) -> SentMutation:
    body: dict[str, Any] = {"op": made.op, "id": made.holding, "patch": dict(made.patch), "from": dict(made.seen)}
    body |= {"resolves": sorted(made.resolves), "revive": made.revive}
    body |= {"writers": dict(made.writers)} if made.writers is not None else {}
    return SentMutation(made, former_fingerprint_of(body), body)


def lived_through(database: Database, owner: Owner, seed: int, steps: int = 60) -> None:
    """Devices that see more or less of each other edit a few coins; the ordinary interface edits them too."""
    chance = Random(seed)
    coins = [new_id() for _ in range(4)]

    def step(connection: Connection, number: int) -> None:
        log = StoredLog(connection, owner, "phone", NOON)
        coin = chance.choice(coins)
        known = log.record(coin)
        writers = {name: value.by for name, value in known.written.items()} if known else {}
        seen: dict[str, str | None] = {n: w for n, w in writers.items() if chance.random() < 0.6}
        at = NOON + timedelta(hours=chance.randint(-50, 0))
        name = chance.choice(("grade", "note", "number", "location", "tags", "quantity"))
        value: Any = chance.choice((None, number, number * 7 + 1, 99))
        if name == "tags":
            value = chance.sample(["a", "b", "c"], chance.randint(0, 3))
        elif name == "quantity":
            value = chance.choice((None, 1, 2))
        op = CREATE if known is None else chance.choice((UPDATE, UPDATE, UPDATE, UPDATE, DESTROY, CREATE))
        resolves = frozenset(c.id for c in known.conflicts if chance.random() < 0.3) if known else frozenset()
        more: dict[str, Any] = {"writers": {name: new_id()}} if op == CREATE and known is not None else {}
        patch = {} if op == DESTROY else {name: value, "main_motifs": ["horse"]}
        made = Mutation(new_id(), op, coin, at, patch, seen, resolves=resolves, revive=chance.random() < 0.2, **more)
        apply_one(log, sent(made), sound)
        log.write_down()

    for number in range(steps):
        database.write(partial(step, number=number))
    data = {"facts": {"grade": 5}, "tags": ["a"]}
    kept = database.write(lambda connection: actions.record(connection, owner, None, data, CORE, NOON))
    database.write(
        lambda connection: actions.change(connection, owner, kept.id, {"note": "n"}, CORE, NOON, expect=lambda _: None)
    )
    database.write(lambda connection: actions.destroy(connection, owner, kept.id, NOON, expect=lambda _: None))


def found(database: Database, owner: Owner) -> list[str]:
    return database.read(lambda connection: list(differences(connection, owner)))


@pytest.mark.parametrize("seed", range(6))
def test_what_is_kept_is_what_the_log_makes_of_it(database: Database, seed: int) -> None:
    owner = an_owner(database)
    lived_through(database, owner, seed)
    assert found(database, owner) == []


def test_a_field_set_back_to_its_default_is_no_difference(database: Database) -> None:
    owner, coin = an_owner(database), new_id()
    sold = Mutation(new_id(), CREATE, coin, NOON, {"status": "sold", "quantity": 3, "tags": ["a"]})
    seen = dict.fromkeys(("status", "quantity", "tags"), sold.id)
    back = Mutation(new_id(), UPDATE, coin, NOON, {"status": "held", "quantity": 1, "tags": []}, seen)
    assert done(database, owner, sold, back) == ["applied", "applied"]
    assert found(database, owner) == []


def test_a_list_that_goes_on_from_a_refused_one_is_rebuilt_too(database: Database) -> None:
    # What was refused changed nothing, yet a device may name it as what its author saw.
    owner, coin = an_owner(database), new_id()
    made = Mutation(new_id(), CREATE, coin, NOON, {"tags": ["a"]})
    theirs = Mutation(new_id(), UPDATE, coin, NOON, {"tags": ["a", "c"]}, {"tags": made.id})
    refused = Mutation(new_id(), UPDATE, coin, NOON, {"tags": ["a", "b"], "grade": 99}, {"tags": made.id})
    further = Mutation(new_id(), UPDATE, coin, NOON, {"tags": ["a", "b", "d"]}, {"tags": refused.id})
    assert done(database, owner, made, theirs, refused, further)[2] == "rejected"
    assert found(database, owner) == []


def test_a_copy_of_which_a_part_was_left_apart_is_rebuilt_too(database: Database) -> None:
    # A device gives back what a restored backup lacks; one of its values is not valid any more.
    owner, coin = an_owner(database), new_id()
    patch = {"grade": 99, "note": "from the fair", "number": "A-1"}
    copy = Mutation(new_id(), CREATE, coin, NOON, patch, {}, writers={name: new_id() for name in patch})
    whole = Mutation(new_id(), CREATE, coin, NOON, {"location": "tray 1"}, {}, writers={"location": new_id()})
    assert done(database, owner, copy, whole) == ["conflict", "applied"]
    row = database.read(lambda connection: connection.execute(select(holding).where(holding.c.id == coin)).one())
    assert [conflict["kind"] for conflict in row.conflicts] == ["invalid_merge"]
    assert set(row.writers) == {"note", "number", "location"}
    assert found(database, owner) == []


def done(database: Database, owner: Owner, *mutations: Mutation) -> list[str]:
    def act(connection: Connection, *, made: Mutation) -> str:
        log = StoredLog(connection, owner, "phone", NOON)
        answer = apply_one(log, sent(made), sound)
        log.write_down()
        return answer.status

    return [database.write(partial(act, made=made)) for made in mutations]


class Undone(Exception):
    """Takes a planted fault back with its transaction."""


def found_with(database: Database, owner: Owner, *planted: Any, rows: int | None = None) -> list[str]:
    seen: list[str] = []

    def tamper(connection: Connection) -> None:
        for statement in planted:
            changed = connection.execute(statement).rowcount
            assert changed > 0 if rows is None else changed == rows
        seen.extend(differences(connection, owner))
        raise Undone

    with pytest.raises(Undone):
        database.write(tamper)
    return seen


def test_every_tampering_is_found(database: Database) -> None:
    owner = an_owner(database)
    lived_through(database, owner, 1)
    mine, my_log = holding.c.owner_id == owner.id, mutation.c.owner_id == owner.id
    last = database.read(lambda connection: AccountStore(connection).state(owner)).number
    newest, somewhere = (mine, holding.c.modseq == last), (my_log, mutation.c.modseq == last // 2)
    last_logged = (my_log, mutation.c.modseq == last)
    other = an_owner(database)
    planted: dict[str, tuple[str, Any]] = {
        "a value": ("something else of its", update(holding).where(*newest).values(data={"facts": {"grade": 70}})),
        "conflicts wiped": ("something else of its conflicts", update(holding).where(mine).values(conflicts=[])),
        "a writer": ("writer of", update(holding).where(*newest).values(writers={})),
        "brought back": (
            "something else of its delete",
            update(holding).where(*newest).values(destroyed=False, deletes=[]),
        ),
        "hidden without a delete": ("marked as destroyed", update(holding).where(mine).values(destroyed=True)),
        "a record gone": ("is not kept", delete(holding).where(*newest)),
        "a state skipped": ("its state is", update(holding).where(*newest).values(modseq=last + 1)),
        "made at another state": ("was not made at", update(holding).where(*newest).values(created_modseq=last)),
        "a link of the chain": ("does not follow", update(mutation).where(*somewhere).values(chain="0" * 32)),
        "a mutation gone": ("there is not one mutation for state", delete(mutation).where(*somewhere)),
        "a mutation without its state": (
            "there is not one mutation for state",
            update(mutation).where(*somewhere).values(modseq=None, chain=None),
        ),
        "the newest mutation gone": ("its log at", delete(mutation).where(*last_logged)),
        "the beginning of the log gone": (
            "no mutation made its",
            delete(mutation).where(my_log, mutation.c.modseq <= last // 2),
        ),
        "the whole log gone": ("no mutation made its", delete(mutation).where(my_log)),
        "another's mutation": (
            "does not follow",
            update(mutation).where(*somewhere).values(mutation_id=new_id()),
        ),
        "a mutation of another holding": (
            "is in the log",
            update(mutation).where(*somewhere).values(holding_id=new_id()),
        ),
        "a mutation taken to another owner": (
            "there is not one mutation for state",
            update(mutation).where(*somewhere).values(owner_id=other.id),
        ),
        "what a mutation says": (
            "something else of its",
            update(mutation).where(*last_logged).values(body={"op": "update", "edited_at": NOON.isoformat()}),
        ),
        "what a mutation says, unreadable": ("cannot be read", update(mutation).where(*last_logged).values(body={})),
        "answers": ("its answer was", update(mutation).where(my_log).values(answer={"status": "merged"})),
        "a refused one with a state": (
            "was rejected, and has a state",
            update(mutation).where(*somewhere).values(answer={"status": "rejected"}),
        ),
        "the account set back": ("it is at state", update(account).where(account.c.id == owner.id).values(state=1)),
        "the account of another history": (
            "it is at state",
            update(account).where(account.c.id == owner.id).values(chain="f" * 32),
        ),
    }
    for name, (told, statement) in planted.items():
        seen = found_with(database, owner, statement)
        assert any(told in line for line in seen), (name, seen)
    assert found(database, owner) == []


def older_than_the_log(database: Database, owner: Owner) -> tuple[str, Mutation]:
    """A holding as the migration left it, at state 1, with two values replaced since."""
    coin, at = new_id(), (NOON - timedelta(days=9)).isoformat()
    names = ("grade", "note", "denomination")
    data = {"facts": {"grade": 30, "denomination": "crown"}, "note": "from the fair", "quantity": 1}

    def plant(connection: Connection) -> None:
        AccountStore(connection).put_state(owner, ORIGIN.after(coin))
        times = {"created_at": NOON, "updated_at": NOON}
        writers = {name: [coin, at] for name in names}
        row = {"owner_id": owner.id, "id": coin, "modseq": 1, "created_modseq": 1, "destroyed": False, **times}
        connection.execute(insert(holding).values(data=data, writers=writers, **row))
        assert StoredLog(connection, owner, "phone", NOON).record(coin) is not None

    database.write(plant)
    edit = Mutation(new_id(), UPDATE, coin, NOON, {"grade": 35}, {"grade": coin})
    unseen = Mutation(new_id(), UPDATE, coin, NOON, {"note": "from the dealer"}, {})
    young = Mutation(new_id(), CREATE, new_id(), NOON, {"grade": 1})
    assert done(database, owner, edit, unseen, young) == ["applied", "conflict", "applied"]
    return coin, edit


def test_a_holding_older_than_the_log_is_sound_and_tampering_with_it_is_found(database: Database) -> None:
    owner = an_owner(database)
    coin, edit = older_than_the_log(database, owner)
    assert found(database, owner) == []
    kept = database.read(lambda connection: connection.execute(select(holding).where(holding.c.id == coin)).one())
    this, log = update(holding).where(holding.c.id == coin), mutation.c.mutation_id == edit.id
    was = kept.writers["denomination"]
    (conflict,) = kept.conflicts
    planted: dict[str, tuple[str, Any]] = {
        "a value": ("made its grade", this.values(data={**kept.data, "facts": {"grade": 36}})),
        "a value without a writer": (
            "no mutation wrote its mintmark",
            this.values(data={**kept.data, "facts": {"mintmark": "S"}}),
        ),
        "set back": ("was replaced", this.values(writers={**kept.writers, "grade": was})),
        "a delete": ("for its delete", this.values(destroyed=True, deletes=[[new_id(), NOON.isoformat()]])),
        "a conflict": (
            "wrote its conflict about note",
            this.values(conflicts=[{**conflict, "mutation_id": new_id()}]),
        ),
        "a state": ("its state is", this.values(modseq=1)),
        "its mutation": (
            "made its grade",
            update(mutation).where(log).values(body={"op": "update", "edited_at": was[1]}),
        ),
    }
    for name, (told, statement) in planted.items():
        seen = found_with(database, owner, statement)
        assert any(told in line for line in seen), (name, seen)
    assert found(database, owner) == []


def test_an_open_conflict_about_a_delete_is_sound_and_one_without_its_delete_is_found(database: Database) -> None:
    owner = an_owner(database)
    old, edit = older_than_the_log(database, owner)
    made = Mutation(new_id(), CREATE, new_id(), NOON, {"grade": 5, "note": "n"})
    young = made.holding
    # Neither author had seen all that the holding says.
    deletes = {coin: Mutation(new_id(), DESTROY, coin, NOON, {}, {}) for coin in (old, young)}
    assert done(database, owner, made, *deletes.values()) == ["applied", "conflict", "conflict"]
    query = select(holding).where(holding.c.owner_id == owner.id)
    kept = {row.id: row for row in database.read(lambda connection: connection.execute(query).all())}
    assert [kept[coin].destroyed for coin in deletes] == [False, False]
    assert found(database, owner) == []

    def with_delete(coin: str, mutation_id: str) -> Any:
        """The holding with its conflict about a delete said to come from this mutation."""
        others = [conflict for conflict in kept[coin].conflicts if conflict["kind"] != "destroy"]
        (about,) = (conflict for conflict in kept[coin].conflicts if conflict["kind"] == "destroy")
        changed = [*others, {**about, "mutation_id": mutation_id}]
        return update(holding).where(holding.c.owner_id == owner.id, holding.c.id == coin).values(conflicts=changed)

    # No such mutation, or one of another holding.
    for mutation_id in (new_id(), deletes[young].id):
        seen = found_with(database, owner, with_delete(old, mutation_id))
        assert seen == [f"holding {old}: there is no mutation for its conflict of kind destroy"]
    # Whatever the log has of the same holding, or what was there before the log, may be what it stands for.
    for mutation_id in (edit.id, old):
        assert found_with(database, owner, with_delete(old, mutation_id)) == []
    for mutation_id in (new_id(), deletes[old].id, made.id):
        seen = found_with(database, owner, with_delete(young, mutation_id))
        assert seen == [f"holding {young}: the log makes something else of its conflicts"]
    assert found(database, owner) == []


def test_the_command_ends_with_1_when_something_differs_and_says_what(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("SETWRIGHT_DATABASE_URL", empty_database_url)
    database = Database(empty_database_url)
    upgrade(database)
    try:
        owners = [an_owner(database) for _ in range(2)]
        for owner in owners:
            lived_through(database, owner, 2, steps=20)
        assert main(["verify"]) == 0
        assert capsys.readouterr().out == "2 accounts looked at, 0 differences.\n"
        last = database.read(lambda connection: AccountStore(connection).state(owners[1])).number
        which = (holding.c.owner_id == owners[1].id, holding.c.modseq == last)
        database.write(lambda connection: connection.execute(update(holding).where(*which).values(writers={})))
        assert main(["verify"]) == 1
        told = capsys.readouterr().out
        assert "writer of" in told
        assert told.endswith("2 accounts looked at, 1 differences.\n")
    finally:
        database.close()
