"""Answers that come in several forms: JSON, or a text that the caller asks for (RFC 9110, section 12.5.1)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic

from fastapi import Request

from service.http.languages import IN_ENGLISH, spoken
from service.http.responses import Reply, T
from service.http.weights import joined, weights
from service.reference.languages import Language

JSON, PAGE = "json", "html"


@dataclass(frozen=True, slots=True)
class TextForm(Generic[T]):
    """A form besides JSON: its media type, and how a value is written in it. `policy`: its Content-Security-Policy, where it is
    another one than that of all pages."""

    media_type: str
    write: Callable[[T], str]
    policy: Callable[[], str] | None = None


class Forms(Generic[T]):
    """The forms of one answer, by the names that `format` in the query takes; `json` is always one of them."""

    def __init__(self, **texts: TextForm[T]) -> None:
        self._texts: Mapping[str, TextForm[T]] = texts
        self._media = {JSON: "application/json", **{name: form.media_type for name, form in texts.items()}}

    @property
    def media(self) -> tuple[str, ...]:
        """The media types besides JSON."""
        return tuple(form.media_type for form in self._texts.values())

    def chosen(self, request: Request, named: str | None) -> str:
        """The form that the query names, else the one that the Accept header prefers."""
        return named or accepted(request, self._media)

    def reply(self, value: T, form: str, etag: str | None = None, language: Language | None = None) -> Reply[T]:
        """The value in a form; what is answered to a POST has no version. `language`: that of a page, where it was chosen."""
        headers = {"Vary": "Accept"} if language is None or form != PAGE else dict(spoken(language, "Accept"))
        headers |= {} if etag is None else {"ETag": etag}
        if form == JSON:
            return Reply(value, headers)
        text = self._texts[form]
        media_type = f"{text.media_type}; charset=utf-8"
        if text.policy is not None:
            headers["Content-Security-Policy"] = text.policy()
        return Reply(value, headers, encoded=text.write(value).encode(), media_type=media_type)


def of_form(language: Language, form: str) -> Language:
    """Of answers in several forms pages are in the language that was asked for, all else in English."""
    return language if form == PAGE else IN_ENGLISH


def accepted(request: Request, forms: Mapping[str, str]) -> str:
    """Which of the forms (name to media type) the Accept header prefers (RFC 9110, section 12.5.1): the greatest weight, among
    equals the first of the forms. The first where there is no header, or none of them is welcome: a form that was not asked
    for serves better than none."""
    ranges = weights(joined(request, "accept") or "*/*")
    best, most = next(iter(forms)), 0.0
    for name, media_type in forms.items():
        # The most specific range that speaks of the form decides.
        spoken = (media_type, f"{media_type.split('/')[0]}/*", "*/*")
        weight = next((ranges[kind] for kind in spoken if kind in ranges), 0.0)
        if weight > most:
            best, most = name, weight
    return best
