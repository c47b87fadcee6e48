"""The tree of errors that a caller can act on. No HTTP in it.

    SetwrightError
    ├── Invalid                 the input is not valid; carries every fault
    │   ├── OverLimit           it exceeds a limit; names the limit
    │   ├── InvalidQuery        a parameter beside the body is not valid
    │   ├── Unreadable          the bytes cannot be read exactly
    │   └── Unsound             a definition that must not be published as it is
    ├── TooHeavy                it cannot be worked out within the limits of one request; names the limit
    ├── NotFound                there is no such thing, or it is another owner's
    ├── Conflict                it exists already, or its state does not allow the change
    │   ├── StateMismatch       the holdings have left the state that was named
    │   └── UnknownState        this history does not contain that state
    ├── Stale                   it changed since the caller read it
    ├── NotAuthenticated        no valid token
    ├── Forbidden               the caller is known and may not do this
    ├── FetchError              what another server did not deliver
    │   ├── AddressNotAllowed   the address is not one that may be fetched
    │   ├── FetchFailed         no host, no connection, or no answer as it should be
    │   ├── FetchRedirected     the address leads elsewhere
    │   ├── FetchTooLarge       the answer exceeds the limit
    │   ├── FetchTooSlow        the answer took too long
    │   ├── FetchUnreadable     the answer is no document that can be read
    │   └── DigestMismatch      the answer is another document than was named
    └── Busy                    too much at once; try again later
        ├── RateLimited         too many failed attempts; try again later
        ├── QuotaExceeded       this caller asks for more than one may
        └── AskedTooSoon        an origin is left alone for a while after a failure

`code` is the published name of the problem (the last step of a problem document's type).

A fault says what is wrong in the user's words, where (a JSON pointer, RFC 6901,
and for rule text a line and a column, both counted from 1), and what would be
right.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, TypeAlias


class Sentence(str):
    """What people are told, as English text, which knows how it was made: `sentence` has the names of `parts` in braces where
    these go in. So it can be told in another language (service/reference/languages), and so can parts that are sentences
    themselves; other parts are figures, names and what the caller wrote. A sentence without parts is taken as it is.

    An answer takes plain text: `str(sentence)`, or what a language tells of it."""

    sentence: str
    parts: Mapping[str, object]

    def __new__(cls, sentence: str, /, **parts: object) -> Sentence:
        if isinstance(sentence, Sentence) and not parts:
            return sentence
        made = super().__new__(cls, sentence.format_map(parts) if parts else sentence)
        made.sentence, made.parts = str(sentence), parts
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str], dict[str, object]]:
        return (self.sentence,), dict(self.parts)


def plain(value: object) -> str:
    """For encoders of JSON (`enc_hook`), which take no kind of text but text itself. Raises NotImplementedError for all else."""
    if isinstance(value, Sentence):
        return str(value)
    raise NotImplementedError(f"there is no JSON for {type(value).__name__}")


def chained(sentence: str, texts: Iterable[str]) -> Sentence:
    """Several as one, by a sentence of a `first` and a `last`: "a or b or c"; of none the empty one."""
    made: Sentence | None = None
    for text in texts:
        made = Sentence(text) if made is None else Sentence(sentence, first=made, last=text)
    return Sentence("") if made is None else made


def listed(texts: Iterable[str]) -> Sentence:
    """Sentences one after the other."""
    return chained("{first}; {last}", texts)


Tell: TypeAlias = Callable[[str], str]
"""How people are told of a text: `str` in English, `Language.refusal` in another language."""


def recognised(text: str, sentences: Iterable[str]) -> Sentence:
    """What a library says, as the first of these sentences that it fits, with what stands for the parts; else as it is."""
    for sentence in sentences:
        pieces = re.split(r"\{(\w+)\}", sentence)
        pattern = "".join(f"(?P<{piece}>.+)" if at % 2 else re.escape(piece) for at, piece in enumerate(pieces))
        found = re.fullmatch(pattern, text, re.DOTALL)
        if found is not None:
            return Sentence(sentence, **found.groupdict())
    return Sentence(text)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with what was sent. Message and hint are sentences, whatever they are given as."""

    code: str
    message: str
    pointer: str = ""
    hint: str | None = None
    line: int | None = None
    column: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "message", Sentence(self.message))
        object.__setattr__(self, "hint", None if self.hint is None else Sentence(self.hint))

    @classmethod
    def of(cls, code: str, sentence: str, /, pointer: str = "", hint: str | None = None, **parts: object) -> Fault:
        """A fault whose message is the sentence with the parts put in."""
        return cls(code, Sentence(sentence, **parts), pointer, hint)

    def under(self, prefix: str) -> Fault:
        """The same fault, seen from a document in which `prefix` leads here."""
        return replace(self, pointer=prefix + self.pointer)

    def as_json(self) -> dict[str, object]:
        """The fault as it stands in a problem document, in English; absent parts are left out."""
        parts = {
            "code": self.code,
            "message": str(self.message),
            "pointer": self.pointer,
            "hint": None if self.hint is None else str(self.hint),
            "line": self.line,
            "column": self.column,
        }
        return {name: part for name, part in parts.items() if part is not None}


class SetwrightError(Exception):
    """Root of everything a caller can act on.

    `told` is what people are told, from a sentence and its parts."""

    code: ClassVar[str]

    def __init__(self, sentence: str = "", /, **parts: object) -> None:
        self.told = Sentence(sentence, **parts)
        super().__init__(self.told)

    def __reduce__(self) -> tuple[Any, ...]:
        # It passes between processes whole, whatever its class is made of.
        return _made_again, (type(self), self.args, self.__dict__)


