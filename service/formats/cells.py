"""The language of cells, the same in every sheet that is imported or exported.

A cell is read by the type of its attribute. Empty: not recorded. `-`: known to be none. Several terms: separated by `;`.
What is not known for sure: `1892|1893` is one of these, `1890-1895` or `1890..1895` lies between, `1890..` is not before.
What begins with one of { [ " is JSON, as in the facts of a holding: {"one_of": [1892, 1893]}, or a text that would mean
something else. No text is written so that a spreadsheet takes it for a formula; it is read back as it was.
"""

from __future__ import annotations

import re
from typing import Any

from service.database.types import written
from service.errors import Fault, Unreadable
from service.facts.attributes import Attribute
from service.formats.strict_json import parse_json

NONE, APART, OR, TO, PREFIX = "-", ";", "|", "..", "facts."

# A number as JSON writes it (RFC 8259, section 6).
_NUMBER = r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?"
# Far within the whole numbers that are kept, and most of what cells say.
_SHORT_WHOLE = re.compile("0|[1-9][0-9]{0,14}")
_PLAIN_NUMBER = re.compile(_NUMBER)
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_BETWEEN = {
    True: re.compile(rf"({_NUMBER})?\s*(?:-|\u2013|\.\.)\s*({_NUMBER})?"),
    False: re.compile(rf"({_DATE})?\s*(?:-|\u2013|\.\.)\s*({_DATE})?"),
}
_WORDS = {"true": True, "yes": True, "false": False, "no": False}


# --- reading -----------------------------------------------------------------------------------------------------------


def read_fact_cell(cell: str, attribute: Attribute | None) -> tuple[Any, list[Fault]]:
    """What a cell that is not blank says, as JSON would have it, and what is wrong with it. Without an attribute its
    cells are JSON."""
    if cell == NONE:
        return {"none": True}, []
    if attribute is None or cell[0] in '{["':
        return _read_json(cell)
    if attribute.many:
        return read_list_cell(cell)
    if attribute.is_number and _PLAIN_NUMBER.fullmatch(cell):
        return _read_json(cell)
    if OR in cell:
        return _read_alternatives(cell, attribute)
    if attribute.is_ordered and attribute.type != "timestamp":
        between = _BETWEEN[attribute.is_number].fullmatch(cell)
        # An open end is written with two points: a hyphen alone may be a minus sign.
        if between is not None and (TO in cell or all(between.groups())) and any(between.groups()):
            return _read_between(between.group(1), between.group(2), attribute)
    if attribute.type == "boolean":
        return _WORDS.get(cell.lower(), cell), []
    # A word where a number belongs is a fault that the reader of facts finds.
    return cell, []


def read_text_cell(cell: str) -> tuple[Any, list[Fault]]:
    """The text of a cell that is not blank."""
    return _read_json(cell) if cell.startswith('"') else (cell, [])


def read_list_cell(cell: str) -> tuple[Any, list[Fault]]:
    """The texts of a cell that is not blank."""
    if cell.startswith("["):
        return _read_json(cell)
    return [part.strip() for part in cell.split(APART) if part.strip()], []


def read_json_cell(cell: str, hint: str | None = None) -> tuple[Any, list[Fault]]:
    """The JSON of a cell; `hint` is for one that is none."""
    if _SHORT_WHOLE.fullmatch(cell):
        return int(cell), []
    try:
        return parse_json(cell.encode()), []
    except Unreadable as problem:
        return None, [Fault(fault.code, fault.message, fault.pointer, fault.hint or hint) for fault in problem.faults]


def is_number(cell: str) -> bool:
    return _PLAIN_NUMBER.fullmatch(cell) is not None


def _read_json(cell: str) -> tuple[Any, list[Fault]]:
    return read_json_cell(cell, None if cell[0] in '{["' else "the attribute is not declared, so its cells are JSON")


def _read_alternatives(cell: str, attribute: Attribute) -> tuple[Any, list[Fault]]:
    values: list[Any] = []
    faults: list[Fault] = []
    for part in filter(None, map(str.strip, cell.split(OR))):
        value, wrong = read_fact_cell(part, attribute)
        if isinstance(value, dict) and value != {"none": True}:
            return cell, [Fault.of("form", "alternatives are single values, and '{part}' is none", part=part[:40])]
        values.append(value)
        faults += wrong
    return {"one_of": values}, faults


def _read_between(low: str | None, high: str | None, attribute: Attribute) -> tuple[Any, list[Fault]]:
    ends: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, end in (("from", low), ("to", high)):
        if end is not None:
            ends[name], wrong = read_fact_cell(end, attribute)
            faults += wrong
    return ends, faults


# --- writing -----------------------------------------------------------------------------------------------------------


def fact_cell(value: Any, attribute: Attribute | None) -> str:
    """The cell of a fact, in the shortest form that is read back as it is; None is blank."""
    if value is None:
        return ""
    if value == {"none": True} and value["none"] is True:
        return NONE
    if attribute is None:
        return written(value)
    if isinstance(value, dict):
        return _doubt_cell(value, attribute)
    if attribute.many:
        return list_cell(value) if isinstance(value, list) else written(value)
    if isinstance(value, str) and attribute.type in ("text", "date", "timestamp"):
        return text_cell(value) if OR not in value else written(value)
    return written(value)


def list_cell(terms: list[Any]) -> str:
    """The cell of a list of texts; an empty list is not blank."""
    joined = APART.join(terms) if all(isinstance(term, str) for term in terms) else ""
    return joined if joined and _means_itself(joined) and read_list_cell(joined)[0] == terms else written(terms)


def text_cell(text: str) -> str:
    """The cell of a text; an empty text is not blank."""
    return text if _means_itself(text) else written(text)


def _doubt_cell(value: dict[str, Any], attribute: Attribute) -> str:
    """Alternatives and ranges of numbers in short where that says just the same, to the last digit."""
    short = ""
    if set(value) == {"one_of"} and isinstance(value["one_of"], list) and len(value["one_of"]) > 1:
        short = OR.join(fact_cell(item, attribute) for item in value["one_of"])
    elif value and set(value) <= {"from", "to"}:
        short = TO.join(fact_cell(value[end], attribute) if end in value else "" for end in ("from", "to"))
    if not short or short[0] in '{["=+-@':
        return written(value)
    again, faults = read_fact_cell(short, attribute)
    return short if not faults and written(again) == written(value) else written(value)


def _means_itself(text: str) -> bool:
    """Whether a cell of this text is read back as it is, and no spreadsheet takes it for a formula."""
    return text != "" and text == text.strip() and text[0] not in '{["=+-@'
