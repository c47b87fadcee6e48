"""Grades as written (VF-30, about EF, MS 64+, ss-vz) to the scale of 1 to 70.

The bands of the American words are common practice of the trade (no source; the scale itself: W. H. Sheldon, Early
American Cents, 1949). British and continental words are held to the same scale by rule of thumb, no source: their bands
are wider where the trade does not agree. What was written is kept as `grade_words`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any

from service.notation.problems import read_problems
from service.notation.reading import Reading, tidy, without_doubt

Band = tuple[int, int]

AMERICAN: Mapping[str, Band] = MappingProxyType(
    {
        "p": (1, 1), "po": (1, 1), "poor": (1, 1), "basal": (1, 1),
        "fr": (2, 2), "fair": (2, 2),
        "ag": (3, 3), "about good": (3, 3), "almost good": (3, 3),
        "g": (4, 6), "good": (4, 6),
        "vg": (8, 10), "very good": (8, 10),
        "f": (12, 15), "fine": (12, 15),
        "vf": (20, 35), "very fine": (20, 35),
        "ef": (40, 45), "xf": (40, 45), "extremely fine": (40, 45), "extra fine": (40, 45),
        "au": (50, 58), "about uncirculated": (50, 58), "almost uncirculated": (50, 58),
        "unc": (60, 70), "uncirculated": (60, 70), "ms": (60, 70), "mint state": (60, 70), "mint": (60, 70),
        "bu": (60, 70), "brilliant uncirculated": (60, 70), "cu": (60, 70),
        "choice bu": (63, 64), "choice unc": (63, 64), "choice uncirculated": (63, 64), "gem bu": (65, 70),
        "gem unc": (65, 70), "gem": (65, 70), "gem uncirculated": (65, 70),
        "circulated": (1, 58), "circ": (1, 58),
    }
)  # fmt: skip
BRITISH: Mapping[str, Band] = MappingProxyType(
    {
        "poor": (1, 2), "fair": (2, 4), "good": (2, 6), "fine": (8, 15), "f": (8, 15), "vf": (20, 40),
        "very fine": (20, 40), "ef": (45, 58), "extremely fine": (45, 58), "unc": (60, 66), "uncirculated": (60, 66),
        "bu": (60, 70), "fdc": (65, 70), "fleur de coin": (65, 70),
    }
)  # fmt: skip
GERMAN: Mapping[str, Band] = MappingProxyType(
    {
        "ge": (3, 6), "gering erhalten": (3, 6), "sge": (4, 8), "s": (8, 15), "schön": (8, 15), "schoen": (8, 15),
        "ss": (20, 38), "sehr schön": (20, 38), "sehr schoen": (20, 38), "vz": (42, 58), "vorzüglich": (42, 58),
        "vorzueglich": (42, 58), "unz": (60, 65), "unzirkuliert": (60, 65), "st": (63, 70), "stgl": (63, 70),
        "stempelglanz": (63, 70), "bfr": (60, 66), "bankfrisch": (60, 66),
    }
)  # fmt: skip
FRENCH: Mapping[str, Band] = MappingProxyType(
    {
        "b": (4, 8), "beau": (4, 8), "tb": (8, 18), "très beau": (8, 18), "tres beau": (8, 18), "ttb": (20, 44),
        "très très beau": (20, 44), "sup": (45, 62), "superbe": (45, 62), "spl": (62, 65), "splendide": (62, 65),
        "fdc": (65, 70), "fleur de coin": (65, 70),
    }
)  # fmt: skip
ITALIAN: Mapping[str, Band] = MappingProxyType(
    {"mb": (8, 15), "bb": (20, 40), "spl": (45, 60), "splendido": (45, 60), "fdc": (63, 70), "bellissimo": (20, 40)}
)
DUTCH: Mapping[str, Band] = MappingProxyType(
    {"zg": (6, 10), "fr": (12, 18), "fraai": (12, 18), "zf": (20, 38), "zeer fraai": (20, 38), "pr": (40, 58),
     "prachtig": (40, 58), "fdc": (63, 70)}
)  # fmt: skip
SPANISH: Mapping[str, Band] = MappingProxyType(
    {"rc": (4, 8), "bc": (8, 15), "mbc": (20, 40), "ebc": (42, 58), "sc": (60, 70), "fdc": (65, 70)}
)

SCALES: Mapping[str, Mapping[str, Band]] = MappingProxyType(
    {
        "american": AMERICAN, "british": BRITISH, "german": GERMAN, "french": FRENCH, "italian": ITALIAN,
        "dutch": DUTCH, "spanish": SPANISH,
    }
)  # fmt: skip
"""The words of each scale, in small letters, with the lowest and the highest number that they stand for."""

_MADE = MappingProxyType(
    {"pr": "proof", "pf": "proof", "prf": "proof", "proof": "proof", "pp": "proof", "polierte platte": "proof",
     "sp": "specimen", "specimen": "specimen"}
)  # fmt: skip
_BETTER = r"good|gd|better than|choice|nice|g(?=vf|ef|f\b)"
_LESS = r"about|almost|nearly|near|n(?=vf|ef|f\b|unc)|a(?=vf|ef|f\b|unc|xf|fdc)|abt\.?|fast|prope|better? fine"
_WORD = re.compile(rf"(?:(?P<less>{_LESS})\s*|(?P<more>{_BETTER})\s*)?(?P<word>[^\W\d_][^\d+/-]*?)", re.IGNORECASE)
_PART = re.compile(
    r"(?P<word>[^\d+/]*?)(?:\s*-?\s*(?P<number>\d{1,2}))?\s*(?P<sign>\++|-(?=$))?(?P<marks>(?:(?:\s+|(?<=[\d+]))(?:"
    r"rd|rb|bn|pl|dmpl|dpl|cam|dcam|cameo|ultra cameo|uc|fb|fbl|fs|fh|star|\*))*)",
    re.IGNORECASE,
)
_DETAILS = re.compile(r"\bdetails?\b", re.IGNORECASE)


def words_of(scale: str | None) -> Mapping[str, Band]:
    """The words that are understood: those of the scale, and those of the others that it does not have. Where others differ
    (SPL), the word stands for all that it may mean. Raises KeyError for an unknown scale."""
    first = SCALES[scale or "american"]
    found: dict[str, Band] = {}
    for words in SCALES.values():
        for word, (low, high) in words.items():
            known = found.get(word, (low, high))
            found[word] = (min(low, known[0]), max(high, known[1]))
    return {**found, **({} if scale == "american" else AMERICAN), **first}


_DEFAULT = words_of("american")


def grade_band(written: str, scale: str | None = None) -> Band | None:
    """The lowest and highest number that a grade stands for, or None where it is no grade. Never raises for any text.

    >>> grade_band("VF"), grade_band("VF-30"), grade_band("MS64+"), grade_band("VF/F"), grade_band("about EF")
    ((20, 35), (30, 30), (64, 64), (12, 35), (36, 40))
    """
    words = _DEFAULT if scale is None else words_of(scale)
    text = _DETAILS.sub("", tidy(written)).strip(" ,;")
    whole = _one(text, words)
    if whole is not None:
        return whole
    for parts in _splits(text):
        found = _several(parts, words)
        if found is not None:
            return found
    return None


def _several(parts: list[str], words: Mapping[str, Band]) -> Band | None:
    """The band that holds those of all parts; names of one way of striking (PR/PF-65) and of one grade (EF/XF 45) count once."""
    bands: dict[str, Band] = {}
    for before, part in zip(["", *parts], parts, strict=False):
        if part.isdigit() and before and not re.search(r"\d", before):
            return None
        if part.casefold() in _MADE and len(parts) == 2 and re.match(r"(?i)(?:pr|pf)\W*\d", parts[1]):
            continue
        band = _one(part, words)
        if band is None:
            return None
        bands[part] = band
    for part, (low, high) in bands.items():
        word = re.match(r"[^\W\d]+", part)
        if (
            low == high
            and word is not None
            and all(band in ((low, low), words.get(word[0].casefold())) for band in bands.values())
        ):
            return low, high
    return min(band[0] for band in bands.values()), max(band[1] for band in bands.values())


def read_grade(written: str, scale: str | None = None) -> Reading:
    """`grade` (a number, or a range where the words leave one) and `grade_words` as written; `strike` where the grade names it
    (PF-65), `problems` where they are named ("XF details, cleaned"). Different sides (VF/F) give the range of both; a
    doubted grade (AU?) is offered only. Nothing understood: no facts, and the text as `rest`."""
    text = tidy(written)
    bare, is_doubted = without_doubt(text)
    for cut in _cuts(bare):
        band = grade_band(bare[:cut], scale)
        if (band is None and _made_only(bare[:cut]) is None) or re.match(r"\W*\d", bare[cut:]):
            continue
        facts: dict[str, Any] = {} if band is None else {"grade": _known(band)}
        strike = _strike(bare[:cut])
        more = Reading() if cut == len(bare) else read_problems(bare[cut:].strip(" ,;:()-"))
        facts |= {} if strike is None else {"strike": strike}
        facts |= more.facts
        if is_doubted:
            return Reading({"grade_words": text}, facts)
        return Reading({**facts, "grade_words": text}, more.perhaps, more.rest)
    return Reading(rest=text)


def _known(band: Band) -> Any:
    return band[0] if band[0] == band[1] else {"from": band[0], "to": band[1]}


def _cuts(text: str) -> Iterator[int]:
    """Where the grade may end and words about problems begin: the longest first."""
    yield len(text)
    yield from sorted(
        (found.start() for found in re.finditer(r"[,;:(]|(?<=details) ", text, re.IGNORECASE)), reverse=True
    )
    blanks = [found.start() for found in re.finditer(" ", text)]
    yield from reversed(blanks)


def _splits(text: str) -> Iterator[list[str]]:
    yield re.split(r"\s*/\s*", text)
    yield re.split(r"\s+(?:to|bis|or)\s+", text)
    yield re.split(r"\s*-\s*", text)
    yield re.split(r"\s+", text)


def _one(text: str, words: Mapping[str, Band]) -> Band | None:
    if text.isascii() and text.isdigit() and len(text) <= 2:
        number = int(text)
        return (number, number) if 1 <= number <= 70 else None
    found = _PART.fullmatch(text)
    if found is None:
        return None
    word = found["word"].strip(" -.").casefold()
    if (word in _MADE and word not in words) or (word in ("pr", "pf", "sp") and found["number"]):
        return _numbered(found["number"], (1, 70)) if found["number"] else None
    band = _of_word(word, words)
    if band is None:
        return None
    if found["number"]:
        # An adjective before a number does not move it.
        return _numbered(found["number"], band)
    if found["sign"]:
        middle = (band[0] + band[1]) // 2
        return (middle, band[1]) if "+" in found["sign"] else (band[0], middle)
    return band


def _of_word(word: str, words: Mapping[str, Band]) -> Band | None:
    if word in words:
        return words[word]
    for prefix in ("choice ", "nice "):
        if word.startswith(prefix) and word.removeprefix(prefix) in words:
            low, high = words[word.removeprefix(prefix)]
            return (low + high) // 2, high
    found = _WORD.fullmatch(word)
    if found is None or found["word"] not in words or not (found["less"] or found["more"]):
        return None
    low, high = words[found["word"]]
    if found["more"]:
        return (low + high) // 2, high
    below = max((top for _, top in AMERICAN.values() if top < low), default=0)
    return min(below + 1, low), low


def _numbered(digits: str, band: Band) -> Band | None:
    """The number, where it lies within reach of the word: "VF 65" is a slip, and no grade."""
    number = int(digits)
    if not 1 <= number <= 70 or number < band[0] - 5 or number > band[1] + 5:
        return None
    return number, number


def _made_only(text: str) -> str | None:
    return _MADE.get(_DETAILS.sub("", text).strip(" .,").casefold())


def _strike(text: str) -> str | None:
    word = re.match(r"[^\W\d_]+(?:\s[^\W\d_]+)?", text)
    if word is None:
        return None
    said = word[0].casefold()
    if said == "pr" and not re.search(r"\d", text):
        return None
    return _MADE.get(said) or _MADE.get(said.split()[0])
