"""What was taken from an origin is the ground of the next comparison, wherever it came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

import pytest

from service.accounts.actions import open_account
from service.accounts.model import Owner
from service.clubs import origin_actions as actions
from service.clubs.origin_store import OriginStore
from service.clubs.origins import MOST_OFFERED, SHARE, WAITS, Brought, Offered
from service.database import migrate
from service.database.engine import Database
from service.database.identities import new_identity
from service.definitions import actions as definitions
from service.errors import Clash, NotFound
from service.http.examples import DOCUMENT
from service.rules.document import digest

NOW = datetime(2026, 11, 25, tzinfo=UTC)


@pytest.fixture
def database(empty_database_url: str) -> Iterator[Database]:
    database = Database(empty_database_url)
    migrate.upgrade(database)
    yield database
    database.close()


def titled(title: str) -> dict[str, Any]:
    return {**DOCUMENT, "title": title}


def offered(number: int) -> Offered:
    document = titled(f"Revision {number}")
    return Offered(number, digest(document), document["title"], NOW, document)


def imported(database: Database, owner: Owner) -> str:
    """A definition that was imported as the revision 3 of a share."""
    made = Brought(
        new_identity(), SHARE, "https://coins.example.org/v1/shared/sws_x", "Two crowns", 3, digest(DOCUMENT), None,
        {"error": 0}, NOW, NOW + WAITS, document=DOCUMENT, findings={},
    )  # fmt: skip
    database.write(lambda c: actions.bring(c, owner, made))
    line, _ = database.write(lambda c: actions.confirm(c, owner, made.id, NOW))
    return line.id


def ground(database: Database, owner: Owner, definition: str) -> Mapping[str, Any] | None:
    return database.read(lambda c: actions.ground(c, owner, definition))


def numbers(database: Database, owner: Owner, definition: str) -> list[int]:
    return [one.number for one in database.read(lambda c: OriginStore(c, owner).offered(definition))]


def test_what_was_imported_is_the_ground_until_something_newer_is_taken(database: Database) -> None:
    owner, _ = database.write(lambda c: open_account(c, "Ida"))
    mine = imported(database, owner)
    # Own revisions change nothing of it.
    database.write(lambda c: definitions.redraft(c, owner, mine, titled("Mine"), expect=lambda _: None))
    database.write(lambda c: definitions.publish(c, owner, mine, expect=lambda _: None))
    assert ground(database, owner, mine) == DOCUMENT
    for number in (4, 6, 7):
        database.write(lambda c, n=number: actions.note_check(c, owner, mine, NOW, offered=offered(n)))
    taken = database.write(lambda c: actions.take(c, owner, mine, 6))
    assert taken == offered(6)
    assert ground(database, owner, mine) == titled("Revision 6")
    origin = database.read(lambda c: OriginStore(c, owner).get(mine))
    assert (origin.revision, origin.digest, origin.newest) == (6, offered(6).digest, 7)
    assert numbers(database, owner, mine) == [6, 7]
    with pytest.raises(NotFound):
        database.write(lambda c: actions.take(c, owner, mine, 4))
    # It outlives any number of newer ones.
    for number in range(8, 8 + MOST_OFFERED + 2):
        database.write(lambda c, n=number: actions.note_check(c, owner, mine, NOW, offered=offered(n)))
    assert numbers(database, owner, mine) == [6, *range(10, 10 + MOST_OFFERED)]
    assert ground(database, owner, mine) == titled("Revision 6")


def test_of_a_copy_the_original_is_the_ground(database: Database) -> None:
    owner, _ = database.write(lambda c: open_account(c, "Ida"))
    line, _ = database.write(lambda c: definitions.draft(c, owner, None, DOCUMENT))
    _, original = database.write(lambda c: definitions.publish(c, owner, line.id, expect=lambda _: None))
    copy, _ = database.write(lambda c: actions.copy(c, owner, None, original, titled("Mine"), NOW))
    assert ground(database, owner, copy.id) == DOCUMENT
    with pytest.raises(NotFound):
        ground(database, owner, line.id)


def test_what_is_older_than_what_was_taken_is_not_taken(database: Database) -> None:
    owner, stranger = (database.write(lambda c, n=name: open_account(c, n))[0] for name in ("Ida", "Ada"))
    mine = imported(database, owner)
    database.write(lambda c: OriginStore(c, owner).offer(mine, offered(2)))
    with pytest.raises(Clash):
        database.write(lambda c: actions.take(c, owner, mine, 2))
    with pytest.raises(NotFound):
        database.write(lambda c: actions.take(c, stranger, mine, 2))
