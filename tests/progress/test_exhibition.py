"""A set as it is shown: page by page, loans by the names of their owners."""

from __future__ import annotations

import copy
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace as replaced

from service.definitions.history.model import StoredExhibition
from service.progress.exhibition import (
    Exhibition,
    ExhibitionContent,
    Loan,
    TitledDefinition,
    exhibited,
    exhibition_html,
    exhibition_of,
    exhibition_text,
)
from service.rules.messages import MESSAGES
from service.rules.phrases import ENGLISH_SPEECH
from tests.factories import a_document, as_sent, evaluated
from tests.messages import ensure_worded
from tests.openapi import closed, openapi_document, validator

DOCUMENT = a_document(
    {"loose": "grade > 60", "old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"},
    free_choice=[{"id": "any", "label": "Any", "places": 2, "accepts": "grade < 10"}],
    layout=[{"page": "Second", "slots": ["any", "new"]}, {"page": "First", "slots": ["old", "new", "any/2"]}],
)
MINE: dict[str, dict[str, Any]] = {
    "1": {"facts": {"year_on_coin": 1890, "grade": 20}, "number": "A-1", "quantity": 1},
    "2": {"facts": {"year_on_coin": 1700, "grade": 70}, "number": None, "quantity": 1},
}


def a_loan(number: int, owner: str, label: str | None = None, quantity: int = 1, **facts: Any) -> Loan:
    return Loan(f"loan-{number}", owner, label, {"facts": facts, "issue": None, "quantity": quantity})


DAY, MOMENT = date(2026, 11, 25), datetime(2026, 11, 25, tzinfo=UTC)
LOANS = [
    a_loan(1, "Zoe", "My best", year_on_coin=1950, grade=30),
    a_loan(2, "adam", quantity=3, year_on_coin=1, grade=5),
    a_loan(3, "Bea", year_on_coin=1850, grade=11),
]


def shown(note: str | None = None) -> Exhibition:
    held = [{"id": name, "facts": data["facts"]} for name, data in MINE.items()]
    lent = [{"id": loan.id, **{k: v for k, v in loan.recorded.items() if v is not None}} for loan in LOANS]
    result = evaluated(DOCUMENT, [*held, *lent], pins=[("1", "old")])
    made = exhibited(result, DOCUMENT, MINE, LOANS, lambda recorded: f"of {recorded['facts']['year_on_coin']}")
    stamp = TitledDefinition(None, None, result.definition.digest, "A set")
    content = ExhibitionContent(
        note, stamp, "1", "e", "1", result.summary, True, made.exhibits, made.loans, made.unused_loans, result
    )
    stored = StoredExhibition("x", "A show", DAY, as_sent(result.summary), MOMENT, as_sent(content))
    return exhibition_of(stored)


def test_exhibits_come_page_by_page_and_each_once() -> None:
    exhibits = shown().exhibits
    assert [(e.page, e.place, e.holding) for e in exhibits] == [
        ("Second", "any/1", "loan-2"),
        ("Second", "any/2", "loan-2"),
        ("Second", "new", "loan-1"),
        ("First", "old", "1"),
        (None, "loose", "2"),
    ]
    assert [(e.owner, e.number, e.description) for e in exhibits[2:4]] == [
        ("Zoe", None, "My best"),
        (None, "A-1", "of 1890"),
    ]
    assert exhibits[3].facts == {"year_on_coin": 1890, "grade": 20}


def test_loans_come_by_the_names_of_their_owners_and_those_left_over_apart() -> None:
    made = shown()
    assert [(loan.owner, loan.place, loan.label) for loan in made.loans] == [
        ("adam", "any/1", "of 1"),
        ("adam", "any/2", "of 1"),
        ("Zoe", "new", "My best"),
    ]
    assert [(loan.owner, loan.loan, loan.pieces, loan.reason) for loan in made.unused_loans] == [
        ("adam", "loan-2", 1, "spare"),
        ("Bea", "loan-3", 1, "spare"),
    ]


def test_the_text_lists_exhibits_and_loans() -> None:
    text = exhibition_text(shown("words " * 40))
    lines = text.splitlines()
    assert max(map(len, lines)) <= 76
    assert lines[0] == "A show, 2026-11-25"
    assert "5 of 5 places shown" in lines
    assert lines[lines.index("Second") + 1] == "1. Any: of 1, lent by adam"
    assert lines[lines.index("First") + 1] == "4. old: of 1890 (no. A-1)"
    assert lines[lines.index("Exhibits") + 1] == "5. loose: of 1700"
    at = lines.index("Lent by")
    assert lines[at + 1 : at + 4] == ["- adam: of 1, for Any", "- adam: of 1, for Any", "- Zoe: My best, for new"]
    assert lines[lines.index("Offered and not shown") + 2] == "- Bea: of 1850"
    assert "no valuation" in lines[-1]


def test_pages_on_paper_are_called_by_their_labels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(DOCUMENT["layout"][0], "label", "The second page")
    for made in (shown(), replaced(shown(), evaluation=evaluated(DOCUMENT, []))):
        lines = exhibition_text(made).splitlines()
        assert "Second" not in lines
        assert {"The second page", "First", "Exhibits"} <= set(lines)
        page = exhibition_html(made, {}, ENGLISH_SPEECH)
        assert re.findall("<h2>(.*?)</h2>", page) == ["The second page", "First", "Exhibits"]


def test_an_exhibition_of_an_earlier_version_has_the_members_of_now() -> None:
    """Stored before answers had names, codes, labels of rules and outcomes as lists; held against the published schema."""
    now = shown()
    old = copy.deepcopy(as_sent(now.evaluation))
    for name in ("named", "goals", "conflicts_left_out"):
        del old[name]
    counts = old["summary"]
    del counts["presumed"]
    old["conflicts"] = [
        {"kind": "pin", "holding": "1", "place": "old", "reason": "never", "message": "Out of the way."},
        {
            "kind": "constraint",
            "constraint": "r",
            "places": ["new"],
            "holdings": ["2"],
            "gain": 1,
            "message": "A rule.",
        },
        {
            "kind": "undecided",
            "holding": "loan-3",
            "places": ["old"],
            "settle": [{"attribute": "grade", "look_at": "all", "outcomes": {"less than 9": ["old"]}}],
            "message": "Look.",
        },
    ]
    stored = StoredExhibition("0192b5a0-0000-7000-8000-000000000001", "A show", DAY, counts, MOMENT, {})
    members = ("note", "definition", "holdings_state", "reference_edition", "engine_version", "proven_optimal")
    content = {name: as_sent(getattr(now, name)) for name in (*members, "exhibits", "loans", "unused_loans")}
    read = exhibition_of(replace(stored, content={**content, "evaluation": old}))
    sent = as_sent(read)
    document = openapi_document()
    validator(closed(document), {"$ref": "#/components/schemas/Exhibition"}).validate(sent)
    assert sent["evaluation"]["named"]["1"] == {"number": "A-1", "title": "of 1890"}
    assert ensure_worded(sent, MESSAGES) == 3
    assert exhibition_of(replace(stored, content={**content, "evaluation": as_sent(now.evaluation)})) == replace_id(now)


def replace_id(exhibition: Exhibition) -> Exhibition:
    """The same under the id of the stored one."""
    return msgspec.structs.replace(exhibition, id="0192b5a0-0000-7000-8000-000000000001")
