"""Texts that show every combination of answers that some tests of one free text can give.

Every test (an order comparison with a constant, or a LIKE pattern, each after folds) reads the text from left to right
with a small state. The product of those states is searched breadth first over the characters that matter, so that each
reachable combination of answers gets a shortest text: the product construction for finite automata (Rabin and Scott,
1959).
"""

from __future__ import annotations

import unicodedata
from collections import deque
from collections.abc import Iterable, Sequence

from service.rules.text import ANY_ONE, ANY_RUN, fold_case, pattern_pieces

_MOST_STATES = 4_000
_MOST_TESTS = 64

_TextTest = tuple[str, tuple[str, ...], str]


def sample_texts(tests: Sequence[_TextTest]) -> list[str] | None:
    """Texts for all combinations; None past the budget. A test is (`compare` or `like`, folds from the inside out,
    constant)."""
    tests = list(dict.fromkeys(tests))
    if all(kind == "compare" and not folds for kind, folds, _ in tests):
        return _along_the_line(tests)
    if len(tests) > _MOST_TESTS:
        return None
    alphabet = _alphabet(tests)
    machines = [_Like(folds, text) if kind == "like" else _Compare(folds, text) for kind, folds, text in tests]
    start = tuple(machine.start for machine in machines)
    seen: dict[tuple[object, ...], str] = {start: ""}
    waiting = deque([start])
    while waiting:
        state = waiting.popleft()
        text = seen[state]
        for character in alphabet:
            following = tuple(machine.step(at, character) for machine, at in zip(machines, state, strict=True))
            if following not in seen:
                if len(seen) >= _MOST_STATES:
                    return None
                seen[following] = text + character
                waiting.append(following)
    constants = (text for kind, _, text in tests if kind == "compare")
    return list(dict.fromkeys([*seen.values(), *constants]))


def _along_the_line(tests: Sequence[_TextTest]) -> list[str]:
    """Plain constants in code-point order cut the line of texts: each constant, and a text just after each."""
    constants = sorted({text for _, _, text in tests})
    return list(dict.fromkeys(["", *constants, *(f"{text}\x01" for text in ["", *constants])]))


def _fold(folds: Iterable[str], character: str) -> str:
    for fold in folds:
        character = (
            fold_case(character)
            if fold == "casei"
            else "".join(mark for mark in unicodedata.normalize("NFD", character) if unicodedata.category(mark) != "Mn")
        )
    return character


def _decomposed(folds: tuple[str, ...], text: str) -> str:
    """A constant as the machines meet it: after `accenti` they read decomposed text, one character at a time."""
    return unicodedata.normalize("NFD", text) if "accenti" in folds else text


def _alphabet(tests: Sequence[_TextTest]) -> list[str]:
    """The characters that can make a difference: those of the constants, their neighbours, their cases, and one apart."""
    named: set[str] = set()
    for kind, folds, text in tests:
        if "accenti" in folds:
            named.update(("\u0301", *_decomposed(folds, text)))
        characters = {piece for piece, literal in pattern_pieces(text) if literal} if kind == "like" else set(text)
        for character in characters:
            named.add(character)
            if folds:
                named.update(form for form in (character.upper(), character.lower()) if len(form) == 1)
            if kind == "compare":
                code = ord(character)
                named.update(
                    chr(near) for near in (code - 1, code + 1) if 32 <= near < 0xD800 or 0xDFFF < near < 0x110000
                )
    apart = next(chr(code) for code in (*range(0x71, 0x7B), *range(0x4E00, 0x9FFF)) if chr(code) not in named)
    return [*sorted(named), apart]


class _Compare:
    """How far the folded text agrees with the constant, or on which side it left it."""

    start: object = 0

    def __init__(self, folds: tuple[str, ...], constant: str) -> None:
        self.folds, self.constant = folds, _decomposed(folds, constant)

    def step(self, state: object, character: str) -> object:
        for folded in _fold(self.folds, character):
            if not isinstance(state, int):
                return state
            if state == len(self.constant):
                return "after"
            wanted = self.constant[state]
            state = state + 1 if folded == wanted else ("before" if folded < wanted else "after")
        return state


class _Like:
    """The set of places in the pattern that the text so far may have reached."""

    def __init__(self, folds: tuple[str, ...], pattern: str) -> None:
        pieces = pattern_pieces(pattern)
        self.folds = folds
        self.pieces = [
            (c, literal) for piece, literal in pieces for c in (_decomposed(folds, piece) if literal else piece)
        ]
        self.start: object = self._through_runs({0})

    def _through_runs(self, places: set[int]) -> frozenset[int]:
        reached: set[int] = set()
        waiting = list(places)
        while waiting:
            place = waiting.pop()
            if place not in reached:
                reached.add(place)
                if place < len(self.pieces) and self.pieces[place] == (ANY_RUN, False):
                    waiting.append(place + 1)
        return frozenset(reached)

    def step(self, state: object, character: str) -> object:
        assert isinstance(state, frozenset)
        places: frozenset[int] = state
        for folded in _fold(self.folds, character):
            following: set[int] = set()
            for place in places:
                if place == len(self.pieces):
                    continue
                piece, literal = self.pieces[place]
                if not literal and piece == ANY_RUN:
                    following.add(place)
                elif (not literal and piece == ANY_ONE) or folded == piece:
                    following.add(place + 1)
            places = self._through_runs(following)
        return places
