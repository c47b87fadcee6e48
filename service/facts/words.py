"""Comparing what people write: letter case, accents, hyphens, blanks and plurals make no difference; and which known word is near
enough to be meant. Pure.

A nearest word is a hint, and a wrong hint is worse than none ("holed" is no slip of "tooled"): it has as many words, each
begins with the same letter, has the same figures, and is at most a slip or two away. A slip is a letter too many, too few,
wrong, or two letters in the wrong order (optimal string alignment); most slips of the pen are one of these (F. J. Damerau,
A technique for computer detection and correction of spelling errors, CACM 7, 1964).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property

_Distance = Callable[..., int]

_LONGEST = 80
# In a single word of up to so many letters a wrong letter makes another word; one may be missing, too much or misplaced.
_SHORT = 4
_LONG = 8
_MOST_SLIPS = 3
MOST_SOUGHT = 100
_LETTERS = str.maketrans(
    {"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ł": "l", "Ł": "L", "&": " and "}
)
_BLANKS = frozenset("-_\u2010\u2011\u2012\u2013'\u2019.")


def folded(text: str) -> str:
    """Small letters without accents; hyphens, blanks, dots and apostrophes are alike; & is and."""
    plain = unicodedata.normalize("NFKD", text[:2_000].translate(_LETTERS)).replace("\u2044", "/")
    kept = "".join(" " if sign in _BLANKS else sign for sign in plain if not unicodedata.combining(sign))
    words = kept.casefold().split()
    return " ".join(words[1:] if words[:1] == ["the"] and len(words) > 1 else words)


def singulars(word: str) -> Iterator[str]:
    """What the word may be the plural of, in English."""
    for ending, single in (
        ("ies", "y"),
        ("ves", "f"),
        ("men", "man"),
        ("sses", "ss"),
        ("xes", "x"),
        ("ches", "ch"),
        ("shes", "sh"),
    ):
        if word.endswith(ending) and len(word) > len(ending) + 1:
            yield word.removesuffix(ending) + single
    if word.endswith("es") and len(word) > 4:
        yield word[:-2]
    if word.endswith("s") and not word.endswith("ss") and len(word) > 3:
        yield word[:-1]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is near enough to be meant, or None. Of several as near, the first."""
    return NearWords(known).nearest(word)


class NearWords:
    """The nearest known word for each of many words: what is known is folded once, and a word is looked for once. A long list of
    wrong words is one slip, so past MOST_SOUGHT words none is looked for any more."""

    def __init__(self, known: Iterable[str]) -> None:
        self._known = list(dict.fromkeys(known))
        self._meant: dict[str, str | None] = {}

    def nearest(self, word: str) -> str | None:
        """The known word that is near enough to be meant, or None, as `nearest` finds it."""
        if word not in self._meant and len(self._meant) < MOST_SOUGHT:
            found = nearest_folded(folded(word), self._folded, most=1)
            self._meant[word] = self._known[found[0]] if found else None
        return self._meant.get(word)

    @cached_property
    def _folded(self) -> list[str]:
        return [folded(one) for one in self._known]


def nearest_folded(word: str, known: Sequence[str], most: int) -> list[int]:
    """The places of up to `most` known words that are near enough, the nearest first; all of them folded."""
    word = word[:_LONGEST]
    if not word:
        return []
    # Imported here: it takes megabytes, and a word that is not known is rare.
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    like = process.extract(word, known, scorer=OSA.distance, score_cutoff=_MOST_SLIPS, limit=None)
    near = sorted((slips, place) for other, slips, place in like if _is_near(word, other, OSA.distance))
    return [place for _, place in near[:most]]


def _is_near(word: str, other: str, distance: _Distance) -> bool:
    parts, others = word.split(), other.split()
    if len(parts) != len(others):
        # A blank too many or too few.
        parts, others = ["".join(parts)], ["".join(others)]
    is_alone = len(parts) == 1
    return all(_is_slip(one, two, distance, is_alone=is_alone) for one, two in zip(parts, others, strict=True))


def _is_slip(word: str, other: str, distance: _Distance, *, is_alone: bool) -> bool:
    if word == other:
        return True
    if word[:1] != other[:1] or _figures(word) != _figures(other):
        return False
    length = max(len(word), len(other))
    slips = 1 if length < _LONG else 2
    if distance(word, other, score_cutoff=slips) > slips:
        return False
    if length < _SHORT - 1:
        return False
    if length < _SHORT and len(word) != len(other):
        # an, and
        return word.startswith(other) or other.startswith(word)
    return length > _SHORT or not is_alone or len(word) != len(other) or sorted(word) == sorted(other)


def _figures(word: str) -> str:
    return "".join(filter(str.isdigit, word))
