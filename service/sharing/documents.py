"""Documents from elsewhere: what an address answered, read strictly, its digest verified."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.errors import DigestMismatch, Fault, FetchUnreadable, Invalid, Sentence
from service.fetch.client import Fetched
from service.formats.strict_json import YAML, parse_json, parse_yaml
from service.reference.actions import SentDocument
from service.rules.definition import Definition

# As of bodies in YAML that are sent (http/request_body.py).
_SHORT_BYTES = 8 * 1024


def read_fetched(fetched: Fetched) -> SentDocument:
    """What an address answered: a share, as this service answers for a link, or a set definition by itself. Raises
    FetchUnreadable."""
    parse: Callable[[bytes], Any] = parse_yaml if fetched.kind == YAML else parse_json
    try:
        value = parse(fetched.content or b"")
    except Invalid as refusal:
        raise FetchUnreadable(refusal.summary, refusal.faults) from None
    if isinstance(value, dict) and "format" in value:
        return SentDocument(value)
    if not isinstance(value, dict) or not isinstance(value.get("document"), dict):
        raise FetchUnreadable("it is neither a share nor a set definition")
    digest, revision, newest = (value.get(name) for name in ("digest", "revision", "newest_revision"))
    if not isinstance(digest, str) or not _is_number(revision):
        raise FetchUnreadable("a share has a `digest` and a `revision`")
    return SentDocument(value["document"], "/document", digest, revision, newest if _is_number(newest) else revision)


def definition_of(sent: SentDocument, expected: str | None = None) -> Definition:
    """The document, read. Raises Invalid with pointers into what was sent; DigestMismatch if its digest is not the one that the
    share names, or the expected one."""
    definition = sent.definition()
    found = Sentence("the document has the digest {digest}", digest=definition.digest)
    if sent.digest is not None and sent.digest != definition.digest:
        raise DigestMismatch(Sentence("{found}, the link says another", found=found))
    if expected is not None and expected != definition.digest:
        raise DigestMismatch(
            Sentence("{found}, you say another", found=found),
            [Fault.of("digest-mismatch", "you say {expected}", "/digest", expected=expected)],
        )
    return definition


def is_read_quickly(fetched: Fetched) -> bool:
    """Whether it is so short that reading it takes a moment in a thread; a megabyte of YAML takes most of a minute."""
    return len(fetched.content or b"") <= _SHORT_BYTES


def _is_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value < 2**31
