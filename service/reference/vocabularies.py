"""Keeping an owner's vocabularies beside the shipped ones. Each change is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.errors import Conflict, Fault, Invalid, NotFound, OverLimit
from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Vocabulary
from service.reference import shipped
from service.reference.model import (
    MOST_CONCEPTS_OF_ALL,
    MOST_VOCABULARIES,
    KeptVocabulary,
    StoredVocabulary,
    VocabularySummary,
)
from service.reference.store import IssueStore, VocabularyStore

# A check of the vocabulary as it stands, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredVocabulary], None]


@dataclass(frozen=True, slots=True)
class ShippedVocabulary:
    """A vocabulary that comes with the service, seen as one that is kept."""

    kept: KeptVocabulary
    edition: str

    @property
    def name(self) -> str:
        return self.kept.name

    @property
    def summary(self) -> VocabularySummary:
        return self.kept.summarized(self.edition)


def of_service(scheme: Vocabulary) -> ShippedVocabulary:
    own = OwnVocabulary(scheme.name, tuple(scheme.concepts.values()), None, scheme.label)
    return ShippedVocabulary(KeptVocabulary(own, scheme.source, scheme.notice), scheme.edition)


def page_of_vocabularies(
    connection: Connection | None, owner: Owner | None, private: bool | None, after: str | None, limit: int
) -> Sequence[VocabularySummary]:
    """Up to `limit` of those of the service and the owner's own, in the order of their names, from behind `after`."""
    found: list[VocabularySummary] = []
    if not private:
        shown = (one for one in shipped.vocabularies().values() if after is None or one.name > after)
        found += [of_service(one).summary for one in shown]
    if connection is not None and owner is not None and private is not False:
        own = VocabularyStore(connection, owner).page(after, limit)
        names = {entry.name for entry in own}
        found = [*own, *(entry for entry in found if entry.name not in names)]
    return sorted(found, key=lambda entry: entry.name)[:limit]


def find_vocabulary(connection: Connection, owner: Owner | None, name: str) -> StoredVocabulary | ShippedVocabulary:
    """The owner's vocabulary of this name, or the shipped one. Raises NotFound."""
    own = None if owner is None else VocabularyStore(connection, owner).find(name)
    if own is not None:
        return own
    scheme = shipped.vocabularies().get(name)
    if scheme is None:
        raise NotFound("vocabulary", name[:100])
    return of_service(scheme)


def keep_vocabulary(connection: Connection, owner: Owner, kept: KeptVocabulary, now: datetime) -> StoredVocabulary:
    """A new vocabulary of the owner's. Raises Conflict when the name is taken, Invalid with pointers into it, OverLimit."""
    AccountStore(connection).lock(owner)
    store, version = VocabularyStore(connection, owner), new_id()
    if kept.name in shipped.vocabularies():
        raise Conflict(
            "the vocabulary '{name}' comes with the service: take another name, and `extends` for additions to it",
            name=kept.name,
        )
    if store.find(kept.name) is not None:
        raise Conflict("there is a vocabulary '{name}' already", name=kept.name)
    _ensure_sound(store, kept)
    _ensure_room(store, 1, len(kept.own.concepts))
    store.add(kept, version, now)
    IssueStore(connection, owner).renew(version)
    return StoredVocabulary(kept, version, now, now)


def ensure_changeable(connection: Connection, owner: Owner, name: str, *, expect: Expectation) -> StoredVocabulary:
    """Holds the owner's account and looks whether the vocabulary is the owner's. Raises NotFound, or Conflict for a shipped one,
    which is the same for all."""
    AccountStore(connection).lock(owner)
    before = VocabularyStore(connection, owner).find(name)
    if before is not None:
        expect(before)
        return before
    if name in shipped.vocabularies():
        raise Conflict(
            "the vocabulary '{name}' comes with the service and is the same for all; keep one that extends it",
            name=name,
        )
    raise NotFound("vocabulary", name[:100])


def replace_vocabulary(
    connection: Connection, owner: Owner, before: StoredVocabulary, kept: KeptVocabulary, now: datetime
) -> StoredVocabulary:
    """The owner's vocabulary with this content. Whoever calls it made sure that it is changeable. Raises Invalid, OverLimit."""
    store, version = VocabularyStore(connection, owner), new_id()
    _ensure_sound(store, kept)
    _ensure_room(store, 0, len(kept.own.concepts) - len(before.kept.own.concepts))
    store.replace(kept, version, now)
    IssueStore(connection, owner).renew(version)
    return StoredVocabulary(kept, version, before.created_at, now)


def delete_vocabulary(connection: Connection, owner: Owner, name: str) -> None:
    """Deletes a vocabulary of the owner's; whoever calls it made sure that it is changeable, and that no draft needs it. Facts
    keep its terms. Raises Conflict while others extend it."""
    store = VocabularyStore(connection, owner)
    others = store.extending(name)
    if others:
        raise Conflict(
            "'{other}' extends the vocabulary '{name}': change or delete that one first", other=others[0], name=name
        )
    store.delete(name)
    IssueStore(connection, owner).renew(new_id())


def _ensure_sound(store: VocabularyStore, kept: KeptVocabulary) -> None:
    others = [own for own in store.all() if own.name != kept.name]
    try:
        with_own(with_own(shipped.vocabularies(), others, strict=False), [kept.own])
    except Invalid as refusal:
        raise Invalid([replace(fault, pointer=fault.pointer.removeprefix("/0")) for fault in refusal.faults]) from None


def _ensure_room(store: VocabularyStore, more: int, concepts: int) -> None:
    number, of_all = store.counts()
    if more and number + more > MOST_VOCABULARIES:
        raise OverLimit([Fault.of("over-limit", "an owner keeps up to {most} vocabularies", most=MOST_VOCABULARIES)])
    if concepts > 0 and of_all + concepts > MOST_CONCEPTS_OF_ALL:
        raise OverLimit(
            [
                Fault.of(
                    "over-limit", "an owner's vocabularies have up to {most} terms in all", most=MOST_CONCEPTS_OF_ALL
                )
            ]
        )
