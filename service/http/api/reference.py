"""Reference data: attributes, functions, the schema of a definition. The catalogue: issues.py; terms: vocabularies.py."""

from __future__ import annotations

from typing import Annotated

from fastapi import Request
from msgspec import Meta
from starlette.responses import Response

from service.facts.attributes import Attribute
from service.facts.core_attributes import CORE
from service.http.dependencies import Visitor
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import router
from service.http.problems import base_url
from service.http.responses import PRIVATE, Reply, Sends, T, encode
from service.http.wire import Out, PageOut
from service.reference import actions
from service.reference.languages import Language
from service.rules.document import document_schema
from service.rules.messages import MESSAGES
from service.rules.operators import FUNCTIONS, Operator

reference = router("/v1", "Reference")
Spoken = Annotated[Reply[T], Sends(headers=CONTENT_LANGUAGE)]


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
    value_labels: Annotated[dict[str, str], Meta(description="What each of `values` is called.")]
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


class CompleteOut(Out):
    """What the shipped catalogue has every piece of."""

    issuer: str
    denomination: str
    first: Annotated[int, Meta(description="The first year on coins.")]
    last: Annotated[int | None, Meta(description="The last year on coins; null: and since.")]


def _attribute_out(attribute: Attribute, language: Language) -> AttributeOut:
    plain = {
        name: getattr(attribute, name)
        for name in ("name", "type", "many", "unit", "vocabulary", "low", "high", "source")
    }
    return AttributeOut(
        **plain,
        label=language.of_attribute(attribute.name, "label", attribute.label),
        help=language.of_attribute(attribute.name, "help", attribute.help),
        look_at=language.of_attribute(attribute.name, "look_at", attribute.look_at),
        values=list(attribute.values),
        value_labels={value: language.value(value) for value in attribute.values},
        synonyms=dict(attribute.synonyms),
    )


def _function_out(operator: Operator) -> FunctionOut:
    return FunctionOut(operator.name, operator.signature, operator.meaning, operator.example)


@reference.get("/attributes")
async def list_attributes(_: Visitor, language: AskedLanguage) -> Spoken[PageOut[AttributeOut]]:
    """What can be known of a coin."""
    return Reply(PageOut([_attribute_out(entry, language) for entry in CORE.values()], None), spoken(language))


@reference.get("/functions")
async def list_functions(_: Visitor) -> PageOut[FunctionOut]:
    """Functions of the rule language."""
    return PageOut([_function_out(entry) for entry in FUNCTIONS], None)


@reference.get("/messages")
async def list_messages(_: Visitor, language: AskedLanguage) -> Spoken[PageOut[SentenceOut]]:
    """The sentences of all messages, for a client that words them itself. Messages in other answers are English; their code
    and parts give the same in the language of these sentences."""
    return Reply(PageOut([SentenceOut(code, language.sentence(code)) for code in MESSAGES], None), spoken(language))


@reference.get("/catalogue/complete")
def list_complete(_: Visitor) -> PageOut[CompleteOut]:
    """For which issuers, denominations and years on coins the shipped catalogue is complete. Patterns, errors of the mint and
    proofs in other metals are not meant."""
    spans = actions.complete()
    return PageOut([CompleteOut(span.issuer, span.denomination, span.first, span.last) for span in spans], None)


@reference.get("/schemas/set-definition")
def get_definition_schema(
    request: Request, _: Visitor
) -> Annotated[Response, Sends(media=("application/schema+json",))]:
    """The JSON Schema of a set definition."""
    return Response(
        encode(document_schema(f"{base_url(request)}/v1/schemas/set-definition")),
        200,
        PRIVATE,
        "application/schema+json",
    )
