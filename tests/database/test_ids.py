"""Ids of stored things."""

from __future__ import annotations

import time
import uuid

import pytest

from service.database.ids import is_version_7, new_id, read_id


def test_a_fresh_id_is_a_uuid_of_version_7_with_the_time_in_front() -> None:
    before = time.time_ns() // 1_000_000
    made = uuid.UUID(new_id())
    after = time.time_ns() // 1_000_000
    assert (made.version, made.variant) == (7, uuid.RFC_4122)
    assert before <= made.int >> 80 <= after


def test_ids_made_in_a_row_are_different() -> None:
    assert len({new_id() for _ in range(10_000)}) == 10_000


def test_the_standards_own_example_is_of_version_7() -> None:
    # RFC 9562, appendix A.6.
    example = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F"
    assert read_id(example) == example.lower()
    assert is_version_7(example.lower())


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "017F22E279B07CC398C4DC0C0C07398F",
        "{017f22e2-79b0-7cc3-98c4-dc0c0c07398f}",
        "017f22e2-79b0-7cc3-98c4-dc0c0c07398g",
        "urn:uuid:017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
    ],
)
def test_only_the_written_form_with_hyphens_is_an_id(text: str) -> None:
    assert read_id(text) is None


def test_other_versions_are_told_apart() -> None:
    assert not is_version_7(str(uuid.uuid4()))
