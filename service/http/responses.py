"""Answers: a typed value, encoded once, with its status and headers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sized
from dataclasses import dataclass, field
from typing import Annotated, Any, Generic, TypeVar

import msgspec
from starlette.responses import Response

from service.errors import plain
from service.http.wire import PageOut

# What an owner keeps is shown to that owner only, and asked for again each time.
PRIVATE = {"Cache-Control": "private, no-cache"}
# A secret is to be kept nowhere on its way (RFC 6749, section 5.1).
NO_STORE = {"Cache-Control": "no-store"}
# Large answers do not go through response models, which cost 15-87 times the bare route (performance.md).
ENCODER = msgspec.json.Encoder(decimal_format="number", enc_hook=plain)
# So many entries are encoded in one call.
_PORTION = 2_000

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sends:
    """What an answer has besides its value, as the document tells it: the status, headers with their meaning, and media types
    that it may come in besides JSON (or instead of it, where the annotation is Response)."""

    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    media: tuple[str, ...] = ()
    meaning: str = "The answer."


@dataclass(frozen=True, slots=True)
class Reply(Generic[T]):
    """An answer before it is sent. `status` None: the operation's own. `encoded`: the body where it is not the value's JSON
    that is to be made now, in `media_type`."""

    value: T
    headers: Mapping[str, str] = field(default_factory=dict)
    status: int | None = None
    encoded: bytes | None = None
    media_type: str = "application/json"

    def response(self, status: int = 200) -> Response:
        code = self.status or status
        body = self.encoded if self.encoded is not None else encode(self.value)
        media_type = self.media_type if body and code not in (204, 304) else None
        return Response(body, code, {**PRIVATE, **self.headers}, media_type)


VERSION = {"ETag": "The version, for If-Match."}
NEXT_PAGE = {"Link": "The next page, with rel=next."}
# Return annotations: what the answer has besides its value.
Tagged = Annotated[Reply[T], Sends(headers=VERSION)]
Created = Annotated[Reply[T], Sends(201, headers={**VERSION, "Location": "Where it is kept."})]
Paged = Annotated[Reply[PageOut[T]], Sends(headers=NEXT_PAGE)]


# An answer with a secret in it, shown this once.
WithSecret = Annotated[Reply[T], Sends(201)]


def with_secret(value: T, *, status: int = 201, headers: Mapping[str, str] | None = None) -> Reply[T]:
    """A value with a secret in it, usually of a thing that is new."""
    return Reply(value, {**NO_STORE, **(headers or {})}, status)


def tagged(value: T, etag: str) -> Reply[T]:
    """A value with its version."""
    return Reply(value, {"ETag": etag})


def created(value: T, location: str, etag: str) -> Reply[T]:
    """A thing that is new, with its address and version."""
    return Reply(value, {"ETag": etag, "Location": location}, 201)


def respond(result: Any, status: int | None) -> Response:
    """The response to what an operation returns: a `Response`, a `Reply`, a value, or None for an empty body."""
    if isinstance(result, Response):
        return result
    if result is None:
        return Response(b"", status or 204, PRIVATE)
    reply = result if isinstance(result, Reply) else Reply(result)
    return reply.response(status or 200)


def encode(value: Any) -> bytes:
    """The JSON of an answer; nothing for None."""
    return b"" if value is None else ENCODER.encode(_in_portions(value))


def _in_portions(value: Any) -> Any:
    """The same with its long lists and tables encoded already: no other request gets its turn during one call of the encoder,
    and 20 MB take it longer than anybody should wait."""
    if not isinstance(value, msgspec.Struct):
        return value
    members = {name: getattr(value, name) for name in value.__struct_fields__}
    long = {name: _raw(member) for name, member in members.items() if _is_long(member)}
    return msgspec.structs.replace(value, **long) if long else value


def _is_long(member: Any) -> bool:
    return type(member) in (list, dict) and len(member) > _PORTION


def _raw(member: list[Any] | dict[str, Any]) -> msgspec.Raw:
    if isinstance(member, dict):
        keys, ends = list(member), b"{}"
        portions: Iterator[Any] = ({key: member[key] for key in keys[at : at + _PORTION]} for at in _starts(member))
    else:
        ends, portions = b"[]", (member[at : at + _PORTION] for at in _starts(member))
    pieces = [ends[:1]]
    for portion in portions:
        pieces += ENCODER.encode(portion)[1:-1], b","
    pieces[-1] = ends[1:]
    return msgspec.Raw(b"".join(pieces))


def _starts(member: Sized) -> range:
    return range(0, len(member), _PORTION)
