"""What one owner adds to the reference data, in the database."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, bindparam, delete, func, insert, select, update

from service.accounts.model import Owner
from service.errors import NotFound
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import TaggedName
from service.reference.model import (
    NOTHING_OWN,
    Issue,
    KeptVocabulary,
    OwnReference,
    StoredIssue,
    StoredVocabulary,
    VocabularySummary,
)
from service.reference.tables import catalogue, issue, presumption, vocabulary
from service.rules.presumptions import NOTHING_KEPT, KeptPresumptions
from service.rules.vocabularies import concept_as_json, concept_of_json

_BATCH = 500


class IssueStore:
    """Within one transaction. Whoever changes something holds the owner's account first, and calls `renew` once."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def find(self, identity: str) -> StoredIssue | None:
        row = self._connection.execute(self._mine().where(issue.c.id == identity)).first()
        return None if row is None else _stored(row)

    def get(self, identity: str) -> StoredIssue:
        found = self.find(identity)
        if found is None:
            raise NotFound("issue", identity[:200])
        return found

    def after(self, identity: str | None) -> Iterator[StoredIssue]:
        """The owner's issues in the order of their ids from behind `identity`, fetched as far as they are asked for."""
        last = identity
        while True:
            query = self._mine().order_by(issue.c.id).limit(_BATCH)
            rows = self._connection.execute(query if last is None else query.where(issue.c.id > last)).all()
            yield from map(_stored, rows)
            if len(rows) < _BATCH:
                return
            last = rows[-1].id

    def some(self, identities: Sequence[str]) -> Iterator[StoredIssue]:
        """Those of the owner's issues that have one of these ids, in no order."""
        for start in range(0, len(identities), _BATCH):
            query = self._mine().where(issue.c.id.in_(identities[start : start + _BATCH]))
            yield from map(_stored, self._connection.execute(query))

    def count(self) -> int:
        query = select(func.count()).select_from(issue).where(issue.c.owner_id == self._owner.id)
        return self._connection.execute(query).scalar_one()

    def version(self) -> str | None:
        """Changes with every change of any of the owner's issues and vocabularies, and of what the account presumes; None where
        there never was any."""
        query = select(catalogue.c.version).where(catalogue.c.owner_id == self._owner.id)
        return self._connection.execute(query).scalar_one_or_none()

    def own_reference(self) -> OwnReference:
        """The facts of all the owner's issues, what the account presumes, and all vocabularies, with the version of the whole."""
        version = self.version()
        if version is None:
            return NOTHING_OWN
        columns = select(issue.c.id, issue.c.facts, issue.c.replaces).where(issue.c.owner_id == self._owner.id)
        rows = self._connection.execute(columns.order_by(issue.c.id)).all()
        replaces = {row.id: row.replaces for row in rows if row.replaces is not None}
        facts = {row.id: row.facts for row in rows}
        kept = VocabularyStore(self._connection, self._owner).all()
        return OwnReference(facts, version, replaces, self.presumptions(), kept)

    def replacements(self) -> dict[str, str]:
        """Which issue each of the owner's replaces, of those that replace one."""
        query = select(issue.c.id, issue.c.replaces).where(issue.c.owner_id == self._owner.id)
        return {row.id: row.replaces for row in self._connection.execute(query.where(issue.c.replaces.is_not(None)))}

    def presumptions(self) -> KeptPresumptions:
        """What the account presumes."""
        query = select(presumption).where(presumption.c.owner_id == self._owner.id)
        row = self._connection.execute(query).first()
        return NOTHING_KEPT if row is None else KeptPresumptions(row.presume, row.identify, row.version)

    def presume(self, kept: KeptPresumptions, now: datetime) -> None:
        """Stores what the account presumes in the place of what it did."""
        values = {
            "version": kept.version,
            "presume": list(kept.presume),
            "identify": list(kept.identify),
            "updated_at": now,
        }
        mine = presumption.c.owner_id == self._owner.id
        if self._connection.execute(update(presumption).where(mine).values(values)).rowcount == 0:
            self._connection.execute(insert(presumption).values(owner_id=self._owner.id, **values))

    def add(self, entries: Iterable[Issue], version: str, now: datetime) -> None:
        rows = [{**_content(e), "id": e.id, "owner_id": self._owner.id, "version": version} for e in entries]
        if rows:
            self._connection.execute(insert(issue), [{**row, "created_at": now, "updated_at": now} for row in rows])

    def replace(self, entries: Iterable[Issue], version: str, now: datetime) -> None:
        rows = [{**_content(e), "its_id": e.id, "version": version, "updated_at": now} for e in entries]
        if rows:
            where = (issue.c.owner_id == self._owner.id, issue.c.id == bindparam("its_id"))
            self._connection.execute(update(issue).where(*where), rows)

    def delete(self, identity: str) -> None:
        self._connection.execute(delete(issue).where(issue.c.owner_id == self._owner.id, issue.c.id == identity))

    def renew(self, version: str) -> None:
        """Stores the version of the whole. The held account keeps two first changes apart."""
        mine = catalogue.c.owner_id == self._owner.id
        if self._connection.execute(update(catalogue).where(mine).values(version=version)).rowcount == 0:
            self._connection.execute(insert(catalogue).values(owner_id=self._owner.id, version=version))

    def _mine(self) -> Select[Any]:
        return select(issue).where(issue.c.owner_id == self._owner.id)


