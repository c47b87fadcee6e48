"""Reading the reference data: vocabularies and the catalogue of issues."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from functools import cache
from typing import Any

from service.errors import NotFound
from service.facts.vocabulary import Vocabulary
from service.reference import shipped


def edition() -> str:
    """The edition of the reference data; it changes whenever the data does."""
    return shipped.edition()


def vocabularies() -> Mapping[str, Vocabulary]:
    return shipped.vocabularies()


def vocabulary(name: str) -> Vocabulary:
    try:
        return shipped.vocabularies()[name]
    except KeyError:
        raise NotFound("vocabulary", name[:100]) from None


def issues_page(after: str | None, limit: int) -> tuple[Mapping[str, Any], ...]:
    """Up to `limit` catalogue entries in the order of their ids, from behind `after`."""
    entries, ids = _in_order()
    start = 0 if after is None else bisect_right(ids, after)
    return entries[start : start + limit]


def issue_facts() -> Mapping[str, Mapping[str, Any]]:
    """The facts of every catalogue entry, by its id, as plain values."""
    return {entry["id"]: entry.get("facts", {}) for entry in shipped.issues()}


@cache
def _in_order() -> tuple[tuple[Mapping[str, Any], ...], tuple[str, ...]]:
    entries = tuple(sorted(shipped.issues(), key=lambda entry: str(entry["id"])))
    return entries, tuple(str(entry["id"]) for entry in entries)
