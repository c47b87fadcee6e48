"""Reference data: attributes, functions, vocabularies, the schema of a definition. The catalogue: issues.py."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.facts.core import CORE
from service.http.conditional import entity_tag
from service.http.declared import IF_NONE_MATCH, OPEN, not_modified_or, operation, with_headers
from service.http.problems import base_url
from service.http.responses import Answer
from service.http.schemas.reference import (
    AttributeListOut,
    FunctionListOut,
    VocabularyListOut,
    VocabularyOut,
    as_skos,
    shown_attribute,
    shown_concept,
    shown_function,
    shown_vocabulary,
)
from service.reference import actions as reference
from service.rules.document import json_schema
from service.rules.operators import FUNCTIONS

router = APIRouter(prefix="/v1")
_TAG = "Reference"
_SKOS = "application/ld+json"


@router.get(
    "/attributes",
    **operation("list_attributes", "What can be known of a coin", tag=_TAG, access=OPEN, answer=AttributeListOut),
)
async def attributes() -> Response:
    return Answer({"items": [shown_attribute(entry) for entry in CORE.values()], "next": None}).response()


@router.get(
    "/functions",
    **operation("list_functions", "Functions of the rule language", tag=_TAG, access=OPEN, answer=FunctionListOut),
)
async def functions() -> Response:
    return Answer({"items": [shown_function(entry) for entry in FUNCTIONS], "next": None}).response()


@router.get(
    "/vocabularies",
    **operation("list_vocabularies", "Concept schemes", tag=_TAG, access=OPEN, answer=VocabularyListOut),
)
def vocabularies() -> Response:
    schemes = reference.vocabularies().values()
    return Answer({"items": [shown_vocabulary(scheme) for scheme in schemes], "next": None}).response()


@router.get(
    "/vocabularies/{name}",
    **with_headers(
        operation(
            "get_vocabulary",
            "One concept scheme; as SKOS with Accept: application/ld+json",
            tag=_TAG,
            access=OPEN,
            answer=VocabularyOut,
            problems=["not-found", "bad-request"],
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def vocabulary(request: Request, name: str) -> Response:
    scheme = reference.vocabulary(name)
    skos = _SKOS in request.headers.get("accept", "")

    def make() -> Answer:
        if skos:
            return Answer(as_skos(scheme, f"{base_url(request)}/v1/vocabularies/{name}"), 200, _VARY, _SKOS)
        concepts = [shown_concept(concept) for concept in scheme.concepts.values()]
        return Answer({**shown_vocabulary(scheme), "concepts": concepts}, 200, _VARY)

    return not_modified_or(request, entity_tag(reference.edition(), name, skos), make)


_VARY = {"Vary": "Accept"}


@router.get(
    "/schemas/set-definition",
    **operation(
        "get_definition_schema",
        "The JSON Schema of a set definition",
        tag=_TAG,
        access=OPEN,
        answer="application/schema+json",
    ),
)
def definition_schema() -> Response:
    return Answer(json_schema(), 200, {}, "application/schema+json").response()
