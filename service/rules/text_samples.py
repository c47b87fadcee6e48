"""Texts that show every combination of answers that some tests of one free text can give.

Every test (an order comparison with a constant, or a LIKE pattern, each after folds) reads the text from left to right
with a small state. The product of those states is searched breadth first over the characters that matter, so that each
reachable combination of answers gets a shortest text: the product construction for finite automata (Rabin and Scott,
1959). Which characters matter after folds is looked up in all of Unicode (service.rules.characters).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from functools import lru_cache

from service.rules.characters import Chain, alphabet, folded, joined, may_join
from service.rules.text import ANY_ONE, ANY_RUN, pattern_pieces

_MOST_STATES = 4_000
_MOST_TESTS = 64
_KEPT = 256
_MOST_STEPS_KEPT = 20_000

_TextTest = tuple[str, Chain, str]


def sample_texts(tests: Sequence[_TextTest]) -> list[str] | None:
    """Texts for all combinations; None past the budget. A test is (`compare` or `like`, folds from the inside out,
    constant)."""
    tests = tuple(dict.fromkeys(tests))
    if all(kind == "compare" and not folds for kind, folds, _ in tests):
        return _along_the_line(tests)
    characters = _alphabet(tests) if len(tests) <= _MOST_TESTS else None
    return None if characters is None else _searched(tests, characters)


def _searched(tests: Sequence[_TextTest], characters: Sequence[str]) -> list[str] | None:
    machines = [_Machine(*test) for test in tests]
    letters = [(character, [machine.image(character) for machine in machines]) for character in characters]
    start = (0,) * len(machines)
    seen: dict[tuple[int, ...], str] = {start: ""}
    waiting = deque([start])
    while waiting:
        state = waiting.popleft()
        text = seen[state]
        for character, images in letters:
            steps = zip(machines, state, images, strict=True)
            following = tuple([machine.step(at, image) for machine, at, image in steps])
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


@lru_cache(_KEPT)
def _alphabet(tests: tuple[_TextTest, ...]) -> list[str] | None:
    """The characters that can make a difference; None where they cannot be listed. Remembered, since a rule is judged again
    for each coin; the texts are not, since a long pattern has many."""
    named: dict[Chain, set[str]] = {}
    ordered: dict[Chain, set[str]] = {}
    for kind, folds, text in tests:
        characters = {piece for piece, literal in pattern_pieces(text) if literal} if kind == "like" else set(text)
        named.setdefault(folds, set()).update(characters)
        if kind == "compare":
            ordered.setdefault(folds, set()).update(characters)
    return alphabet(named, ordered)


class _Machine:
    """One test as an automaton: its states are numbered as they are met, and its first steps remembered."""

    def __init__(self, kind: str, folds: Chain, constant: str) -> None:
        self._folds = folds
        self._matcher = _Like(constant) if kind == "like" else _Compare(constant)
        # The matcher's state, and a character that may be composed with the next one before the matcher reads it.
        self._states: list[tuple[object, str]] = [(self._matcher.start, "")]
        self._numbers = {self._states[0]: 0}
        self._steps: list[dict[str, int]] = [{}]
        self._room = _MOST_STEPS_KEPT

    def image(self, character: str) -> str:
        """What the folds make of a character."""
        return folded(self._folds, character)

    def step(self, at: int, image: str) -> int:
        """The state after a character with this image."""
        following = self._steps[at].get(image)
        if following is None:
            following = self._number(*self._read(*self._states[at], image))
            if self._room > 0:
                self._room -= 1
                self._steps[at][image] = following
        return following

    def _read(self, state: object, pending: str, image: str) -> tuple[object, str]:
        for character in image:
            composed = joined(pending, character) if pending else None
            if pending and composed is None:
                state = self._matcher.step(state, pending)
            latest = composed or character
            pending = latest if "accenti" in self._folds and may_join(latest) else ""
            if not pending:
                state = self._matcher.step(state, latest)
        return state, pending

    def _number(self, state: object, pending: str) -> int:
        reached = (state, pending)
        if reached not in self._numbers:
            self._numbers[reached] = len(self._states)
            self._states.append(reached)
            self._steps.append({})
        return self._numbers[reached]


class _Compare:
    """How far the folded text agrees with the constant, or on which side it left it."""

    start: object = 0

    def __init__(self, constant: str) -> None:
        self.constant = constant

    def step(self, state: object, character: str) -> object:
        if not isinstance(state, int):
            return state
        if state == len(self.constant):
            return "after"
        wanted = self.constant[state]
        return state + 1 if character == wanted else ("before" if character < wanted else "after")


class _Like:
    """The set of places in the pattern that the text so far may have reached."""

    def __init__(self, pattern: str) -> None:
        self.pieces = pattern_pieces(pattern)
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
        following: set[int] = set()
        for place in state:
            if place == len(self.pieces):
                continue
            piece, literal = self.pieces[place]
            if not literal and piece == ANY_RUN:
                following.add(place)
            elif (not literal and piece == ANY_ONE) or character == piece:
                following.add(place + 1)
        return self._through_runs(following)
