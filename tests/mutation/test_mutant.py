"""A mutant changes its fragment where it stands exactly once, and nothing else."""

from __future__ import annotations

import pytest

from tests.mutation.mutant import Mutant, NotApplicable

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
