"""Finding the route of a request by the steps of its path, instead of asking every route in turn."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from starlette.datastructures import URLPath
from starlette.routing import BaseRoute, Match, NoMatchFound, Route
from starlette.types import Receive, Scope, Send

_FOUND = "setwright.route"


class RouteTable(BaseRoute):
    """Stands before the routes that it was made of and takes what one of them takes in full; whatever else comes is left to the
    routes themselves, asked in turn. Of several that fit the first of the list is taken, as then."""

    def __init__(self, routes: Iterable[BaseRoute]) -> None:
        self._root = _Step()
        for place, route in enumerate(routes):
            # A step that takes slashes, or anything but a plain route, is not in the table.
            if isinstance(route, Route) and ":" not in route.path:
                self._root.add(route.path.split("/"), place, route)

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        # The end of a route's pattern may stand before a line's end (`$` of regular expressions): not for the table.
        if scope["type"] == "http" and not scope["path"].endswith("\n"):
            fitting: list[tuple[int, Route]] = []
            self._root.find(scope["path"].split("/"), 0, fitting)
            fitting.sort(key=_place)
            for _, route in fitting:
                match, child_scope = route.matches(scope)
                if match is Match.FULL:
                    child_scope[_FOUND] = route
                    return match, child_scope
        return Match.NONE, {}

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        await scope[_FOUND].handle(scope, receive, send)

    def url_path_for(self, name: str, /, **path_params: Any) -> URLPath:
        raise NoMatchFound(name, path_params)


def _place(entry: tuple[int, Route]) -> int:
    return entry[0]


class _Step:
    """The routes that end here, and the steps that may follow."""

    def __init__(self) -> None:
        self._routes: list[tuple[int, Route]] = []
        self._named: dict[str, _Step] = {}
        self._any: _Step | None = None

    def add(self, steps: list[str], place: int, route: Route) -> None:
        if not steps:
            self._routes.append((place, route))
            return
        first, *rest = steps
        if "{" in first:
            self._any = self._any or _Step()
            self._any.add(rest, place, route)
        else:
            self._named.setdefault(first, _Step()).add(rest, place, route)

    def find(self, steps: list[str], at: int, found: list[tuple[int, Route]]) -> None:
        if at == len(steps):
            found.extend(self._routes)
            return
        named = self._named.get(steps[at])
        if named is not None:
            named.find(steps, at + 1, found)
        if self._any is not None:
            self._any.find(steps, at + 1, found)
