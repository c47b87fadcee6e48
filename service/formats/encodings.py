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
# Signs that stand close before a word, and those close behind one.
_OPENING = frozenset(
    "\u201c\u2018\u201e\u201a\u00ab\u2039\u00bb\u203a\u00bf\u00a1\u2022\u00b7\u2013\u2014\u00a3\u20ac\u00a5\u00a7"
)
_CLOSING = frozenset(
    "\u201d\u2019\u201c\u2018\u00bb\u203a\u00ab\u2039\u2026\u00ae\u2122\u00b0\u00ba\u00aa\u00b4\u2013\u2014\u00b7\u20ac\u00a3"
)
_WITHIN = frozenset("\u2019\u2018\u00b4\u00b7\u00ad")
# Letters of the languages of western and northern Europe, and those that stand by themselves as words or signs.
_WESTERN = frozenset("äöüßéèêëàâçîïôùûœñáíóúãõåøæìòëÄÖÜÉÈÊÀÂÇÔŒÑÁÍÓÚÃÕÅØÆÎ")
_ALONE = frozenset("àÀèÈéÉóÓòÒåÅöÖøØµ")


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
    """The encoding in which the letters beyond ASCII stand most as they do in words; among equals the one that makes better
    text of the lines that have them, Windows-1252 before the others."""
    from charset_normalizer import from_bytes

    lines = [line for line in raw.splitlines() if not line.isascii()]
    sample = b"\n".join(lines)[:_SAMPLE]
    found = from_bytes(sample, cp_isolation=list(_ONE_BYTE), steps=5, threshold=0.9)
    mess = {match.encoding: match.chaos for match in found}
    for match in found:
        # Matches of the same text are filed under the first of them.
        mess |= dict.fromkeys(match.could_be_from_charset, match.chaos)
    fitting = [name for name in _ONE_BYTE if _fits(raw, name)]
    if not fitting:
        return "iso-8859-1"
    best = min(
        fitting,
        key=lambda name: (_misplaced(sample.decode(name)), round(mess.get(name, 1.0), 2), _ONE_BYTE.index(name)),
    )
    return next(name for name, codec in ENCODINGS.items() if codec == best)


def _misplaced(text: str) -> int:
    """Four for each sign or letter beyond ASCII that stands where words have none (a per mille sign in Denmark's name, a capital
    by itself behind an amount); one for a letter that only the languages further east have."""
    around = f"\n{text}\n"
    count = 0
    for at, sign in enumerate(text, 1):
        if sign.isascii():
            continue
        before, after = around[at - 1], around[at + 1]
        if sign.isalpha() and sign not in "\u00aa\u00ba":
            count += 4 * _is_odd_letter(sign, before, after) + (sign not in _WESTERN)
        else:
            count += 4 * _is_odd_sign(sign, before.isalpha(), after.isalpha())
    return count


def _is_odd_letter(letter: str, before: str, after: str) -> bool:
    if not before.isalpha() and not after.isalpha():
        return letter not in _ALONE
    # A capital within a word of small letters.
    return letter.isupper() and before.isalpha() and (before.islower() or after.islower())


def _is_odd_sign(sign: str, is_behind: bool, is_before: bool) -> bool:
    if is_behind and is_before:
        return sign not in _WITHIN
    return (is_before and sign not in _OPENING) or (is_behind and sign not in _CLOSING)


def _fits(raw: bytes, codec: str) -> bool:
    try:
        raw.decode(codec)
    except UnicodeDecodeError:
        return False
    return True
