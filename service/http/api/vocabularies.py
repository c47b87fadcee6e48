"""Vocabularies: those that come with the service, and the owner's own beside them; plain, or as SKOS in JSON-LD or Turtle."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any, ClassVar
from urllib.parse import quote

from fastapi import Depends, Path, Query, Request
from msgspec import UNSET, Meta, UnsetType
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.definitions import actions as definitions
from service.errors import Fault, Invalid, InvalidQuery, NotFound, Sentence, SetwrightError
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import Concept, Kind, TaggedName
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, M, OptionalOwner, Received, Unread
from service.http.idempotency import IdempotencyKey
from service.http.inputs import ConceptIn, Id, TaggedNameIn, refuse_beside_json
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.negotiation import accepted
from service.http.openapi import describes, problems, router
from service.http.pagination import PageQuery, name_key, page
from service.http.problems import base_url
from service.http.responses import NEXT_PAGE, Created, Reply, Sends, Tagged, created, encode, tagged
from service.http.wire import In, OtherForm, Out, PageOut, QueryIn, read
from service.reference import actions as reference
from service.reference import vocabularies as actions
from service.reference.languages import ENGLISH, Language
from service.reference.languages import language as language_of
from service.reference.model import MOST_CONCEPTS, KeptVocabulary, StoredVocabulary, VocabularySummary
from service.reference.skos import JSON_LD, TURTLE, as_json_ld, as_turtle, read_skos
from service.reference.vocabularies import ShippedVocabulary
from service.rules.vocabularies import read_concept

vocabularies = router("/v1/vocabularies", "Reference")
_ENGLISH = language_of(ENGLISH)
_FORMS = {"json": "application/json", "json-ld": JSON_LD, "turtle": TURTLE}

# --- requests ------------------------------------------------------------------------------------------------------------

VocabularyName = Annotated[str, StringConstraints(max_length=100, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
_SKOS_FORMS: Mapping[str, OtherForm] = {
    JSON_LD: OtherForm(
        "One SKOS concept scheme as JSON-LD, its context in the document: no context is fetched from elsewhere."
    ),
    TURTLE: OtherForm("One SKOS concept scheme as Turtle, in UTF-8.", is_binary=True),
}


class VocabularyFieldsIn(In):
    """A vocabulary of the owner's own, changed; with `extends`, additions to another one."""

    other_forms: ClassVar[Mapping[str, OtherForm]] = _SKOS_FORMS

    extends: Id | None = Field(None, description="The vocabulary that gets these terms besides its own.")
    label: Annotated[str, StringConstraints(max_length=500)] = ""
    source: Annotated[str, StringConstraints(max_length=500)] = Field("", description="Where it was taken from.")
    notice: Annotated[str, StringConstraints(max_length=10_000)] = Field("", description="Such as its licence.")
    iri: Annotated[str, StringConstraints(max_length=500)] = Field(
        "", description="Its own IRI, where it came from elsewhere."
    )
    names: list[TaggedNameIn] = Field(
        default_factory=list, max_length=200, description="Its labels with their language."
    )
    concepts: list[ConceptIn] = Field(max_length=MOST_CONCEPTS)


class NewVocabularyIn(VocabularyFieldsIn):
    """A new vocabulary of the owner's own; with `extends`, additions to another one."""

    name: VocabularyName


class SkosQuery(QueryIn):
    """What SKOS does not say."""

    extends: str | None = Field(
        None, max_length=200, description="Of SKOS: the vocabulary that it adds to; left out: as owl:imports says."
    )


class NewSkosQuery(SkosQuery):
    """What SKOS does not say, of a new vocabulary."""

    name: str | None = Field(
        None, max_length=100, description="Of SKOS: its name; left out: the last part of the scheme's IRI."
    )


class VocabulariesQuery(PageQuery):
    """Which vocabularies to list."""

    private: bool | None = Field(None, description="true: only the owner's own; false: only those of the service.")


@describes(problems=("not-found",))
async def _vocabulary_name(name: Annotated[str, Path(json_schema_extra={"maxLength": 100})]) -> str:
    """The name in the path; what can be no name names nothing."""
    if len(name) > 100 or not name.isprintable():
        raise NotFound("vocabulary", ascii(name[:60]))
    return name


