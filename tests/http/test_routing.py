"""The table of routes: what it takes is what the routes, asked in turn, would take."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import pytest
from fastapi import FastAPI
from starlette.routing import BaseRoute, Match, Route

from service.app import create_app
from service.http.routing import RouteTable
from tests.conftest import settings_for

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "BREW")
STEPS = ("", "v1", "definitions", "{id}", "x", "evaluation", "holdings", "changes", "\n", "shared", "a b")


@pytest.fixture(scope="module")
def app() -> FastAPI:
    return create_app(settings_for("sqlite:///unused.sqlite3"))


def in_turn(routes: Sequence[BaseRoute], scope: dict[str, str]) -> BaseRoute | None:
    return next((route for route in routes if route.matches(scope)[0] is Match.FULL), None)


def by_table(table: BaseRoute, scope: dict[str, str]) -> BaseRoute | None:
    match, child = table.matches(scope)
    return child["setwright.route"] if match is Match.FULL else None


def test_it_takes_what_the_routes_in_turn_would_take(app: FastAPI) -> None:
    table, *routes = app.router.routes
    assert isinstance(table, RouteTable)
    paths = {route.path.replace("{", "").replace("}", "") for route in routes if isinstance(route, Route)}
    assert len(paths) > 100
    strange = {"/".join(steps) for count in range(4) for steps in itertools.product(STEPS, repeat=count)}
    # Of the longest each seventh.
    strange |= {"/".join(steps) for steps in itertools.islice(itertools.product(STEPS, repeat=4), 0, None, 7)}
    taken = 0
    for path in paths | {f"{path}/" for path in paths} | {f"{path}\n" for path in paths} | strange:
        for method in METHODS:
            scope = {"type": "http", "path": path, "root_path": "", "method": method}
            expected = in_turn(routes, scope)
            taken += expected is not None
            # A pattern's end may stand before a line's end; the table leaves that to the routes, as it does steps with slashes.
            is_left = path.endswith("\n") or (isinstance(expected, Route) and ":" in expected.path)
            assert by_table(table, scope) is (None if is_left else expected), (method, path)
    assert taken > 150


def test_of_several_that_fit_it_takes_the_first() -> None:
    async def answer() -> None: ...

    for paths in itertools.permutations(("/a/{x}", "/a/b", "/{y}/b", "/a/{z}")):
        routes = [Route(path, answer) for path in paths]
        scope = {"type": "http", "path": "/a/b", "root_path": "", "method": "GET"}
        assert by_table(RouteTable(routes), scope) is routes[0]


def test_a_step_that_takes_slashes_is_left_to_its_route() -> None:
    async def answer() -> None: ...

    routes = [Route("/a/{rest:path}", answer)]
    scope = {"type": "http", "path": "/a/b/c", "root_path": "", "method": "GET"}
    assert by_table(RouteTable(routes), scope) is None
    assert in_turn(routes, scope) is routes[0]
