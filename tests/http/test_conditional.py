"""If-Match and If-None-Match."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.requests import Request

from service.errors import Stale
from service.http.conditional import entity_tag, if_match, is_known
from service.http.problems import Problem


def a_request(**headers: str) -> Request:
    raw = [(name.replace("_", "-").encode(), value.encode("latin-1")) for name, value in headers.items()]
    scope: dict[str, Any] = {"type": "http", "method": "PATCH", "path": "/", "headers": raw}
    return Request(scope)


def test_different_parts_give_different_tags() -> None:
    assert entity_tag("a", "bc") != entity_tag("ab", "c")
    assert entity_tag("a", 1) == entity_tag("a", "1")


def test_without_if_match_a_change_is_refused() -> None:
    with pytest.raises(Problem) as caught:
        if_match(a_request())
    assert caught.value.kind.status == 428


@pytest.mark.parametrize("header", ['"a"', '"b", "a"', '"b","a" , "c"', "*", ' "a" '])
def test_a_current_tag_or_a_star_lets_the_change_through(header: str) -> None:
    if_match(a_request(if_match=header)).check('"a"')


@pytest.mark.parametrize("header", ['"b"', 'W/"a"', '"b", W/"a"', '""'])
def test_another_tag_or_a_weak_one_does_not(header: str) -> None:
    with pytest.raises(Stale):
        if_match(a_request(if_match=header)).check('"a"')


@pytest.mark.parametrize("header", ["a", '"a', '"a" "b"', ",", '"a",', "", '"' + "a" * 3000 + '"'])
def test_what_is_no_list_of_tags_is_refused(header: str) -> None:
    with pytest.raises(Problem) as caught:
        if_match(a_request(if_match=header))
    assert caught.value.kind.status == 400


@pytest.mark.parametrize(
    ("header", "known"), [('"a"', True), ('W/"a"', True), ("*", True), ('"b"', False), ('"b", "a"', True)]
)
def test_if_none_match_compares_weakly(header: str, known: bool) -> None:
    assert is_known(a_request(if_none_match=header), '"a"') is known


def test_without_if_none_match_nothing_is_known() -> None:
    assert not is_known(a_request(), '"a"')
