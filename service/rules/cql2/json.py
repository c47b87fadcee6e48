"""CQL2-JSON (OGC 21-065r2): any value -> the canonical tree of a rule, or every fault with its JSON pointer.

The canonical tree is what `json.loads` would give for CQL2-JSON, with exact numbers (int or Decimal, never float) and
time stamps without trailing zeros. A chain of AND or of OR is one list of arguments; other brackets keep their grouping.
Depth counts operators and lists, one each: 1 + 2 * 3 is two deep.

Only the shape is checked here: which attributes and functions exist, and whether types fit, is checked in operators.py.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType
from typing import Any, TypeAlias

from service.errors import Fault, Sentence
from service.facts.words import nearest
from service.rules.cql2.limits import (
    CHARACTERS,
    DIGITS,
    EXPONENT,
    FRACTION,
    UNSUPPORTED,
    check_size,
    forbidden_characters,
    over_limit,
    refusal,
    shortened,
    unsupported,
)

Json: TypeAlias = Any
"""None, bool, int, Decimal, str, or a list or dict of these. Parsed trees are shared and must not be changed."""

COMPARISON_SIGNS = ("=", "<>", "<", "<=", ">", ">=")
ARITHMETIC_SIGNS = ("+", "-", "*", "/", "%", "div", "^")
ARRAY_FUNCTIONS = ("a_contains", "a_containedBy", "a_overlaps", "a_equals")
ARITY: Mapping[str, int | None] = MappingProxyType(
    {"and": None, "or": None, "not": 1, "between": 3, "in": 2, "like": 2, "isNull": 1, "casei": 1, "accenti": 1}
    | dict.fromkeys(COMPARISON_SIGNS + ARITHMETIC_SIGNS + ARRAY_FUNCTIONS, 2)
)
"""Every operator of the standard with the number of its arguments; None is two or more. Other names are functions."""
KEYWORDS = frozenset(("AND", "OR", "NOT", "BETWEEN", "LIKE", "IN", "IS", "NULL", "DIV", "TRUE", "FALSE"))
"""Words that need double quotes to be the name of an attribute in text."""
BLANKS = "\t-\r \x85\xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000"
_START = (
    ":_A-Za-z\xc0-\xd6\xd8-\xf6\xf8-\u02ff\u0370-\u037d\u037f-\u1ffe\u200c\u200d\u2070-\u218f\u2c00-\u2fef"
    "\u3001-\ud7ff\uf900-\ufdcf\ufdf0-\ufffd\U00010000-\U000effff"
)
IDENTIFIER = re.compile(rf"(?![{BLANKS}])[{_START}](?:(?![{BLANKS}])[{_START}.0-9\u0300-\u036f\u203f\u2040])*+")
OTHER_SIGNS = MappingProxyType(
    {"==": "=", "=>": ">=", "=<": "<=", "!=": "<>", "&&": "AND", "||": "OR", "[": "(", "]": ")", "{": "(", "}": ")"}
)
"""Signs of other languages, and how CQL2 writes them."""
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_TIMESTAMP = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2})(?:\.([0-9]++))?Z")


def canonical_tree(value: object) -> Json:
    """The canonical form of CQL2-JSON (int, Decimal or finite float for numbers). Raises Invalid (OverLimit past a limit);
    faults carry pointers into `value`."""
    check_size(value)
    faults: list[Fault] = []
    tree = checked_tree(value, faults)
    if faults:
        raise refusal(faults)
    return tree


def checked_tree(value: object, faults: list[Fault]) -> Json:
    """The canonical form of a tree whose size has been checked; faults are added to `faults`."""
    return _canonical(value, "", faults, "whole")


def _canonical(value: object, pointer: str, faults: list[Fault], place: str) -> Json:
    """The canonical form of a tree within the limits on depth and size; faults are added to `faults`.

    `place` says what is allowed here: "whole" a rule, "operand" no list, "list" only a list, "argument" either.
    """

    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    if isinstance(value, dict):
        return _canonical_object(value, pointer, faults, place)
    if isinstance(value, list):
        if place in ("whole", "operand"):
            wrong("a list is not allowed here", "lists belong in IN, in the a_ operators and in functions")
            return None
        inner = "operand" if place == "list" else "argument"
        return [_canonical(item, f"{pointer}/{i}", faults, inner) for i, item in enumerate(value)]
    if place == "list":
        wrong("IN takes a list", "write metal IN ('gold', 'silver')")
    elif isinstance(value, bool):
        return value
    elif place == "whole":
        wrong("a rule must be true or false of a coin", "write a comparison, such as metal = 'silver'")
    elif isinstance(value, str):
        return _canonical_text(value, pointer, faults)
    elif isinstance(value, int | float | Decimal):
        number, complaint = _number(value)
        if complaint:
            wrong(Sentence(complaint), code="number")
        return number
    elif value is None:
        wrong("null is not a value", "to ask whether something is known to be none, use isNull")
    else:
        wrong("this is not a JSON value", "use text, numbers, true and false, lists and objects")
    return None


def _canonical_text(value: str, pointer: str, faults: list[Fault]) -> str:
    if len(value) > CHARACTERS:
        faults.extend(over_limit("characters of one text", CHARACTERS, len(value), pointer=pointer).faults)
    faults.extend(replace(fault, pointer=pointer) for _, fault in forbidden_characters(value))
    if value.endswith("\\"):
        message = "a text cannot end in a backslash, because CQL2 text has no way to write it"
        faults.append(Fault("character", message, pointer, "leave the backslash out"))
    return str(value)


def _number(value: float | Decimal) -> tuple[int | Decimal, Sentence | None]:
    """The number without rounding, and the complaint about it, if any."""
    if isinstance(value, int):
        return int(value), None if -(2**63) <= value < 2**63 else Sentence("a whole number must fit in 64 bits")
    number = Decimal(repr(float(value))) if isinstance(value, float) else value
    if not number.is_finite():
        return 0, Sentence("a number must be finite, and its exponent within 100")
    _, digits, exponent = number.as_tuple()
    if len(digits) > DIGITS or abs(number.adjusted()) > EXPONENT or abs(int(exponent)) > EXPONENT + DIGITS:
        sentence = "a decimal has at most {digits} digits and an exponent within {exponent}"
        return 0, Sentence(sentence, digits=DIGITS, exponent=EXPONENT)
    # Written as text it has no point and would be read as a whole number.
    return _number(int(number)) if exponent == 0 else (number, None)


def _canonical_object(value: dict[Any, Any], pointer: str, faults: list[Fault], place: str) -> Json:
    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    keys = set(value)
    if place == "list":
        wrong("IN takes a list", "write metal IN ('gold', 'silver')")
        return None
    kind = next((key for key in ("op", "property", "date", "timestamp") if key in keys), None)
    if kind is None:
        geo = value.get("type")
        if keys & {"bbox", "interval"}:
            name = "bbox" if "bbox" in keys else "interval"
            faults.append(replace(unsupported(name.upper(), UNSUPPORTED[name]), pointer=pointer))
        elif isinstance(geo, str) and UNSUPPORTED.get(geo.lower()) == "spatial literal":
            faults.append(replace(unsupported(geo, UNSUPPORTED[geo.lower()]), pointer=pointer))
        else:
            wrong("unknown object in a rule", 'known are {"op", "args"}, {"property"}, {"date"}, {"timestamp"}')
        return None
    for key in (key for key in value if key != kind and (kind, key) != ("op", "args")):
        name = shortened(key) if isinstance(key, str) else Sentence("a key that is not text")
        wrong(Sentence("{name} is not allowed beside '{kind}'", name=name, kind=kind), "leave it out")
    given = value[kind]
    if kind == "op":
        return _canonical_operator(given, value.get("args"), pointer, faults)
    if place == "whole" and kind != "property":
        hint = "compare the date with an attribute" if kind == "date" else "compare the timestamp with an attribute"
        wrong("a rule must be true or false of a coin", hint)
        return None
    if not isinstance(given, str):
        wrong(Sentence("'{kind}' takes one text", kind=kind), at=f"/{kind}")
    elif kind == "property":
        if found := [replace(fault, pointer=f"{pointer}/property") for _, fault in forbidden_characters(given)]:
            faults.extend(found)
        elif len(given) > CHARACTERS or not IDENTIFIER.fullmatch(given):
            wrong(
                Sentence("{name} is not a name", name=shortened(given)),
                "names have letters, digits, _ : and .",
                at="/property",
            )
        return {"property": str(given)}
    else:
        moment = _moment(kind, given)
        example = "2026-01-31" if kind == "date" else "2026-01-31T12:00:00Z"
        if moment is None:
            wrong(
                Sentence(
                    "{name} is not a date" if kind == "date" else "{name} is not a timestamp", name=shortened(given)
                ),
                Sentence("write it as {example}", example=example),
                at=f"/{kind}",
            )
        return {kind: moment}
    return None


def _moment(kind: str, given: str) -> str | None:
    """A valid date, or a valid UTC time stamp without trailing zeros (at most microseconds); None if it is neither."""
    stamp = _TIMESTAMP.fullmatch(given)
    try:
        if kind == "date":
            return date.fromisoformat(given).isoformat() if _DATE.fullmatch(given) else None
        if stamp is None:
            return None
        datetime.fromisoformat(stamp[1])
    except ValueError:
        return None
    fraction = (stamp[2] or "").rstrip("0")
    return None if len(fraction) > FRACTION else stamp[1] + ("." + fraction if fraction else "") + "Z"


def _canonical_operator(op: object, args: object, pointer: str, faults: list[Fault]) -> Json:
    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    if not isinstance(op, str):
        wrong("'op' takes the name of an operator", at="/op")
        return None
    refused = UNSUPPORTED.get(op.lower())
    if refused is not None:
        faults.append(replace(unsupported(op.upper(), refused), pointer=f"{pointer}/op"))
        return None
    known = op in ARITY
    if not known and not _callable(op):
        near = OTHER_SIGNS.get(op) or nearest(op, ARITY)
        wrong(
            Sentence("unknown operator {op}", op=shortened(op)),
            Sentence("did you mean '{near}'?", near=near) if near else None,
            "unknown-operator",
            "/op",
        )
    if not isinstance(args, list):
        wrong(Sentence("{op} takes its arguments as a list, 'args'", op=shortened(op)))
        return None
    if known:
        count = ARITY[op]
        if len(args) < 2 if count is None else len(args) != count:
            sentence = (
                "{name} takes two or more arguments, not {count}"
                if count is None
                else "{name} takes 1 argument, not {count}"
                if count == 1
                else "{name} takes {wanted} arguments, not {count}"
            )
            wrong(Sentence(sentence, name=shortened(op), wanted=count, count=len(args)))
    if op == "in" and len(args) == 2 and isinstance(args[1], list) and not args[1]:
        wrong("IN takes at least one value", at="/args/1")
    if op == "like" and len(args) == 2 and not _is_pattern(args[1]):
        wrong("the pattern of LIKE is a text, or CASEI or ACCENTI of one", "write title LIKE 'King%'", at="/args/1")
    allowed = "argument" if not known or op in ARRAY_FUNCTIONS else "operand"
    return {
        "op": str(op),
        "args": [
            _canonical(arg, f"{pointer}/args/{i}", faults, "list" if op == "in" and i == 1 else allowed)
            for i, arg in enumerate(args)
        ],
    }


def _callable(op: str) -> bool:
    """Whether this can be the name of a function: an identifier that has no other meaning in text, in any letter case."""
    taken = {name.lower() for name in ARITY} | {"date", "timestamp"}
    fits = len(op) <= CHARACTERS and IDENTIFIER.fullmatch(op) is not None
    return fits and op.lower() not in taken and op.upper() not in KEYWORDS


def _is_pattern(value: object) -> bool:
    while isinstance(value, dict) and value.get("op") in ("casei", "accenti") and isinstance(value.get("args"), list):
        if len(value["args"]) != 1:
            return True  # its own fault is reported
        value = value["args"][0]
    return isinstance(value, str)
