"""The text of a file whose letters may be encoded in one of several ways: by its mark, as UTF-8, else by the look of the text."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from types import MappingProxyType

from service.errors import Fault, Sentence, Unreadable

# Names of the IANA registry, and Python's own.
ENCODINGS: Mapping[str, str] = MappingProxyType(
    {
        "utf-8": "utf_8",
        "utf-16": "utf_16",
        "utf-16le": "utf_16_le",
        "utf-16be": "utf_16_be",
        "windows-1252": "cp1252",
        "windows-1250": "cp1250",
        "iso-8859-1": "latin_1",
        "iso-8859-15": "iso8859_15",
        "macintosh": "mac_roman",
        "ibm850": "cp850",
    }
)
_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16le"), (codecs.BOM_UTF16_BE, "utf-16be"))
# Those that a spreadsheet program in Europe writes; the first is by far the most usual.
_ONE_BYTE = ("cp1252", "cp1250", "mac_roman", "cp850")
# So many letters beyond ASCII tell enough; the guess takes time that grows with the sample.
_SAMPLE = 16 * 1024


def decoded(raw: bytes, encoding: str | None = None) -> tuple[str, str]:
    """The text without a byte order mark, and the name of its encoding (one of ENCODINGS), guessed where it is None. Raises
    Unreadable when the bytes are none in that encoding, or the text has a NUL in it."""
    if not raw.strip(b"\0 \t\r\n"):
        raise Unreadable([Fault("empty", "the body is empty")])
    found = encoding or guessed(raw)
    try:
        text = raw.decode(ENCODINGS[found])
    except UnicodeDecodeError as error:
        hint = Sentence("say which in `layout.encoding`: {listed}", listed=", ".join(ENCODINGS))
        raise Unreadable(
            [
                Fault.of(
                    "encoding",
                    "the file is no {found}: byte {start} does not fit",
                    "",
                    hint,
                    found=found,
                    start=error.start,
                )
            ]
        ) from None
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise Unreadable([Fault("text", "a text has no NUL character in it")])
    return text, found


def guessed(raw: bytes) -> str:
    """The name of the encoding of these bytes, as far as it can be told."""
    for mark, name in _MARKS:
        if raw.startswith(mark):
            return name
    sample = raw[:4096]
    # Letters of European scripts have a zero in every other byte.
    if len(sample) > 3 and 4 * sample[1::2].count(0) > len(sample):
        return "utf-16le"
    if len(sample) > 3 and 4 * sample[0::2].count(0) > len(sample):
        return "utf-16be"
    try:
        raw.decode()
    except UnicodeDecodeError:
        return _one_byte(raw)
    return "utf-8"


def _one_byte(raw: bytes) -> str:
    """Windows-1252, unless another one makes clearly better text of the lines that are not ASCII."""
    from charset_normalizer import from_bytes

    lines = [line for line in raw.splitlines() if not line.isascii()]
    found = from_bytes(b"\n".join(lines)[:_SAMPLE], cp_isolation=list(_ONE_BYTE), steps=5, threshold=0.9)
    mess = {match.encoding: match.chaos for match in found}
    for match in found:
        # Matches of the same text are filed under the first of them.
        mess |= dict.fromkeys(match.could_be_from_charset, match.chaos)
    fitting = [name for name in _ONE_BYTE if _fits(raw, name)]
    if not fitting:
        return "iso-8859-1"
    best = min(fitting, key=lambda name: (round(mess.get(name, 1.0), 2), _ONE_BYTE.index(name)))
    return next(name for name, codec in ENCODINGS.items() if codec == best)


def _fits(raw: bytes, codec: str) -> bool:
    try:
        raw.decode(codec)
    except UnicodeDecodeError:
        return False
    return True
