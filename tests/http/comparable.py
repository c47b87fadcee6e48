"""Answers without what is made up anew each time, so that those of two services to the same requests can be compared."""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

# Ids (RFC 9562), instants and days (RFC 3339), and what is random by its length: tokens, digests of ids, cursors, codes to type.
_MADE_UP = (
    (re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"), "(id)"),
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)"), "(instant)"),
    (re.compile(r"\d{4}-\d\d-\d\d"), "(day)"),
    (re.compile(r"\b[A-Z]{4}-[A-Z]{4}\b"), "(code)"),
    (re.compile(r"[A-Za-z0-9_=-]{20,}"), "(random)"),
)


def comparable(value: Any) -> Any:
    """The same value, with names in place of what is made up."""
    if isinstance(value, dict):
        return {_text(name): comparable(member) for name, member in value.items()}
    if isinstance(value, list):
        return [comparable(member) for member in value]
    return _text(value) if isinstance(value, str) else value


def fingerprint(value: Any) -> str:
    """Equal for answers that are alike, members and their order, texts and numbers."""
    return hashlib.sha256(json.dumps(comparable(value)).encode()).hexdigest()


def altered(value: Any) -> Any:
    """The same with its first text, number or boolean changed; None where it has none that is compared."""
    if isinstance(value, dict | list):
        places = list(value.items() if isinstance(value, dict) else enumerate(value))
        for place, member in places:
            changed = altered(member)
            if changed is not None:
                copy = value.copy()
                copy[place] = changed
                return copy
        return None
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    return f"{value} " if isinstance(value, str) and value and _text(value) == value else None


def _text(text: str) -> str:
    for pattern, name in _MADE_UP:
        text = pattern.sub(name, text)
    return text
