"""Reading JSON and YAML strictly: what two readers could understand differently is refused, by name and place.

Against json.loads: doubled names, NaN and Infinity, text with NUL or half a surrogate pair, whole numbers past 2^53
(RFC 8259, section 6, and RFC 7493, I-JSON, section 2), numbers that cannot be kept exactly, and nesting past 64, which
is looked for by a linear scan before anything is parsed. Numbers with a point are read as Decimal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

import numpy as np

from service.errors import Fault, Invalid, Sentence, Unreadable
from service.rules.yaml_text import load_yaml

DEEPEST = 64
# Where parts of a body are judged one by one: parts nested past DEEPEST are found with their place up to here.
DEEPEST_PART = 300
LARGEST_WHOLE = 2**53
LONGEST_NUMBER = 64
LARGEST_EXPONENT = 100

JSON = "application/json"
MERGE_PATCH = "application/merge-patch+json"
YAML = "application/yaml"
CSV = "text/csv"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ODS = "application/vnd.oasis.opendocument.spreadsheet"
MULTIPART = "multipart/form-data"

_PIECE = 1 << 20

_QUOTE = ord('"')
_SUSPECT_TEXT = re.compile(rb"\\u(?:0000|[dD][89a-fA-F])")


class _Refused:
    """Stands in the parsed value where something could not be kept."""

    __slots__ = ("code", "hint", "message", "text")

    def __init__(self, code: str, message: str, text: str, hint: str | None = None) -> None:
        self.code, self.message, self.text, self.hint = code, message, text, hint


class _Doubled(dict[str, Any]):
    """An object in which a name stood more than once; `names` are those."""

    names: tuple[str, ...] = ()

    def copy(self) -> _Doubled:
        other = _Doubled(self)
        other.names = self.names
        return other


def is_declared_past(length: str, most_bytes: int) -> bool:
    """Whether a header Content-Length says more than that. What it says besides is left to whoever counts the bytes."""
    return length.isascii() and length.isdigit() and (len(length) > 18 or int(length) > most_bytes)


def parse_json(raw: bytes) -> Any:
    """The plain value of JSON text. Raises Unreadable with every fault that was found."""
    read = _parsed(raw, DEEPEST)
    if read.is_suspect:
        faults = faults_in(read.value)
        if faults:
            raise Unreadable(faults)
    return read.value


class Parts(NamedTuple):
    """A value whose parts are judged one by one. `is_sound`: `faults_in` would find nothing in any of them."""

    value: Any
    is_sound: bool


def parse_json_parts(raw: bytes) -> Parts:
    """The value of JSON text whose parts are judged one by one: what has to be refused is found by `faults_in` each part, and
    does not concern the others. Raises Unreadable for what is no JSON, or is nested past DEEPEST_PART."""
    read = _parsed(raw, DEEPEST_PART)
    return Parts(read.value, not read.is_suspect and not read.is_far and read.depth <= DEEPEST)


def faults_in(value: Any, besides: str | None = None) -> list[Fault]:
    """What has to be refused in a value of `parse_json_parts`, pointers relative to it; a member `besides` is not looked into."""
    if besides is not None and isinstance(value, dict) and besides in value:
        value = value.copy()
        value[besides] = None
    return list(_faults(value, ""))


def as_written(value: Any) -> Any:
    """A value of `parse_json_parts` that can be compared by its JSON text: what had to be refused is a list of its text."""
    if isinstance(value, _Refused):
        return [value.code, value.text]
    if isinstance(value, dict):
        again = [list(value.names)] if isinstance(value, _Doubled) else []
        members = {name: as_written(member) for name, member in value.items()}
        return [members, *again] if again else members
    return [as_written(member) for member in value] if isinstance(value, list) else value


class _Parsed(NamedTuple):
    """`is_suspect`: there may be something in the value that has to be refused; `is_far`: one of its numbers is far from 1."""

    value: Any
    is_suspect: bool
    is_far: bool
    depth: int


def _parsed(raw: bytes, most_deep: int) -> _Parsed:
    text = _decoded(raw)
    depth = deepest(raw)
    if depth > most_deep:
        sentence = "lists and objects are nested {depth} deep; the limit is {most}"
        raise Unreadable([Fault.of("too-deep", sentence, depth=depth, most=most_deep)])
    met = _Met()
    try:
        value = json.JSONDecoder(
            object_pairs_hook=met.members,
            parse_int=met.whole,
            parse_float=met.number,
            parse_constant=met.constant,
        ).decode(text)
    except json.JSONDecodeError as error:
        fault = Fault(
            "syntax",
            Sentence("this is no JSON: {why}", why=Sentence(error.msg.lower())),
            line=error.lineno,
            column=error.colno,
        )
        raise Unreadable([fault]) from None
    return _Parsed(value, met.refused or _SUSPECT_TEXT.search(raw) is not None, met.is_far, depth)


def parse_yaml(raw: bytes) -> Any:
    """The plain value of YAML text, held to the same rules as JSON."""
    text = _decoded(raw)
    try:
        value = load_yaml(text)
    except Invalid as refusal:
        raise Unreadable(refusal.faults) from None
    faults = list(_faults(value, ""))
    if faults:
        raise Unreadable(faults)
    return value


def plain_text(raw: bytes) -> str:
    """The text of a body that is no JSON, such as CSV, without a byte order mark."""
    text = _decoded(raw).removeprefix("\ufeff")
    faults = list(_text_faults(text, ""))
    if faults:
        raise Unreadable(faults)
    return text


def deepest(raw: bytes) -> int:
    """How deep brackets are nested in JSON text, strings left out. Linear in the length; nothing is parsed.

    Right up to the first place that is no JSON, which is as far as a parser gets.
    """
    # Escaped quotes go first. In a run of backslashes pairs are taken from the left, as a reader of JSON takes them.
    plain = raw.replace(b"\\\\", b"").replace(b'\\"', b"") if b"\\" in raw else raw
    depth = most = quotes = 0
    # In pieces, so that the sums never take more memory than the body, and other threads get their turns.
    for start in range(0, len(plain), _PIECE):
        codes = np.frombuffer(plain, np.uint8, min(_PIECE, len(plain) - start), start)
        inside = (np.cumsum(codes == _QUOTE, dtype=np.uint32) + quotes) & 1
        # Bit 5 aside, brackets and braces have the same codes: [ 5B and { 7B open, ] 5D and } 7D close.
        kinds = codes & 0xDF
        steps = (kinds == 0x5B).astype(np.int8) - (kinds == 0x5D).astype(np.int8)
        sums = np.cumsum(np.where(inside == 0, steps, 0), dtype=np.int32)
        most = max(most, depth + int(sums.max()))
        depth += int(sums[-1])
        quotes = int(inside[-1])
    return most


def _decoded(raw: bytes) -> str:
    if not raw.strip():
        raise Unreadable([Fault("empty", "the body is empty")])
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unreadable(
            [Fault.of("encoding", "the body is no UTF-8: byte {start} does not fit", start=error.start)]
        ) from None


class _Met:
    """What json's own reader meets: it notes that something is to be refused and goes on. It is no reader itself: one whose hooks
    are its own is a ring, which only garbage collection frees."""

    __slots__ = ("is_far", "refused")

    def __init__(self) -> None:
        self.refused = self.is_far = False

    def _refuse(self, code: str, message: str, text: str, hint: str | None = None) -> _Refused:
        self.refused = True
        return _Refused(code, message, text, hint)

    def members(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        value = dict(pairs)
        if len(value) == len(pairs):
            return value
        self.refused = True
        seen: set[str] = set()
        again: dict[str, None] = {}
        for name, _ in pairs:
            if name in seen:
                again[name] = None
            seen.add(name)
        doubled = _Doubled(value)
        doubled.names = tuple(again)
        return doubled

    def whole(self, text: str) -> int | _Refused:
        # Counted before it is converted: CPython takes quadratic time, and past 4,300 digits it refuses by itself.
        if len(text) <= 17:
            number = int(text)
            if -LARGEST_WHOLE <= number <= LARGEST_WHOLE:
                return number
        message = "whole numbers go from -2^53 to 2^53"
        return self._refuse("number-range", message, text, "write a longer number as a text")

    def number(self, text: str) -> Decimal | _Refused:
        number = self._exact(text)
        if number is not None:
            self.is_far |= abs(number.adjusted()) > LARGEST_EXPONENT
            return number
        return self._refuse(
            "number-range",
            Sentence(
                "numbers have at most {most} characters and exponents within {exponent}",
                most=LONGEST_NUMBER,
                exponent=LARGEST_EXPONENT,
            ),
            text,
        )

    @staticmethod
    def _exact(text: str) -> Decimal | None:
        if len(text) > LONGEST_NUMBER:
            return None
        try:
            number = Decimal(text)
        except InvalidOperation:
            return None
        exponent = number.as_tuple().exponent
        if not isinstance(exponent, int) or abs(exponent) > LARGEST_EXPONENT:
            return None
        return number

    def constant(self, text: str) -> _Refused:
        return self._refuse("not-a-number", Sentence("'{text}' is no number in JSON", text=text), text)


def _faults(value: Any, pointer: str, depth: int = 0) -> Iterator[Fault]:
    """All that has to be refused in a parsed value, in the order of the text. Recursive: both readers limit the depth, and
    YAML without aliases has no more values than characters."""
    if depth >= DEEPEST and isinstance(value, dict | list):
        yield Fault.of("too-deep", "lists and objects are nested past {most}", pointer, most=DEEPEST)
    elif isinstance(value, _Refused):
        yield Fault(value.code, value.message, pointer, value.hint)
    elif isinstance(value, str):
        yield from _text_faults(value, pointer)
    elif isinstance(value, dict | list):
        if isinstance(value, _Doubled):
            for name in value.names:
                message = Sentence("the name '{name}' stands more than once in one object", name=name[:80])
                yield Fault("doubled-name", message, pointer + _step(name))
        members = value.items() if isinstance(value, dict) else enumerate(value)
        for key, member in members:
            step = f"/{key}" if isinstance(value, list) else _step(key)
            if isinstance(value, dict):
                yield from _key_faults(key, pointer + step)
            yield from _faults(member, pointer + step, depth + 1)
    elif isinstance(value, bool) or value is None:
        return
    elif isinstance(value, int):
        if not -LARGEST_WHOLE <= value <= LARGEST_WHOLE:
            yield Fault("number-range", "whole numbers go from -2^53 to 2^53", pointer)
    elif isinstance(value, Decimal | float):
        number = Decimal(value)
        if not number.is_finite() or abs(number.adjusted()) > LARGEST_EXPONENT:
            yield Fault.of(
                "number-range", "numbers are finite, with exponents within {most}", pointer, most=LARGEST_EXPONENT
            )
    else:
        yield Fault("type", "this value has no counterpart in JSON", pointer, "put it in quotes to make it a text")


def _key_faults(key: Any, pointer: str) -> Iterator[Fault]:
    if isinstance(key, str):
        yield from _text_faults(key, pointer)
    else:
        yield Fault("type", "the names in an object are texts", pointer, "put the name in quotes")


def _text_faults(text: str, pointer: str) -> Iterator[Fault]:
    if "\0" in text:
        yield Fault("text", "a text has no NUL character in it", pointer)
    try:
        text.encode()
    except UnicodeEncodeError:
        yield Fault("text", "half a surrogate pair is no character", pointer)


def _step(name: Any) -> str:
    return "/" + str(name)[:200].replace("~", "~0").replace("/", "~1")
