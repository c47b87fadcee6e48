"""Entity tags and conditional requests (RFC 9110, section 13): nobody undoes a change that they have not seen."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request

from service.errors import Sentence, Stale
from service.http.openapi import describes, request_header
from service.http.problems import Problem
from service.http.responses import Reply, T
from service.http.weights import LONGEST_HEADER, joined
from service.reference.languages import ENGLISH, LANGUAGES

# One entity tag, weak or strong (RFC 9110, section 8.8.3), and a list of them.
_TAG = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_ONE = re.compile(_TAG)
_LIST = re.compile(rf"[ \t]*{_TAG}(?:[ \t]*,[ \t]*{_TAG})*[ \t]*")


def entity_tag(*parts: object) -> str:
    """A strong entity tag of all that the representation follows from."""
    text = "\x1f".join(str(part) for part in parts)
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'


@dataclass(frozen=True, slots=True)
class ExpectedVersion:
    """The versions that the caller allows to be changed; None is any version (`*`)."""

    tags: Sequence[str] | None

    def allows(self, current: str) -> bool:
        """Whether the current entity tag is one of them, by strong comparison."""
        return self.tags is None or current in self.tags

    def check(self, current: str) -> None:
        """Raises Stale unless the current entity tag is one of them."""
        if not self.allows(current):
            raise Stale("it changed since you read it: read it again and send its new ETag as If-Match")


def if_match(request: Request) -> ExpectedVersion:
    """The If-Match header. Without it the change is refused (RFC 6585, section 3)."""
    header = joined(request, "if-match")
    if header is None:
        raise Problem("precondition-required", "send the ETag of the version that you read as If-Match")
    if header.strip() == "*":
        return ExpectedVersion(None)
    # A version is the same in whatever language it was read.
    return ExpectedVersion([_TOLD_IN.sub('"', tag) for tag in _tags(header, "If-Match")])


@describes(
    headers=(request_header("If-Match", "The ETag of the version that you read.", required=True),),
    problems=("bad-request", "stale", "precondition-required"),
)
async def _if_match(request: Request) -> ExpectedVersion:
    return if_match(request)


@dataclass(frozen=True, slots=True)
class KnownVersions:
    """The versions that the caller has already (If-None-Match). Read when it is asked for, so that a refusal for another reason
    comes first."""

    request: Request

    def include(self, current: str) -> bool:
        """Whether the current version is one of them, by weak comparison."""
        return is_known(self.request, current)

    def not_modified_or(self, etag: str, make: Callable[[], T], headers: Mapping[str, str] | None = None) -> Reply[T]:
        """304 when the caller has this version, else what `make` returns with its entity tag."""
        return self.not_modified(etag, headers) or Reply(make(), {"ETag": etag, **(headers or {})})

    def not_modified(self, etag: str, headers: Mapping[str, str] | None = None) -> Reply[Any] | None:
        """304 when the caller has this version: for what takes long to make."""
        return Reply(None, {"ETag": etag, **(headers or {})}, 304) if self.include(etag) else None


@describes(
    headers=(
        request_header("If-None-Match", "ETags of versions that you have; the current one among them gives 304."),
    ),
    problems=("bad-request",),
    not_modified=True,
)
async def _if_none_match(request: Request) -> KnownVersions:
    return KnownVersions(request)


IfMatch = Annotated[ExpectedVersion, Depends(_if_match)]
IfNoneMatch = Annotated[KnownVersions, Depends(_if_none_match)]


def is_known(request: Request, current: str) -> bool:
    """Whether the caller has the current version already, by If-None-Match and weak comparison."""
    header = joined(request, "if-none-match")
    return header is not None and names(header, current)


def names(header: str, current: str) -> bool:
    """Whether an If-None-Match header names the current version, by weak comparison."""
    return (
        header == current
        or header.strip() == "*"
        or current in (tag.removeprefix("W/") for tag in _tags(header, "If-None-Match"))
    )


def _tags(header: str, name: str) -> list[str]:
    if len(header) > LONGEST_HEADER or _LIST.fullmatch(header) is None:
        raise Problem(
            "bad-request",
            Sentence('the header {name} takes entity tags in double quotes, such as "abc", or *', name=name),
        )
    return [_CODED.sub('"', tag) for tag in _ONE.findall(header)]


# --- languages -----------------------------------------------------------------------------------------------------------

# What is added to the entity tag of a version that can be changed, when it is told in another language than English.
_TOLD_IN = re.compile(rf'-(?:{"|".join(LANGUAGES)})"$')


def told_tag(tag: str, language: str) -> str:
    """The entity tag of a version, as it is told in a language: If-Match takes each of them."""
    return tag if language == ENGLISH else f'{tag[:-1]}-{language}"'


# --- codings -------------------------------------------------------------------------------------------------------------

# What is added to the entity tag of an answer in a coding (compression.py).
_CODED = re.compile(r'-(?:zstd|br|gzip)"$')


def coded_tag(tag: str, coding: str) -> str:
    """The entity tag of an answer in a coding. A weak one is of all codings (RFC 9110, section 8.8.1)."""
    return tag if tag.startswith("W/") else f'{tag[:-1]}-{coding}"'


def tag_as_sent(headers: Iterable[tuple[bytes, bytes]], tag: str) -> str:
    """Of a version that the caller has already, the tag by which If-None-Match names it: that of the coding that it has."""
    for name, value in headers:
        if name == b"if-none-match":
            for sent in _ONE.findall(value.decode("latin-1")):
                strong = str(sent).removeprefix("W/")
                if _CODED.sub('"', strong) == tag:
                    return strong
    return tag
