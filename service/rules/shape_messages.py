"""What is wrong with the shape of a JSON value, in one sentence: "status must be one of 'held', 'sold' or 'lost'".

The schema library says it about an "Input"; here the member has its name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_TYPES = {
    "string_type": "text",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "an object",
    "model_type": "an object",
    "model_attributes_type": "an object",
    "decimal_type": "a number",
}
_SUBJECT = re.compile(r"^[A-Z]\w+( \w+)? should ")


def shape_message(kind: str, message: str, path: Sequence[int | str]) -> str:
    """The library's complaint of a `kind` about the member at the end of `path`, by that member's name. A message that is
    not one of the library's own is returned as it is."""
    name = _name(path)
    if kind == "missing":
        return f"{name} is missing"
    if kind == "extra_forbidden":
        return f"unknown field {name}"
    if kind == "string_pattern_mismatch":
        return f"{name} has a character that is not allowed there"
    if kind in _TYPES:
        return f"{name} must be {_TYPES[kind]}"
    if kind == "literal_error" and " or " in message:
        return f"{name} must be one of {message.removeprefix('Input should be ')}"
    return _SUBJECT.sub(f"{name} must ", message)


def _name(path: Sequence[int | str]) -> str:
    """The member at the end of a path: "'status'", "'slots' entry 3" (counted from 1), "the body"."""
    last = next((at for at in reversed(range(len(path))) if isinstance(path[at], str)), None)
    if last is None:
        return f"entry {int(path[-1]) + 1}" if path else "the body"
    name = f"'{str(path[last])[:80]}'"
    following = [int(step) + 1 for step in path[last + 1 :]]
    return f"{name} entry {following[0]}" if following else name
