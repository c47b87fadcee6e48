"""Pins and nevers before they are kept: what is wrong with them."""

from __future__ import annotations

import pytest

from service.facts import words
from service.progress.decisions import faults_of_decisions
from tests.factories import a_document, a_holding, a_measurement


def test_a_place_that_may_be_meant_is_named_for_the_first_wrong_names_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is held against every name of the set: 4,000 against 2,000 took minutes."""
    monkeypatch.setattr(words, "MOST_SOUGHT", 2)
    request = a_measurement(a_document({"shilling": "grade > 1", "florin": "grade > 2"}), [a_holding("c", grade=20)])
    wrong = ["shiling", "florn", "shiling", "shillling"]
    found = faults_of_decisions(request, [("c", name) for name in wrong], [])
    hints = {fault.pointer: fault.hint and str(fault.hint) for fault in found if fault.code == "unknown-place"}
    assert hints == {
        "/pins/0/place": "did you mean 'shilling'?",
        "/pins/1/place": "did you mean 'florin'?",
        "/pins/2/place": "did you mean 'shilling'?",
        "/pins/3/place": None,
    }


def test_the_names_of_a_set_are_folded_once(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []

    def folding(text: str) -> str:
        seen.append(text)
        return fold(text)

    fold = words.folded
    monkeypatch.setattr(words, "folded", folding)
    request = a_measurement(a_document({f"place-{n}": "grade > 1" for n in range(20)}), [a_holding("c", grade=20)])
    faults_of_decisions(request, [("c", f"plaice-{n}") for n in range(20)], [])
    assert len(seen) == 40
