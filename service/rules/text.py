"""Text as the rule language compares it: without case, without accents, by a pattern."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

_PATTERNS_KEPT = 2_000


def fold_case(text: str) -> str:
    """Full case folding (Unicode, chapter 3.13, default caseless matching): STRASSE and Straße are one."""
    return text.casefold()


def strip_accents(text: str) -> str:
    """Without combining marks: decomposed (NFD), nonspacing marks dropped, composed again (NFC)."""
    decomposed = unicodedata.normalize("NFD", text)
    return unicodedata.normalize("NFC", "".join(mark for mark in decomposed if unicodedata.category(mark) != "Mn"))


FOLDS: Mapping[str, Callable[[str], str]] = {"casei": fold_case, "accenti": strip_accents}

# A pattern's pieces: any run, any one character, or exactly this character.
ANY_RUN, ANY_ONE = "%", "_"


def pattern_pieces(pattern: str) -> list[tuple[str, bool]]:
    """The pattern as (character, is it literal)."""
    pieces: list[tuple[str, bool]] = []
    at = 0
    while at < len(pattern):
        character = pattern[at]
        if character == "\\" and at + 1 < len(pattern):
            at += 1
            pieces.append((pattern[at], True))
        else:
            pieces.append((character, character not in (ANY_RUN, ANY_ONE)))
        at += 1
    return pieces


@dataclass(frozen=True, slots=True)
class PatternPlaces:
    """A pattern as sets of the places that a text may have reached in it: place n is before its piece n, and a set is a whole
    number with a bit for each place. `runs` are the places of `%`, `steps` those of `_`, `literals` those of each character;
    `start` is reached by the empty text, and a text fits that reaches `end`.

    Runs of `%` and `_` together are put as one `%` and then the `_`, which is the same pattern: so no run follows another."""

    literals: Mapping[str, int]
    steps: int
    runs: int
    start: int
    end: int

    def after(self, reached: int, character: str) -> int:
        """The places reached after one more character."""
        moved = (reached & (self.literals.get(character, 0) | self.steps)) << 1 | (reached & self.runs)
        return moved | (moved & self.runs) << 1

    def is_fitted_by(self, text: str) -> bool:
        """Whether the whole text fits: for each character some operations on bits, whatever the pattern is."""
        reached = self.start
        for character in text:
            reached = self.after(reached, character)
            if not reached:
                return False
        return bool(reached & self.end)


@lru_cache(_PATTERNS_KEPT)
def pattern_places(pattern: str) -> PatternPlaces:
    """The places of a pattern. Remembered, since a pattern is asked of one text after another."""
    literals: dict[str, int] = {}
    steps = runs = at = 0
    open_steps, has_run = 0, False

    def close_run() -> None:
        nonlocal steps, runs, at
        if has_run:
            runs |= 1 << at
            at += 1
        steps |= ((1 << open_steps) - 1) << at
        at += open_steps

    for piece, is_literal in pattern_pieces(pattern):
        if not is_literal:
            open_steps, has_run = open_steps + (piece == ANY_ONE), has_run or piece == ANY_RUN
            continue
        close_run()
        open_steps, has_run = 0, False
        literals[piece] = literals.get(piece, 0) | 1 << at
        at += 1
    close_run()
    return PatternPlaces(literals, steps, runs, 1 | (runs & 1) << 1, 1 << at)


def matches_pattern(text: str, pattern: str) -> bool:
    """Whether the whole text fits. Time: the length of the text, and of the pattern in bits."""
    return pattern_places(pattern).is_fitted_by(text)
