"""Which characters of Unicode folds make into which, from the Unicode data that comes with Python.

A chain of folds is written from the inside out: ("casei", "accenti") is ACCENTI(CASEI(a)). Folding goes character by
character, but for one thing: what is left without accents is composed again (NFC), which joins letters of Hangul and some
vowel signs of Indic scripts with the character before them.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_left
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import cache, lru_cache
from itertools import chain

import numpy as np

from service.rules.text import FOLDS, fold_case, strip_accents

Chain = tuple[str, ...]

_ASSIGNED = (range(0x40000), range(0xE0000, 0xE1000))
"""The planes that have characters other than for private use."""
_BLOCK = 256
_LAST, _NO_CODE = 0x10FFFF, -1
_MOST_CLASSES = 2**62
_FIRST_PRINTED, _IDEOGRAPHS = 32, range(0x4E00, 0x9FFF)
_SURROGATES = range(0xD800, 0xE000)
_SYLLABLES = range(0xAC00, 0xD7A4)
_LEADING, _VOWELS, _TRAILING = range(0x1100, 0x1113), range(0x1161, 0x1176), range(0x11A8, 0x11C3)
_WITH_ONE_LEADING_AND_VOWEL = 28
_FIRST_INDIC = 0x0900


@lru_cache(32_768)
def folded(folds: Chain, text: str) -> str:
    """The text after the folds."""
    for fold in folds:
        text = FOLDS[fold](text)
    return text


def may_join(character: str) -> bool:
    """Whether a character without accents may be composed with another one after it."""
    code = ord(character)
    if code < _FIRST_INDIC:
        return False
    if code in _SYLLABLES:
        return (code - _SYLLABLES.start) % _WITH_ONE_LEADING_AND_VOWEL == 0
    return code in _LEADING or character in _joined_signs()[0]


def joined(first: str, second: str) -> str | None:
    """The character that two are composed to, if they are."""
    both = unicodedata.normalize("NFC", first + second)
    return both if len(both) == 1 else None


def alphabet(named: Mapping[Chain, Collection[str]], ordered: Mapping[Chain, Collection[str]]) -> list[str] | None:
    """Characters that together do all that any character of Unicode can do to some tests of one text.

    `named` are the characters that the tests under each chain look for, `ordered` those of them that texts are put in
    order by. Two characters are alike if, under each chain, they are folded to characters that are the same among the
    named ones, and otherwise between the same ordered ones. One of each class is listed. None for signs whose order
    among each other changes when accents are taken off (tone marks of Hangul, viramas, parts of notes).
    """
    own = set().union(*named.values())
    strips = any("accenti" in folds for folds in named)
    if strips and any(_is_reordered(character) for character in own):
        return None
    classes = _Classes(named, ordered)
    found: dict[object, str] = {}
    joining = set[str]()
    if strips:
        joining.update(*(_joining(character) for folds in named if "accenti" in folds for character in named[folds]))
    near = {apart for characters in ordered.values() for character in characters for apart in _neighbours(character)}
    for character in (*sorted(own), *sorted(joining), *_readable(own), *sorted(near), *classes.of_changed()):
        found.setdefault(character if character in joining else classes.of(character), character)
    return list(found.values())


class _Classes:
    """What characters are to the tests."""

    def __init__(self, named: Mapping[Chain, Collection[str]], ordered: Mapping[Chain, Collection[str]]) -> None:
        self._chains = [(folds, frozenset(named[folds]), sorted(ordered.get(folds, ()))) for folds in named]

    def of(self, character: str) -> object:
        """Equal for characters that no test tells apart."""
        return tuple(
            tuple(one if one in named else bisect_left(ordered, one) for one in folded(folds, character))
            for folds, named, ordered in self._chains
        )

    def of_changed(self) -> list[str]:
        """Of the characters that a fold changes, the first of each class."""
        if not any(folds for folds, _, _ in self._chains):
            return []
        classes, size = np.zeros(len(changed()), np.int64), 1
        for folds, named, ordered in self._chains:
            sought, line = _codes(sorted(named)), _codes(ordered)
            kinds = len(line) + 1 + len(sought) + 1
            for codes in _images(folds):
                at = np.searchsorted(sought[:-1], codes)
                kind = np.where(sought[at] == codes, len(line) + at, np.searchsorted(line[:-1], codes))
                if size * kinds >= _MOST_CLASSES:
                    classes = np.unique(classes, return_inverse=True)[1]
                    size = len(classes)
                classes = classes * kinds + np.where(codes == _NO_CODE, kinds - 1, kind)
                size *= kinds
        firsts = np.unique(classes, return_index=True)[1]
        return [changed()[first] for first in sorted(firsts)]


def _codes(characters: Iterable[str]) -> np.ndarray:
    """Their code points, and one more that no character has."""
    return np.array([*map(ord, characters), _LAST + 1], np.int64)


@cache
def _images(folds: Chain) -> list[np.ndarray]:
    """The first characters of what the folds make of each changed character, the second ones, and so on."""
    images = [folded(folds, character) for character in changed()]
    return [
        np.array([ord(image[place]) if place < len(image) else _NO_CODE for image in images], np.int64)
        for place in range(max(map(len, images)))
    ]


@cache
def changed() -> tuple[str, ...]:
    """The characters of Unicode that a fold changes, those of the alphabets nearest to hand first, small letters before
    capitals."""
    found: list[str] = []
    for start in chain.from_iterable(codes[::_BLOCK] for codes in _ASSIGNED):
        if start in _SURROGATES or start in _SYLLABLES:
            continue
        block = "".join(map(chr, range(start, start + _BLOCK)))
        if _is_changed(block):
            found += filter(_is_changed, block)
    return tuple(sorted(found, key=lambda one: (ord(one) // _BLOCK, one.isupper(), one)))


def _is_changed(text: str) -> bool:
    """Whether a fold changes the text."""
    return fold_case(text) != text or strip_accents(text) != text


def _readable(own: Collection[str]) -> Iterator[str]:
    """Characters to stand for any other, at least one that is not among these."""
    yield from "qrstuvwxyz"
    yield next(chr(code) for code in _IDEOGRAPHS if chr(code) not in own)


def _neighbours(character: str) -> Iterator[str]:
    """On both sides the nearest character, and the nearest that no fold changes."""
    for step in (-1, 1):
        code = ord(character) + step
        is_first = True
        while _FIRST_PRINTED <= code <= _LAST:
            one = chr(code)
            if code not in _SURROGATES and not _is_reordered(one):
                is_changed = _is_changed(one)
                if is_first or not is_changed:
                    yield one
                if not is_changed:
                    break
                is_first = False
            code += step


def _is_reordered(character: str) -> bool:
    return unicodedata.combining(character) != 0 and unicodedata.category(character) != "Mn"


# --- composition -------------------------------------------------------------------------------------------------------


def _joining(character: str) -> Iterable[str]:
    """The characters whose composition matters to a text in which this one is looked for."""
    parts = unicodedata.normalize("NFD", character)
    if all(ord(part) in _LEADING or ord(part) in _VOWELS or ord(part) in _TRAILING for part in parts):
        # The letters, of each kind those next to them, the first and the last; the syllable, and it without its last letter.
        letters = {
            chr(code)
            for kind in (_LEADING, _VOWELS, _TRAILING)
            for code in (kind.start, kind.stop - 1, *(ord(part) + step for part in parts for step in (-1, 0, 1)))
            if code in kind
        }
        return letters.union(unicodedata.normalize("NFC", parts[:length]) for length in (1, 2, 3))
    return {one for sign in _joined_signs()[1] if ord(sign[0]) // 128 == ord(character) // 128 for one in sign}


@cache
def _joined_signs() -> tuple[frozenset[str], tuple[str, ...]]:
    """Of characters outside of Hangul that are composed of two without accents: the first of each, and all three."""
    signs = []
    for code in _ASSIGNED[0][_FIRST_INDIC:]:
        parts = unicodedata.decomposition(chr(code)).split()
        if len(parts) != 2 or parts[0].startswith("<"):
            continue
        sign = "".join(chr(int(part, 16)) for part in parts)
        if unicodedata.normalize("NFC", sign) == chr(code) and strip_accents(sign) == chr(code):
            signs.append(chr(code) + sign)
    return frozenset(sign[1] for sign in signs), tuple(signs)