NameInPath = Annotated[str, Depends(_vocabulary_name)]


# --- answers -------------------------------------------------------------------------------------------------------------


class VocabularySummaryOut(Out):
    """A vocabulary in a list."""

    name: str
    label: str
    edition: Annotated[str, Meta(description="Of one that comes with the service.")]
    source: str
    notice: str
    size: Annotated[int, Meta(description="How many terms it has, those of the extended one left out.")]
    extends: Annotated[str | None, Meta(description="The vocabulary that it adds to.")]
    private: Annotated[bool, Meta(description="Whether it is the owner's own.")]


class AbbreviationOut(Out):
    """A short or popular name of a term."""

    text: str
    issuer: Annotated[str | None, Meta(description="The issuer that it holds for; null: everywhere.")]


class TaggedNameOut(Out):
    """A name of a term in one language."""

    text: str
    language: Annotated[str, Meta(description="A BCP 47 language tag.")]
    kind: Kind


class ConceptOut(Out):
    """One term."""

    id: str
    label: str
    broader: list[str]
    alternative_labels: list[str]
    note: str
    started: Annotated[str | None, Meta(description="The first day on which an issuer existed.")]
    ended: Annotated[str | None, Meta(description="The last day on which an issuer existed.")]
    current: bool
    matches: Annotated[list[str], Meta(description="IRIs of the same concept elsewhere (skos:exactMatch).")]
    abbreviations: list[AbbreviationOut]
    names: list[TaggedNameOut]
    iri: Annotated[str, Meta(description="Its own IRI, where it came from elsewhere.")]


class NotKeptOut(Out):
    """A property of SKOS that is not kept."""

    property: str
    count: Annotated[int, Meta(description="How many statements have it.")]


class VocabularyOut(VocabularySummaryOut, kw_only=True):
    """A vocabulary with its terms."""

    iri: Annotated[str, Meta(description="Its own IRI, where it came from elsewhere.")]
    names: Annotated[list[TaggedNameOut], Meta(description="Its labels with their language.")]
    concepts: list[ConceptOut]
    created_at: datetime | UnsetType = UNSET
    updated_at: datetime | UnsetType = UNSET
    not_kept: (
        Annotated[list[NotKeptOut], Meta(description="What was sent as SKOS and is not kept, in the answer to that.")]
        | UnsetType
    ) = UNSET


def _summary_fields(found: VocabularySummary, language: Language = _ENGLISH) -> dict[str, Any]:
    # An owner's own has its names in all languages; what is shown of it is what a change begins with.
    label = found.label if found.edition is None else language.vocabulary(found.name, found.label)
    return {
        "name": found.name,
        "label": label,
        "edition": found.edition or "",
        "source": found.source,
        "notice": found.notice,
        "size": found.size,
        "extends": found.extends,
        "private": found.edition is None,
    }


def _vocabulary_out(
    found: StoredVocabulary | ShippedVocabulary,
    not_kept: Mapping[str, int] | None = None,
    language: Language = _ENGLISH,
) -> VocabularyOut:
    in_words = language.term if isinstance(found, ShippedVocabulary) else _ENGLISH.term
    return VocabularyOut(
        **_summary_fields(found.summary, language),
        iri=found.kept.iri,
        names=_names_out(found.kept.names),
        concepts=[_concept_out(concept, in_words(found.name, concept)) for concept in found.kept.own.concepts],
        created_at=found.created_at if isinstance(found, StoredVocabulary) else UNSET,
        updated_at=found.updated_at if isinstance(found, StoredVocabulary) else UNSET,
        not_kept=UNSET if not_kept is None else [NotKeptOut(name, count) for name, count in not_kept.items()],
    )


def _names_out(names: Iterable[TaggedName]) -> list[TaggedNameOut]:
    return [TaggedNameOut(name.text, name.language, name.kind) for name in names]


def _concept_out(concept: Concept, label: str) -> ConceptOut:
    return ConceptOut(
        concept.id,
        label,
        list(concept.broader),
        list(concept.alternative_labels),
        concept.note,
        None if concept.started is None else concept.started.isoformat(),
        None if concept.ended is None else concept.ended.isoformat(),
        concept.current,
        list(concept.matches),
        [AbbreviationOut(short.text, short.issuer) for short in concept.abbreviations],
        _names_out(concept.names),
        concept.iri,
    )


