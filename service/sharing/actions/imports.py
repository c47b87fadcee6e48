"""From what somebody else has to what can be looked at here: fetched, read strictly, checked, its digest verified. Nothing is
stored, and no session is held meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service import runtime
from service.database.ids import new_id
from service.errors import DigestMismatch, Fault, FetchError, FetchUnreadable, Invalid
from service.fetch.client import Fetched
from service.formats.strict_json import JSON, YAML, parse_json, parse_yaml
from service.http.declared import Body
from service.http.schemas.definition_imports import DefinitionImportIn
from service.http.schemas.evaluations import CheckIn
from service.http.wire import read
from service.progress.actions.evaluate import check_report
from service.reference import actions as reference
from service.rules.definition import Definition
from service.rules.document import read as read_document
from service.rules.wording import read_aloud
from service.sharing.origins import FILE, SHARE, WAITS, Brought, Origin, OriginRevision


@dataclass(frozen=True, slots=True)
class Told:
    """What an address told: a document, and of a share its digest, its number and the newest number there. `at` is where the
    document stands in what was told."""

    document: Mapping[str, Any]
    at: str = ""
    digest: str | None = None
    revision: int | None = None
    newest: int | None = None


@dataclass(frozen=True, slots=True)
class Newer:
    """What asking an origin came to: something newer, or nothing; and its entity tag now."""

    offered: OriginRevision | None
    etag: str | None


async def bring(parts: runtime.Context, body: Body, now: datetime) -> Brought:
    """What the body asks to import, checked. Raises Invalid with pointers into the body, or into what was fetched; FetchError
    where fetching was refused or failed, or a digest does not fit."""
    asked = await parts.limiter.run(lambda: _asked(body))
    if asked.from_ is None:
        told = Told(asked.document or {}, "" if asked.document is body.value else "/document")
        return await parts.limiter.run(lambda: _looked_at(parts, told, now, asked.digest))
    try:
        fetched = await parts.fetcher.fetch(asked.from_)
    except FetchError as refusal:
        raise type(refusal)(str(refusal), [Fault(refusal.code, str(refusal), "/from")]) from None
    return await parts.limiter.run(
        lambda: _looked_at(parts, told_by(fetched), now, asked.digest, address=asked.from_, etag=fetched.etag)
    )


async def ask_origin(parts: runtime.Context, origin: Origin, now: datetime) -> Newer:
    """What is newer at a link than what is known of it. Raises FetchError as `fetch` does;
    Invalid when the newer document cannot be used here."""
    assert origin.address is not None
    fetched = await parts.fetcher.fetch(origin.address, etag=origin.etag, kinds=(JSON,))
    if fetched.content is None:
        return Newer(None, origin.etag)
    told = await parts.limiter.run(lambda: told_by(fetched))
    if told.revision == origin.revision and told.digest != origin.digest:
        raise DigestMismatch("the revision that was taken from there is another one now")
    if told.newest is None or told.newest <= (origin.newest or 0):
        return Newer(None, fetched.etag)
    further = await parts.fetcher.fetch(_of_revision(origin.address, told.newest), kinds=(JSON,))
    number = told.newest

    def look() -> OriginRevision:
        newer = told_by(further)
        if newer.revision != number:
            raise FetchUnreadable(f"it is not the revision {number} that was said to be there")
        definition = _sound(newer, None)
        return OriginRevision(number, definition.digest, definition.title, now, newer.document)

    return Newer(await parts.limiter.run(look), fetched.etag)


def told_by(fetched: Fetched) -> Told:
    """What was fetched: a share as this service tells of it, or a set definition by itself."""
    parse: Callable[[bytes], Any] = parse_yaml if fetched.kind == YAML else parse_json
    try:
        value = parse(fetched.content or b"")
    except Invalid as refusal:
        raise FetchUnreadable(refusal.detail or str(refusal), refusal.faults) from None
    if isinstance(value, dict) and "format" in value:
        return Told(value)
    if not isinstance(value, dict) or not isinstance(value.get("document"), dict):
        raise FetchUnreadable("it is neither a share nor a set definition")
    digest, revision, newest = (value.get(name) for name in ("digest", "revision", "newest_revision"))
    if not isinstance(digest, str) or not _is_number(revision):
        raise FetchUnreadable("a share has a `digest` and a `revision`")
    return Told(value["document"], "/document", digest, revision, newest if _is_number(newest) else revision)


def _asked(body: Body) -> DefinitionImportIn:
    """A file may be the document itself."""
    if body.kind == YAML or (isinstance(body.value, dict) and "format" in body.value):
        if not isinstance(body.value, dict):
            raise Invalid([Fault("type", "a definition is an object")])
        # As it came: a copy would not be known again.
        return DefinitionImportIn.model_construct(from_=None, document=body.value, digest=None)
    try:
        return read(DefinitionImportIn, body.value)
    except Invalid as refusal:
        document = body.value.get("document") if isinstance(body.value, dict) else None
        # When its form is wrong, what is wrong with the document is told along.
        raise Invalid([*refusal.faults, *_faults_of(document)]) from None


def _faults_of(document: Any) -> Sequence[Fault]:
    if isinstance(document, dict):
        try:
            read_document(document, vocabularies=reference.vocabularies())
        except Invalid as refusal:
            return refusal.under("/document").faults
    return ()


def _looked_at(
    parts: runtime.Context,
    told: Told,
    now: datetime,
    expected: str | None,
    *,
    address: str | None = None,
    etag: str | None = None,
) -> Brought:
    definition = _sound(told, expected)
    check = check_report(parts.database, None, CheckIn(definition=dict(told.document), today=now.date()))
    findings = {"findings": check["findings"], "in_words": read_aloud(definition)}
    return Brought(
        new_id(),
        FILE if told.digest is None else SHARE,
        address,
        definition.title,
        told.revision,
        definition.digest,
        etag,
        check["counts"],
        now,
        now + WAITS,
        document=told.document,
        findings=findings,
    )


def _sound(told: Told, expected: str | None) -> Definition:
    """The document read, its digest being what was told and what was expected."""
    try:
        definition = read_document(told.document, vocabularies=reference.vocabularies())
    except Invalid as refusal:
        raise refusal.under(told.at) from None
    for said, by in ((told.digest, "the link says"), (expected, "you say")):
        if said is not None and said != definition.digest:
            faults = [Fault("digest-mismatch", f"{by} {said}", "/digest")] if by == "you say" else []
            raise DigestMismatch(f"the document has the digest {definition.digest}, {by} another", faults)
    return definition


def _of_revision(address: str, number: int) -> str:
    return f"{address.partition('?')[0].partition('#')[0].rstrip('/')}/revisions/{number}"


def _is_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value < 2**31
