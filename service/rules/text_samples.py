"""Texts that show every combination of answers that some tests of one free text can give.

Every test (an order comparison with a constant, or a LIKE pattern, each after folds) reads the text from left to right
with a small state. The product of those states is searched breadth first over the characters that matter, so that each
reachable combination of answers gets a shortest text: the product construction for finite automata (Rabin and Scott,
1959). Which characters matter after folds is looked up in all of Unicode (service.rules.characters).

The search is bounded in states and in steps (one test reading one character in one state), so it takes as long whatever the
tests are; past either bound nothing is claimed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from service.rules.characters import Chain, alphabet, folded, joined, may_join
from service.rules.text import pattern_pieces, pattern_places

_MOST_STATES = 4_000
_MOST_TESTS = 64
MOST_STEPS = 1_000_000
"""Tests times characters times states of one search: some 0.5 s."""
_MOST_CHARACTERS = 200_000
"""Tests times characters of all texts that are found: past that each combination of answers has one text only."""
_SEARCHES_KEPT, _ALPHABETS_KEPT = 64, 256
_MOST_STEPS_KEPT = 20_000

_TextTest = tuple[str, Chain, str]


@dataclass(frozen=True, slots=True)
class TextSamples:
    """`texts` for all combinations; None past a bound. `steps` is what the search took."""

    texts: Sequence[str] | None
    steps: int

    @property
    def work(self) -> int:
        """About how many microseconds it took, the same on every machine."""
        return self.steps // 2


def sample_texts(tests: Sequence[_TextTest]) -> TextSamples:
    """Texts for all combinations of answers. A test is (`compare` or `like`, folds from the inside out, constant)."""
    tests = tuple(dict.fromkeys(tests))
    if all(kind == "compare" and not folds for kind, folds, _ in tests):
        return TextSamples(_along_the_line(tests), len(tests))
    if len(tests) > _MOST_TESTS:
        return TextSamples(None, len(tests))
    return _searched(tests)


@lru_cache(_SEARCHES_KEPT)
def _searched(tests: tuple[_TextTest, ...]) -> TextSamples:
    """Remembered, since a rule is judged again for each coin."""
    characters = _alphabet(tests)
    if characters is None:
        return TextSamples(None, len(tests))
    machines = _machines(tests)
    letters = [(character, [machine.image(character) for machine in machines]) for character in characters]
    start = (0,) * len(machines)
    seen: dict[tuple[int, ...], str] = {start: ""}
    waiting = deque([start])
    steps, steps_each = 0, len(machines) * len(letters)
    while waiting:
        state = waiting.popleft()
        text = seen[state]
        steps += steps_each
        if steps > MOST_STEPS:
            return TextSamples(None, steps)
        for character, images in letters:
            moves = zip(machines, state, images, strict=True)
            following = tuple([machine.step(at, image) for machine, at, image in moves])
            if following not in seen:
                if len(seen) >= _MOST_STATES:
                    return TextSamples(None, steps)
                seen[following] = text + character
                waiting.append(following)
    texts: Iterable[str] = seen.values()
    if sum(map(len, texts)) * len(machines) > _MOST_CHARACTERS:
        # The first text of each combination is a shortest one.
        firsts: dict[tuple[object, ...], str] = {}
        for state, text in seen.items():
            answers = tuple(machine.answer(at) for machine, at in zip(machines, state, strict=True))
            firsts.setdefault(answers, text)
        texts = firsts.values()
    constants = (text for kind, _, text in tests if kind == "compare")
    return TextSamples(tuple(dict.fromkeys([*texts, *constants])), steps)


def _machines(tests: Iterable[_TextTest]) -> list[_Machine]:
    """A machine for each test; patterns that are the same one written otherwise share theirs."""
    found: dict[object, _Machine] = {}
    for kind, folds, constant in tests:
        if kind == "like":
            matcher: _Like | _Compare = _Like(constant)
            places = pattern_places(constant)
            same: object = (kind, folds, *sorted(places.literals.items()), places.steps, places.runs, places.end)
        else:
            matcher, same = _Compare(constant), (kind, folds, constant)
        if same not in found:
            found[same] = _Machine(matcher, folds)
    return list(found.values())


def _along_the_line(tests: Sequence[_TextTest]) -> list[str]:
    """Plain constants in code-point order cut the line of texts: each constant, and a text just after each."""
    constants = sorted({text for _, _, text in tests})
    return list(dict.fromkeys(["", *constants, *(f"{text}\x01" for text in ["", *constants])]))


@lru_cache(_ALPHABETS_KEPT)
def _alphabet(tests: tuple[_TextTest, ...]) -> list[str] | None:
    """The characters that can make a difference; None where they cannot be listed."""
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

    def __init__(self, matcher: _Like | _Compare, folds: Chain) -> None:
        self._folds, self._matcher = folds, matcher
        # The matcher's state, and a character that may be composed with the next one before the matcher reads it.
        self._states: list[tuple[int, str]] = [(self._matcher.start, "")]
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

    def answer(self, at: int) -> object:
        """What the test answers of a text that ends in this state."""
        state, pending = self._states[at]
        return self._matcher.answer(self._matcher.step(state, pending) if pending else state)

    def _read(self, state: int, pending: str, image: str) -> tuple[int, str]:
        for character in image:
            composed = joined(pending, character) if pending else None
            if pending and composed is None:
                state = self._matcher.step(state, pending)
            latest = composed or character
            pending = latest if "accenti" in self._folds and may_join(latest) else ""
            if not pending:
                state = self._matcher.step(state, latest)
        return state, pending

    def _number(self, state: int, pending: str) -> int:
        reached = (state, pending)
        if reached not in self._numbers:
            self._numbers[reached] = len(self._states)
            self._states.append(reached)
            self._steps.append({})
        return self._numbers[reached]


class _Compare:
    """How far the folded text agrees with the constant, or on which side it left it: BEFORE or AFTER."""

    start = 0
    BEFORE, AFTER = -1, -2

    def __init__(self, constant: str) -> None:
        self.constant = constant

    def step(self, state: int, character: str) -> int:
        if state < 0:
            return state
        if state == len(self.constant):
            return self.AFTER
        wanted = self.constant[state]
        return state + 1 if character == wanted else (self.BEFORE if character < wanted else self.AFTER)

    def answer(self, state: int) -> object:
        """Less, equal or greater."""
        return self.BEFORE if 0 <= state < len(self.constant) else state


class _Like:
    """The set of places in the pattern that the text so far may have reached."""

    def __init__(self, pattern: str) -> None:
        self.places = pattern_places(pattern)
        self.start = self.places.start

    def step(self, state: int, character: str) -> int:
        return self.places.after(state, character)

    def answer(self, state: int) -> object:
        return bool(state & self.places.end)