class VocabularyStore:
    """The owner's vocabularies, within one transaction. Whoever changes something holds the owner's account first, and calls
    `renew` of the IssueStore once."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def find(self, name: str) -> StoredVocabulary | None:
        row = self._connection.execute(self._mine().where(vocabulary.c.name == name)).first()
        return None if row is None else _stored_vocabulary(row)

    def page(self, after: str | None, limit: int) -> Sequence[VocabularySummary]:
        """Up to `limit` of them in the order of their names, from behind `after`. Their terms, which may be thousands, are not
        read."""
        query = self._mine().order_by(vocabulary.c.name).limit(limit)
        rows = self._connection.execute(query if after is None else query.where(vocabulary.c.name > after))
        return tuple(map(_summary, rows))

    def all(self) -> tuple[OwnVocabulary, ...]:
        """All of them in the order of their names. What was read once is kept: the versions say whether it is the same."""
        rows = self._connection.execute(_VERSIONS, {"owner": self._owner.id}).all()
        versions = tuple((row.name, row.version) for row in rows)
        if not versions:
            return ()
        key = (self._owner.id, versions)
        found = _READ.get(key)
        if found is None:
            entries = self._connection.execute(self._mine().order_by(vocabulary.c.name))
            found = tuple(_stored_vocabulary(entry).kept.own for entry in entries)
            # The list is made in one step: other threads change the table meanwhile.
            for oldest in list(_READ)[: 1 - _MOST_READ]:
                _READ.pop(oldest, None)
            _READ[key] = found
        return found

    def extending(self, name: str) -> Sequence[str]:
        """The names of those that extend it."""
        query = select(vocabulary.c.name).where(
            vocabulary.c.owner_id == self._owner.id, vocabulary.c.extends == name, vocabulary.c.name != name
        )
        return sorted(self._connection.execute(query).scalars())

    def counts(self) -> tuple[int, int]:
        """How many there are, and how many concepts in all."""
        query = select(func.count(), func.coalesce(func.sum(vocabulary.c.concepts), 0))
        row = self._connection.execute(query.where(vocabulary.c.owner_id == self._owner.id)).one()
        return row[0], int(row[1])

    def add(self, kept: KeptVocabulary, version: str, now: datetime) -> None:
        row = {**_row(kept), "name": kept.name, "owner_id": self._owner.id, "version": version}
        self._connection.execute(insert(vocabulary), [{**row, "created_at": now, "updated_at": now}])

    def replace(self, kept: KeptVocabulary, version: str, now: datetime) -> None:
        where = (vocabulary.c.owner_id == self._owner.id, vocabulary.c.name == kept.name)
        values = {**_row(kept), "version": version, "updated_at": now}
        self._connection.execute(update(vocabulary).where(*where).values(**values))

    def delete(self, name: str) -> None:
        where = (vocabulary.c.owner_id == self._owner.id, vocabulary.c.name == name)
        self._connection.execute(delete(vocabulary).where(*where))

    def _mine(self) -> Select[Any]:
        return select(vocabulary).where(vocabulary.c.owner_id == self._owner.id)


# Made once: making a statement anew takes as long as running it.
_VERSIONS = (
    select(vocabulary.c.name, vocabulary.c.version)
    .where(vocabulary.c.owner_id == bindparam("owner"))
    .order_by(vocabulary.c.name)
)
# A version is never given twice, so what has it never changes.
_READ: dict[tuple[str, tuple[tuple[str, str], ...]], tuple[OwnVocabulary, ...]] = {}
_MOST_READ = 64


def _row(kept: KeptVocabulary) -> dict[str, Any]:
    own = kept.own
    content = {
        "label": own.label,
        "source": kept.source,
        "notice": kept.notice,
        "iri": kept.iri,
        "names": [{"text": name.text, "language": name.language, "kind": name.kind} for name in kept.names],
        "concepts": [concept_as_json(concept) for concept in own.concepts],
    }
    return {"extends": own.extends, "concepts": len(own.concepts), "content": content}


def _stored_vocabulary(row: Row[Any]) -> StoredVocabulary:
    content = row.content
    concepts = tuple(concept_of_json(entry) for entry in content["concepts"])
    own = OwnVocabulary(row.name, concepts, row.extends, content["label"])
    names = tuple(TaggedName(name["text"], name["language"], name["kind"]) for name in content["names"])
    kept = KeptVocabulary(own, content["source"], content["notice"], content["iri"], names)
    return StoredVocabulary(kept, row.version, row.created_at, row.updated_at)


def _summary(row: Row[Any]) -> VocabularySummary:
    content = row.content
    return VocabularySummary(
        row.name, content["label"], content["source"], content["notice"], row.concepts, row.extends
    )


def _content(entry: Issue) -> dict[str, Any]:
    return {
        "label": entry.label,
        "facts": dict(entry.facts),
        "look_alikes": list(entry.look_alikes),
        "source": entry.source,
        "edition": entry.edition,
        "replaces": entry.replaces,
    }


def _stored(row: Row[Any]) -> StoredIssue:
    entry = Issue(row.id, row.label, row.facts, tuple(row.look_alikes), row.source, row.edition, row.replaces)
    return StoredIssue(entry, row.version, row.created_at, row.updated_at)
