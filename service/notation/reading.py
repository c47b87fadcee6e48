"""What a text as collectors write it says: facts ready to be recorded, and what is left of the words."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

NONE: Mapping[str, bool] = {"none": True}
_LONGEST = 500
_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2212"), "-") | {0x2044: "/"}


@dataclass(frozen=True, slots=True)
class Reading:
    """`facts`: attribute -> what is known, in JSON form (rules.md, section 1). `perhaps`: facts that the writer doubts and that
    no form of knowledge can say (1965?): they are offered, never recorded. `rest`: words that nothing of this records; they
    belong in the note."""

    facts: Mapping[str, Any] = field(default_factory=dict)
    perhaps: Mapping[str, Any] = field(default_factory=dict)
    rest: str = ""


def tidy(written: str) -> str:
    """Compatibility forms (NFKC), one kind of dash, single blanks; at most 500 characters."""
    text = unicodedata.normalize("NFKC", written[:_LONGEST]).translate(_DASHES)
    return " ".join(text.split())


def without_doubt(text: str) -> tuple[str, bool]:
    """The text without the question mark or the word of doubt at its end or beginning, and whether there was one."""
    found = _DOUBT.fullmatch(text)
    if found is None or not found["what"].strip():
        return text, False
    return found["what"].strip(), found["mark"] is not None or found["word"] is not None


_DOUBT = re.compile(
    r"(?P<word>(?:possibly|perhaps|probably|maybe|prob\.|poss\.|likely)\s+)?(?P<what>.*?)\s*(?P<mark>\(\?+\)|\?+)?",
    re.IGNORECASE,
)