def _tag(found: StoredVocabulary | ShippedVocabulary, form: str = "json", language: Language = _ENGLISH) -> str:
    if isinstance(found, StoredVocabulary):
        # One version, whichever form it was read in: a change of it follows from any.
        return entity_tag("own vocabulary", found.version, form)
    return entity_tag(reference.edition(), found.name, form, *([language.stamp] if form == "json" else []))


# --- operations ----------------------------------------------------------------------------------------------------------


@vocabularies.get("")
def list_vocabularies(
    request: Request,
    context: Context,
    owner: OptionalOwner,
    query: Annotated[VocabulariesQuery, Query()],
    language: AskedLanguage,
) -> Annotated[Reply[PageOut[VocabularySummaryOut]], Sends(headers={**NEXT_PAGE, **CONTENT_LANGUAGE})]:
    """Concept schemes: what comes with the service, and with a token the owner's own."""
    found = context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: actions.page_of_vocabularies(
                connection, owner, query.private, name_key(after, 100), limit
            ),
            lambda entry: entry.name,
            lambda entry: VocabularySummaryOut(**_summary_fields(entry, language)),
        )
    )
    return Reply(found.value, {**found.headers, **spoken(language)})


@vocabularies.get("/{name}")
def get_vocabulary(
    request: Request,
    context: Context,
    owner: OptionalOwner,
    name: NameInPath,
    known: IfNoneMatch,
    language: AskedLanguage,
) -> Annotated[Reply[VocabularyOut], Sends(media=(JSON_LD, TURTLE), headers=CONTENT_LANGUAGE)]:
    """One concept scheme; as SKOS with Accept: application/ld+json or text/turtle. The labels of one that comes with the
    service are in the language that is asked for; those of an owner's own are as they are kept, and `names` has the others."""
    found = context.database.read(lambda connection: actions.find_vocabulary(connection, owner, name))
    form = accepted(request, _FORMS)
    tag = _tag(found, form, language)
    headers = dict(spoken(language, "Accept"))
    if form != "json" or isinstance(found, StoredVocabulary):
        del headers["Content-Language"]
    if form == "json":
        return known.not_modified_or(tag, lambda: _vocabulary_out(found, language=language), headers)
    unchanged = known.not_modified(tag, headers)
    if unchanged is not None:
        return unchanged
    document = as_json_ld(found.kept, f"{base_url(request)}/v1/vocabularies")
    written = encode(document) if form == "json-ld" else as_turtle(document)
    media_type = JSON_LD if form == "json-ld" else f"{TURTLE}; charset=utf-8"
    return Reply(None, {"ETag": tag, **headers}, encoded=written, media_type=media_type)  # type: ignore[arg-type]


@vocabularies.post("", responses=problems("clash", "over-limit"))
def create_vocabulary(
    request: Request,
    context: Context,
    owner: CurrentOwner,
    query: Annotated[NewSkosQuery, Query()],
    key: IdempotencyKey,
    body: Unread[NewVocabularyIn],
) -> Created[VocabularyOut]:
    """Keep a vocabulary of one's own, or additions to another one."""
    sent, not_kept = _sent(request, body, query.name, query.extends, query.name)

    def act(connection: Connection) -> Reply[VocabularyOut]:
        with _told_of(sent, not_kept):
            stored = actions.keep_vocabulary(connection, owner, _kept(sent, sent.name), context.now())
        return created(
            _vocabulary_out(stored, not_kept), f"/v1/vocabularies/{quote(stored.name, safe='')}", _tag(stored)
        )

    return key.once(context.database, owner, act)


