"""Text as the rule language compares it: without case, without accents, by a pattern."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping


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


def matches_pattern(text: str, pattern: str) -> bool:
    """Whether the whole text fits: one pass with a single step back for the last `%`, never exponential."""
    pieces = pattern_pieces(pattern)
    at = piece = 0
    run_piece, run_at = -1, 0
    while at < len(text):
        if piece < len(pieces) and pieces[piece] == (ANY_RUN, False):
            run_piece, run_at = piece, at
            piece += 1
        elif piece < len(pieces) and (pieces[piece] == (ANY_ONE, False) or pieces[piece] == (text[at], True)):
            piece += 1
            at += 1
        elif run_piece >= 0:
            piece, run_at = run_piece + 1, run_at + 1
            at = run_at
        else:
            return False
    return all(left == (ANY_RUN, False) for left in pieces[piece:])
