"""Reference data: attributes, functions, vocabularies, the schema of a definition. The catalogue: issues.py."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Request
from msgspec import Meta
from starlette.responses import Response

from service.facts.attributes import Attribute
from service.facts.core_attributes import CORE
from service.facts.vocabulary import Concept, Vocabulary
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.openapi import problems, router
from service.http.problems import base_url
from service.http.responses import PRIVATE, Reply, Sends, encode
from service.http.wire import Out, PageOut
from service.reference import actions
from service.rules.document import document_schema
from service.rules.messages import MESSAGES
from service.rules.operators import FUNCTIONS, Operator

reference = router("/v1", "Reference")
_SKOS = "application/ld+json"
_VARY = {"Vary": "Accept"}


class AttributeOut(Out):
    """One thing that can be known of a coin."""

    name: str
    type: str
    many: bool
    unit: str | None
    vocabulary: str | None
    low: int | None
    high: int | None
    label: str
    help: str
    look_at: Annotated[str, Meta(description="Where to look on the coin to find out.")]
    source: str
    values: list[str]
    synonyms: dict[str, str]


class FunctionOut(Out):
    """One function of the rule language."""

    name: str
    signature: str
    meaning: str
    example: str


class SentenceOut(Out):
    """The sentence of a kind of message."""

    code: str
    sentence: Annotated[
        str,
        Meta(
            description="With the parts in braces. `{coins:and}`: the entries of a list, joined by this word (or `,` or `;`); "
            "`{count:place|places}`: the number with the first word for one, the second for any other."
        ),
    ]


class VocabularySummaryOut(Out):
    """A vocabulary in a list."""

    name: str
    label: str
    edition: str
    source: str
    notice: str
    size: int


class AbbreviationOut(Out):
    """A short or popular name of a term."""

    text: str
    issuer: Annotated[str | None, Meta(description="The issuer that it holds for; null: everywhere.")]


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
    matches: list[str]
    abbreviations: list[AbbreviationOut]


class VocabularyOut(VocabularySummaryOut):
    """A vocabulary with its terms."""

    concepts: list[ConceptOut]


class CompleteOut(Out):
    """What the shipped catalogue has every piece of."""

    issuer: str
    denomination: str
    first: Annotated[int, Meta(description="The first year on coins.")]
    last: Annotated[int | None, Meta(description="The last year on coins; null: and since.")]


def _attribute_out(attribute: Attribute) -> AttributeOut:
    names = ("name", "type", "many", "unit", "vocabulary", "low", "high", "label", "help", "look_at", "source")
    plain = {name: getattr(attribute, name) for name in names}
    return AttributeOut(**plain, values=list(attribute.values), synonyms=dict(attribute.synonyms))


def _function_out(operator: Operator) -> FunctionOut:
    return FunctionOut(operator.name, operator.signature, operator.meaning, operator.example)


def _summary(scheme: Vocabulary) -> dict[str, Any]:
    names = ("name", "label", "edition", "source", "notice")
    return {**{name: getattr(scheme, name) for name in names}, "size": len(scheme.concepts)}


def _concept_out(concept: Concept) -> ConceptOut:
    return ConceptOut(
        concept.id,
        concept.label,
        list(concept.broader),
        list(concept.alternative_labels),
        concept.note,
        None if concept.started is None else concept.started.isoformat(),
        None if concept.ended is None else concept.ended.isoformat(),
        concept.current,
        list(concept.matches),
        [AbbreviationOut(short.text, short.issuer) for short in concept.abbreviations],
    )


@reference.get("/attributes")
async def list_attributes() -> PageOut[AttributeOut]:
    """What can be known of a coin."""
    return PageOut([_attribute_out(entry) for entry in CORE.values()], None)


@reference.get("/functions")
async def list_functions() -> PageOut[FunctionOut]:
    """Functions of the rule language."""
    return PageOut([_function_out(entry) for entry in FUNCTIONS], None)


@reference.get("/messages")
async def list_messages() -> PageOut[SentenceOut]:
    """The sentences of all messages, for a client that words them in another language."""
    return PageOut([SentenceOut(code, sentence) for code, sentence in MESSAGES.items()], None)


@reference.get("/vocabularies")
def list_vocabularies() -> PageOut[VocabularySummaryOut]:
    """Concept schemes."""
    schemes = actions.vocabularies().values()
    return PageOut([VocabularySummaryOut(**_summary(scheme)) for scheme in schemes], None)


@reference.get("/vocabularies/{name}", responses=problems("not-found"))
def get_vocabulary(
    request: Request, name: str, known: IfNoneMatch
) -> Annotated[Reply[VocabularyOut], Sends(media=(_SKOS,))]:
    """One concept scheme; as SKOS with Accept: application/ld+json."""
    scheme = actions.vocabulary(name)
    skos = _SKOS in request.headers.get("accept", "")
    tag = entity_tag(actions.edition(), name, skos)
    if skos:
        address = f"{base_url(request)}/v1/vocabularies/{name}"
        unchanged = known.not_modified(tag)
        if unchanged is not None:
            return unchanged
        skos_json = encode(as_skos(scheme, address))
        return Reply(None, {"ETag": tag, **_VARY}, encoded=skos_json, media_type=_SKOS)  # type: ignore[arg-type]
    concepts = [_concept_out(concept) for concept in scheme.concepts.values()]
    return known.not_modified_or(tag, lambda: VocabularyOut(**_summary(scheme), concepts=concepts), _VARY)


@reference.get("/catalogue/complete")
def list_complete() -> PageOut[CompleteOut]:
    """For which issuers, denominations and years on coins the shipped catalogue is complete. Patterns, errors of the mint and
    proofs in other metals are not meant."""
    spans = actions.complete()
    return PageOut([CompleteOut(span.issuer, span.denomination, span.first, span.last) for span in spans], None)


@reference.get("/schemas/set-definition")
def get_definition_schema(request: Request) -> Annotated[Response, Sends(media=("application/schema+json",))]:
    """The JSON Schema of a set definition."""
    return Response(
        encode(document_schema(f"{base_url(request)}/v1/schemas/set-definition")),
        200,
        PRIVATE,
        "application/schema+json",
    )


def as_skos(vocabulary: Vocabulary, address: str) -> dict[str, Any]:
    """The scheme as JSON-LD in SKOS (W3C Recommendation, 18 August 2009). Terms are fragments of the scheme's
    address."""
    scheme: Mapping[str, Any] = {
        "@id": address,
        "@type": "skos:ConceptScheme",
        "skos:prefLabel": vocabulary.label or vocabulary.name,
        "skos:note": vocabulary.notice,
        "skos:hasTopConcept": [_term(address, c.id) for c in vocabulary.concepts.values() if not c.broader],
    }
    return {
        "@context": {"skos": "http://www.w3.org/2004/02/skos/core#"},
        "@graph": [scheme, *(_skos_concept(concept, address) for concept in vocabulary.concepts.values())],
    }


def _skos_concept(concept: Concept, address: str) -> dict[str, Any]:
    parts = {
        "skos:broader": [_term(address, upper) for upper in concept.broader],
        "skos:altLabel": list(concept.alternative_labels),
        "skos:hiddenLabel": [short.text for short in concept.abbreviations if short.issuer is None],
        "skos:note": concept.note,
    }
    return {
        **_term(address, concept.id),
        "@type": "skos:Concept",
        "skos:notation": concept.id,
        "skos:prefLabel": concept.label,
        "skos:inScheme": {"@id": address},
        **{name: part for name, part in parts.items() if part},
    }


def _term(address: str, identity: str) -> dict[str, str]:
    # Terms such as "half crown" are no IRIs as they stand.
    return {"@id": f"{address}#{quote(identity, safe='')}"}
