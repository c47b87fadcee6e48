"""The parts of a body in multipart/form-data (RFC 7578), which was received as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header

from service.errors import Fault, OverLimit, Sentence, Unreadable, recognised

MOST_PARTS = 20
_LONGEST_HEAD = 8 * 1024


@dataclass
class Part:
    """One part: the name of its field, that of its file, its media type in small letters, its bytes."""

    name: str = ""
    filename: str | None = None
    kind: str = ""
    content: bytes = b""
    pieces: list[bytes] = field(default_factory=list)


# What the library says most often of a body that is none.
_OF_THE_LIBRARY = (
    "Found invalid character {character} in header at {place}",
    "Expected boundary character {expected}, got {found} at index {place}",
)


def read_parts(raw: bytes, declared: str) -> list[Part]:
    """The parts of a body; `declared` is the value of the header Content-Type. Raises Unreadable, OverLimit past MOST_PARTS."""
    _, given = parse_options_header(declared)
    boundary = given.get(b"boundary", b"")
    if not 1 <= len(boundary) <= 70:
        raise _unreadable("the header Content-Type names no boundary of 1 to 70 characters")
    parts: list[Part] = []
    header = {"name": b"", "value": b""}
    length = 0

    def begin() -> None:
        nonlocal length
        if len(parts) == MOST_PARTS:
            raise OverLimit([Fault.of("over-limit", "a form has up to {most} parts", most=MOST_PARTS)])
        parts.append(Part())
        length = 0

    def add(name: str, data: bytes, start: int, end: int) -> None:
        nonlocal length
        length += end - start
        if length > _LONGEST_HEAD:
            raise OverLimit(
                [Fault.of("over-limit", "the headers of a part have up to {most} bytes", most=_LONGEST_HEAD)]
            )
        header[name] += data[start:end]

    def end_header() -> None:
        value, options = parse_options_header(header["value"])
        name = header["name"].lower()
        if name == b"content-disposition":
            parts[-1].name = options.get(b"name", b"").decode("utf-8", "replace")
            if b"filename" in options:
                parts[-1].filename = options[b"filename"].decode("utf-8", "replace")
        elif name == b"content-type":
            parts[-1].kind = value.decode("latin-1").lower()
        header["name"] = header["value"] = b""

    ended = False

    def end() -> None:
        nonlocal ended
        ended = True

    parser = MultipartParser(
        boundary,
        {
            "on_part_begin": begin,
            "on_part_data": lambda data, start, stop: parts[-1].pieces.append(data[start:stop]),
            "on_header_field": lambda data, start, stop: add("name", data, start, stop),
            "on_header_value": lambda data, start, stop: add("value", data, start, stop),
            "on_header_end": end_header,
            "on_end": end,
        },
    )
    try:
        parser.write(raw)
        parser.finalize()
    except MultipartParseError as error:
        raise _unreadable(recognised(str(error)[:200], _OF_THE_LIBRARY)) from None
    if not ended or not parts:
        raise _unreadable("it ends before its last boundary")
    for part in parts:
        part.content = b"".join(part.pieces)
        part.pieces = []
    return parts


def _unreadable(why: str) -> Unreadable:
    return Unreadable([Fault.of("syntax", "this is no multipart/form-data: {why}", why=Sentence(why))])