def _made_again(kind: type[SetwrightError], arguments: tuple[Any, ...], state: dict[str, Any]) -> SetwrightError:
    error = kind.__new__(kind)
    error.args = arguments
    error.__dict__.update(state)
    return error


class Invalid(SetwrightError):
    """The input is not valid. `faults` holds all that was found, in document order; `detail` sums them up where there is
    more to say than the first of them does."""

    code = "invalid"

    def __init__(self, faults: Iterable[Fault], detail: str | None = None) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        self.detail = None if detail is None else Sentence(detail)
        super().__init__("; ".join(fault.message for fault in self.faults))

    @property
    def summary(self) -> Sentence:
        """The detail, else the one fault, else how many there are."""
        if self.detail is not None:
            return self.detail
        return Sentence(self.faults[0].message) if len(self.faults) == 1 else several(len(self.faults))

    def under(self, prefix: str) -> Invalid:
        """The same refusal, seen from a document in which `prefix` leads here."""
        return type(self)((fault.under(prefix) for fault in self.faults), self.detail)


class OverLimit(Invalid):
    """A limit is exceeded that the message names."""

    code = "over-limit"


class InvalidQuery(Invalid):
    """A parameter that is given beside the body (a filter, an order, a mapping of columns) is not valid."""

    code = "invalid-query"


def several(count: int) -> Sentence:
    """What sums up more than one fault."""
    return Sentence("{count} errors; see `errors`", count=count)


class Unreadable(Invalid):
    """The bytes cannot be read, or two readers could read them differently."""

    code = "unreadable-body"

    def __init__(self, faults: Iterable[Fault], detail: str | None = None) -> None:
        found = tuple(faults)
        super().__init__(found, detail or (several(len(found)) if len(found) > 1 else None))


class Unsound(Invalid):
    """The check of a definition found what must not be published."""

    code = "unsound"


class TooHeavy(SetwrightError):
    """What is asked for cannot be worked out within a limit of one request.

    `doing` says what was being done ("evaluating the set"), `limit` names the limit ("the 30 seconds that a request may
    take"), `sizes` are the sizes that make it heavy, by what is counted ("coins"), and `remedy` says what would help."""

    code = "too-heavy"

    def __init__(self, doing: str, limit: str, sizes: Mapping[str, int] | None = None, remedy: str = "") -> None:
        self.doing, self.limit, self.sizes, self.remedy = Sentence(doing), Sentence(limit), dict(sizes or {}), remedy
        counted = chained(
            "{first}, {last}",
            (Sentence("{count:,} {what}", count=count, what=Sentence(what)) for what, count in self.sizes.items()),
        )
        parts = {"doing": self.doing, "limit": self.limit}
        told = (
            Sentence("{doing} ({counted}) exceeds {limit}", counted=counted, **parts)
            if counted
            else Sentence("{doing} exceeds {limit}", **parts)
        )
        super().__init__(listed([told, Sentence(remedy)]) if remedy else told)


class NotFound(SetwrightError):
    """There is no such thing, or it is another owner's."""

    code = "not-found"

    def __init__(self, kind: str, key: str) -> None:
        self.kind, self.key = kind, key
        super().__init__("there is no {kind} '{key}'", kind=Sentence(kind), key=key)


class Conflict(SetwrightError):
    """It exists already, or its state does not allow the change."""

    code = "clash"


class StateMismatch(Conflict):
    """The holdings have left the state that the caller named."""

    code = "state-mismatch"


class UnknownState(Conflict):
    """The state that the caller named is none of this history."""

    code = "cannot-calculate-changes"


class Stale(SetwrightError):
    """It changed since the caller read it."""

    code = "stale"


class NotAuthenticated(SetwrightError):
    """No valid token."""

    code = "unwelcome"


class Forbidden(SetwrightError):
    """The caller is known, or tried to log in, and may not do this."""

    code = "forbidden"


class FetchError(SetwrightError):
    """Another server did not deliver what was asked of it. `faults` say more where what it sent cannot be read."""

    code = "fetch-failed"

    def __init__(self, sentence: str, /, faults: Iterable[Fault] = (), **parts: object) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__(sentence, **parts)


class AddressNotAllowed(FetchError):
    """The address is not one that the service fetches."""

    code = "address-not-allowed"


class FetchFailed(FetchError):
    """There is no such host, no connection, or no answer as it should be."""

    code = "fetch-failed"


class FetchRedirected(FetchError):
    """The address leads elsewhere."""

    code = "fetch-redirected"


class FetchTooLarge(FetchError):
    """The answer exceeds the limit of bytes."""

    code = "fetch-too-large"


class FetchTooSlow(FetchError):
    """The answer was not there in time."""

    code = "fetch-too-slow"


class FetchUnreadable(FetchError):
    """The answer is no document that can be read exactly."""

    code = "fetch-unreadable"


class DigestMismatch(FetchError):
    """The document is another one than was named."""

    code = "digest-mismatch"


class Busy(SetwrightError):
    """Too much at once; the caller may try again after `retry_after_seconds`."""

    code = "busy"

    def __init__(self, sentence: str, /, retry_after_seconds: int = 1, **parts: object) -> None:
        self.retry_after_seconds = retry_after_seconds
        super().__init__(sentence, **parts)


class RateLimited(Busy):
    """Too many failed attempts from here or under this name; not even the right one is looked at until the time is over."""

    code = "too-many-attempts"


class QuotaExceeded(Busy):
    """The caller asked for more, in a while or at once, than one caller may; others are served."""

    code = "rate-limited"


class AskedTooSoon(Busy):
    """The origin did not answer as it should lately, and is asked again after `retry_after_seconds`."""

    code = "asked-too-soon"
