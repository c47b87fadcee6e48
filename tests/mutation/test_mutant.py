"""A mutant changes its fragment where it stands exactly once, and nothing else; the whole sample applies."""

from __future__ import annotations

import pytest

from tests.mutation.__main__ import ROOT, check
from tests.mutation.mutant import Mutant, NotApplicable
from tests.mutation.mutants import MUTANTS
from tests.named_tests import exists

SOURCE = """
def first(a):
    return a + 1


class Store:
    def add(self, a):
        if a > 1:
            return a + 1
        return a > 1
"""


def mutant(function: str, fragment: str, replacement: str) -> Mutant:
    return Mutant("service.x", function, fragment, replacement, ())


def test_only_the_function_that_is_named_changes() -> None:
    assert mutant("Store.add", "a + 1", "a - 1").applied_to(SOURCE) == SOURCE[:50] + SOURCE[50:].replace(
        "a + 1", "a - 1"
    )
    assert mutant("first", "a + 1", "a").applied_to(SOURCE) == SOURCE.replace("a + 1", "a", 1)
    assert "if a > 2" in mutant("Store", "if a > 1", "if a > 2").applied_to(SOURCE)


@pytest.mark.parametrize(
    ("function", "fragment", "replacement"),
    [
        ("second", "a", "b"),
        ("Store.first", "a", "b"),
        ("Store.add", "a > 1", "a > 2"),
        ("Store.add", "a * 1", "a"),
        ("first", "a + 1", "a + 1"),
    ],
)
def test_what_is_not_there_exactly_once_is_told(function: str, fragment: str, replacement: str) -> None:
    with pytest.raises(NotApplicable):
        mutant(function, fragment, replacement).applied_to(SOURCE)


def test_a_change_that_is_no_python_is_none() -> None:
    with pytest.raises(SyntaxError):
        mutant("first", "a + 1", "a +").applied_to(SOURCE)


def test_every_mutant_of_the_sample_applies_and_its_tests_are_there() -> None:
    assert check(MUTANTS) == 0
    for test in sorted({test for mutant in MUTANTS for test in mutant.tests}):
        assert exists(test) if "::" in test else (ROOT / test).exists(), test
