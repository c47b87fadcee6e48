"""In which language an answer has what people read (RFC 9110, section 12.5.4)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from fastapi import Depends, Request

from service.http.openapi import describes, request_header
from service.http.weights import preferred_language
from service.reference.languages import ENGLISH, LANGUAGES, Language
from service.reference.languages import language as language_of

IN_ENGLISH = language_of(ENGLISH)
CONTENT_LANGUAGE = {"Content-Language": "The language of the labels and sentences that come with the service."}


@describes(
    headers=(
        request_header(
            "Accept-Language",
            f"In which language to answer labels and sentences: one of {', '.join(LANGUAGES)}; left out: en.",
        ),
    )
)
async def _asked_language(request: Request) -> Language:
    return preferred_language(request)


AskedLanguage = Annotated[Language, Depends(_asked_language)]


def stamped(language: Language) -> tuple[str, ...]:
    """What an entity tag has besides for an answer in this language; nothing in English."""
    return (language.stamp,) if language.stamp else ()


def spoken(language: Language, *varies: str) -> Mapping[str, str]:
    """The headers of an answer in this language; `varies`: the names of other headers that it follows from."""
    return {"Content-Language": language.tag, "Vary": ", ".join([*varies, "Accept-Language"])}
