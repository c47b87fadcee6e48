"""Answers that come in several forms: JSON, or a text that the caller asks for (RFC 9110, section 12.5.1)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic

from fastapi import Request

from service.http.conditional import accepted
from service.http.responses import Reply, T

_JSON = "json"


@dataclass(frozen=True, slots=True)
class TextForm(Generic[T]):
    """A form besides JSON: its media type, and how a value is written in it."""

    media_type: str
    write: Callable[[T], str]


class Forms(Generic[T]):
    """The forms of one answer, by the names that `format` in the query takes; `json` is always one of them."""

    def __init__(self, **texts: TextForm[T]) -> None:
        self._texts: Mapping[str, TextForm[T]] = texts
        self._media = {_JSON: "application/json", **{name: form.media_type for name, form in texts.items()}}

    @property
    def media(self) -> tuple[str, ...]:
        """The media types besides JSON."""
        return tuple(form.media_type for form in self._texts.values())

    def chosen(self, request: Request, named: str | None) -> str:
        """The form that the query names, else the one that the Accept header prefers."""
        return named or accepted(request, self._media)

    def reply(self, value: T, form: str, etag: str) -> Reply[T]:
        """The value in a form."""
        headers = {"ETag": etag, "Vary": "Accept"}
        if form == _JSON:
            return Reply(value, headers)
        text = self._texts[form]
        media_type = f"{text.media_type}; charset=utf-8"
        return Reply(value, headers, encoded=text.write(value).encode(), media_type=media_type)
