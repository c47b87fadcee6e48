"""Making answers: plain values encoded once, and answers that are the same when a request is sent again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec
from fastapi import Request
from starlette.responses import Response

from service.http.conditional import is_known

# Large answers do not go through response models, which cost 15-87 times the bare route (performance.md).
_ENCODER = msgspec.json.Encoder(decimal_format="number")

# What an owner keeps is shown to that owner only, and asked for again each time.
_PRIVATE = {"Cache-Control": "private, no-cache"}


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer before it is sent; `value` None is an empty body."""

    value: Any
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    media_type: str = "application/json"

    def response(self) -> Response:
        body = b"" if self.value is None else _ENCODER.encode(self.value)
        media_type = None if self.value is None else self.media_type
        return Response(body, self.status, {**_PRIVATE, **self.headers}, media_type)


def not_modified_or(request: Request, tag: str, make: Callable[[], Answer]) -> Response:
    """304 when the caller has this version, else the answer with its entity tag."""
    if is_known(request, tag):
        return Response(status_code=304, headers={**_PRIVATE, "ETag": tag})
    answer = make()
    return Answer(answer.value, answer.status, {**answer.headers, "ETag": tag}, answer.media_type).response()