@vocabularies.put("/{name}", responses=problems("clash", "over-limit"))
def replace_vocabulary(
    request: Request,
    context: Context,
    owner: CurrentOwner,
    name: NameInPath,
    query: Annotated[SkosQuery, Query()],
    expected: IfMatch,
    body: Unread[VocabularyFieldsIn],
) -> Tagged[VocabularyOut]:
    """Change a vocabulary of one's own."""
    refusal: SetwrightError | None = None
    try:
        # SKOS takes its time, and nobody should wait for it.
        sent, not_kept = _sent(request, body, name, query.extends, None)
    except (Invalid, InvalidQuery) as error:
        refusal = error

    def act(connection: Connection) -> Reply[VocabularyOut]:
        # Whether it is there and may be changed comes before what is wrong with the body.
        before = actions.ensure_changeable(connection, owner, name, expect=lambda now: _check(expected, now))
        if refusal is not None:
            raise refusal
        with _told_of(sent, not_kept):
            stored = actions.replace_vocabulary(connection, owner, before, _kept(sent, name), context.now())
        return tagged(_vocabulary_out(stored, not_kept), _tag(stored))

    return context.database.write(act)


@vocabularies.delete("/{name}", responses=problems("clash"))
def delete_vocabulary(context: Context, owner: CurrentOwner, name: NameInPath, expected: IfMatch) -> None:
    """Delete a vocabulary of one's own, which no draft needs and no other extends."""

    def act(connection: Connection) -> None:
        actions.ensure_changeable(connection, owner, name, expect=lambda now: _check(expected, now))
        definitions.ensure_unneeded(connection, owner, name)
        actions.delete_vocabulary(connection, owner, name)

    context.database.write(act)


def _check(expected: Any, now: StoredVocabulary) -> None:
    """Any form's tag of this version allows the change."""
    if not any(expected.allows(_tag(now, form)) for form in _FORMS):
        expected.check(_tag(now))


def _sent(
    request: Request, body: Received[M], name: str | None, extends: str | None, new_name: str | None
) -> tuple[M, Mapping[str, int] | None]:
    """The body as its model; of SKOS also what is not kept. Raises InvalidQuery where parameters for SKOS come with JSON."""
    if body.kind not in (JSON_LD, TURTLE):
        refuse_beside_json(name=new_name, extends=extends)
        return body.read(), None
    found = read_skos(body.kind, body.raw, body.value, f"{base_url(request)}/v1/vocabularies", name)
    fields = dict(found.fields)
    told = fields.pop("name")
    if "name" in body.model.model_fields:
        fields["name"] = told if new_name is None else new_name
    if extends is not None:
        fields["extends"] = extends
    try:
        return read(body.model, fields), found.not_kept
    except Invalid as refusal:
        raise Invalid([_of_skos(fault, fields) for fault in refusal.faults]) from None


@contextmanager
def _told_of(sent: In, not_kept: Mapping[str, int] | None) -> Iterator[None]:
    """Faults of what was sent as SKOS are told of the concept."""
    try:
        yield
    except Invalid as refusal:
        if not_kept is None:
            raise
        raise Invalid([_of_skos(fault, sent.model_dump()) for fault in refusal.faults]) from None


def _of_skos(fault: Fault, fields: Mapping[str, Any]) -> Fault:
    """A fault of the JSON that SKOS was read as, told of the concept: the pointer would lead nowhere in what was sent."""
    steps = fault.pointer.split("/")[1:]
    if steps == ["name"]:
        hint = "send ?name=, of letters, digits, _ . and -"
        return Fault.of("skos", "the scheme's IRI gives no name: {fault}", hint=hint, fault=fault.message)
    if len(steps) < 2 or steps[0] != "concepts":
        return replace(
            fault,
            pointer="",
            message=Sentence("{path}: {fault}", path="/".join(steps), fault=fault.message) if steps else fault.message,
        )
    concept = fields["concepts"][int(steps[1])]
    return replace(
        fault,
        pointer="",
        message=Sentence(
            "of the concept '{id}', {path}: {fault}",
            id=concept["id"][:80],
            path=" ".join(steps[2:]),
            fault=fault.message,
        ),
    )


def _kept(sent: Any, name: str) -> KeptVocabulary:
    """The vocabulary that was sent. Raises Invalid."""
    faults: list[Fault] = []
    entries = [concept.model_dump(mode="json") for concept in sent.concepts]
    concepts = tuple(read_concept(entry, faults, f"/concepts/{at}") for at, entry in enumerate(entries))
    if faults:
        raise Invalid(faults)
    names = tuple(TaggedName(entry.text, entry.language, entry.kind) for entry in sent.names)
    own = OwnVocabulary(name, concepts, sent.extends, sent.label)
    return KeptVocabulary(own, sent.source, sent.notice, sent.iri, names)
