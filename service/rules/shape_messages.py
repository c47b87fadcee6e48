"""What is wrong with the shape of a JSON value, in one sentence: "status must be one of 'held', 'sold' or 'lost'".

The schema library says it about an "Input"; here the member has its name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic_core import PydanticCustomError

from service.errors import Sentence

# What is said of each type of error of the library that a value can have. The parts are those of the library.
_SENTENCES = {
    "missing": "{name} is missing",
    "extra_forbidden": "unknown field {name}",
    "string_pattern_mismatch": "{name} has a character that is not allowed there",
    "string_type": "{name} must be text",
    "int_type": "{name} must be a whole number",
    "bool_type": "{name} must be true or false",
    "list_type": "{name} must be a list",
    "dict_type": "{name} must be an object",
    "model_type": "{name} must be an object",
    "model_attributes_type": "{name} must be an object",
    "decimal_type": "{name} must be a number",
    "greater_than": "{name} must be greater than {gt}",
    "greater_than_equal": "{name} must be greater than or equal to {ge}",
    "less_than": "{name} must be less than {lt}",
    "less_than_equal": "{name} must be less than or equal to {le}",
    "finite_number": "{name} must be a finite number",
    "float_type": "{name} must be a valid number",
    "float_parsing": "{name} must be a valid number, unable to parse string as a number",
    "int_parsing": "{name} must be a valid integer, unable to parse string as an integer",
    "int_from_float": "{name} must be a valid integer, got a number with a fractional part",
    "bool_parsing": "{name} must be a valid boolean, unable to interpret input",
    "string_too_long": "{name} must have at most {max_length} characters",
    "string_too_short": "{name} must have at least {min_length} characters",
    "too_long": "{name} must have at most {max_length} items after validation, not {actual_length}",
    "too_short": "{name} must have at least {min_length} items after validation, not {actual_length}",
}
# The same where what is counted is one.
_OF_ONE = {
    "string_too_long": "{name} must have at most {max_length} character",
    "string_too_short": "{name} must have at least {min_length} character",
    "too_long": "{name} must have at most {max_length} item after validation, not {actual_length}",
    "too_short": "{name} must have at least {min_length} item after validation, not {actual_length}",
}
_SUBJECT = re.compile(r"^[A-Z]\w+( \w+)? should ")


def complaint(kind: str, sentence: str, /, **parts: object) -> PydanticCustomError:
    """What a check of our own raises while the schema library reads a value: its message is the sentence with its parts."""
    return PydanticCustomError(kind, "{told}", {"told": Sentence(sentence, **parts)})


def shape_message(
    kind: str, message: str, path: Sequence[int | str], context: Mapping[str, Any] | None = None
) -> Sentence:
    """The library's complaint of a `kind` about the member at the end of `path`, by that member's name; `context` has what it
    speaks of, as the library gives it. A message that is not one of the library's own is returned as it is."""
    context, name = context or {}, member_name(path)
    told = context.get("told")
    if isinstance(told, Sentence):
        return told
    if kind == "literal_error":
        return _must_be(name, message.removeprefix("Input should be "))
    if kind in _SENTENCES:
        is_one = 1 in (context.get("max_length"), context.get("min_length"))
        sentence = _OF_ONE.get(kind, _SENTENCES[kind]) if is_one else _SENTENCES[kind]
        return Sentence(sentence, **{**context, "name": name})
    if kind == "value_error":
        return Sentence("Value error, {fault}", fault=_said(context.get("error", message)))
    rest = _SUBJECT.sub("", message)
    return Sentence(message) if rest == message else Sentence("{name} must {rest}", name=name, rest=rest)


def _said(error: object) -> Sentence:
    """What an exception was raised with."""
    said = error.args[0] if isinstance(error, Exception) and error.args else error
    return Sentence(said if isinstance(said, str) else str(said))


def _must_be(name: Sentence, expected: str) -> Sentence:
    """Which of the values in quotes it must be."""
    options, _, last = expected.rpartition(" or ")
    if not options:
        return Sentence("{name} must be {expected}", name=name, expected=expected)
    one_of = Sentence("{options} or {last}", options=options, last=last)
    return Sentence("{name} must be one of {options}", name=name, options=one_of)


def member_name(path: Sequence[int | str]) -> Sentence:
    """The member at the end of a path: "'status'", "'slots' entry 3" (counted from 1), "the body"."""
    last = next((at for at in reversed(range(len(path))) if isinstance(path[at], str)), None)
    if last is None:
        return Sentence("entry {number}", number=int(path[-1]) + 1) if path else Sentence("the body")
    name = str(path[last])[:80]
    following = [int(step) + 1 for step in path[last + 1 :]]
    return (
        Sentence("'{name}' entry {number}", name=name, number=following[0])
        if following
        else Sentence("'{name}'", name=name)
    )
