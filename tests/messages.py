"""What a client does that words messages itself: it knows the table of `GET /v1/messages` and the parts, and no code of the
service."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

_PLACEHOLDER = re.compile(r"\{(\w+)(?::([^}]*))?\}")


def messages_in(answer: Any) -> Iterator[dict[str, Any]]:
    """Every object of an answer that has a text for people, those inside the parts of another too."""
    if isinstance(answer, list):
        for one in answer:
            yield from messages_in(one)
    elif isinstance(answer, dict):
        if isinstance(answer.get("message"), str):
            yield answer
        for one in answer.values():
            yield from messages_in(one)


def worded(sentences: Mapping[str, str], code: str, parts: Mapping[str, Any]) -> str:
    """The message of a code with its parts. Raises KeyError for a part that is missing, AssertionError for one too many."""
    sentence = sentences[code]
    assert {found[1] for found in _PLACEHOLDER.finditer(sentence)} == set(parts), (code, parts)
    return _PLACEHOLDER.sub(lambda found: _words(sentences, parts[found[1]], found[2] or ""), sentence)


def _words(sentences: Mapping[str, str], part: Any, how: str) -> str:
    if isinstance(part, list):
        words = [_words(sentences, one, "") for one in part]
        if how in (",", ";"):
            return f"{how} ".join(words)
        return f"{', '.join(words[:-1])} {how} {words[-1]}" if len(words) > 1 else "".join(words)
    if "|" in how:
        return f"{part} {how.split('|')[0 if part == 1 else 1]}"
    if not isinstance(part, dict):
        return str(part)
    if "code" in part:
        return worded(sentences, part["code"], part["parts"]) if part["code"] in sentences else part["message"]
    if "more" in part:
        return f"{part['more']} more"
    if "attribute" in part:
        return part["label"] + (f" ({part['look_at']})" if part["look_at"] else "")
    if "label" in part:
        return f"'{part['label']}'"
    number, title = part["number"], part["title"]
    if number is None:
        return title or "A coin"
    name = f"No. {number}" if re.search(r"\d", number) else number
    return f"{name} ({title})" if title else name


def ensure_worded(answer: Any, sentences: Mapping[str, str]) -> int:
    """Raises AssertionError unless every message of the answer follows from its code and parts; how many there are."""
    count = 0
    for found in messages_in(answer):
        assert "code" in found, found
        # What is wrong with something that was sent has the code of the fault, which has no sentence of its own.
        if found["code"] in sentences:
            count += 1
            assert worded(sentences, found["code"], found["parts"]) == found["message"]
    return count
