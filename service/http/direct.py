"""Operations that are asked without the framework's general way.

FastAPI looks at every request for parameters of every kind that any dependency might have: for a handful of dependencies that
takes some 60 microseconds. Operations here take what dependencies, which are coroutines, make of the request
and of texts in the path, and perhaps a query of their own: what is to be called with what is known when the route is made. An
operation that takes anything else is left to FastAPI, which reads queries here too.
"""

from __future__ import annotations

import inspect
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.dependencies.utils import request_params_to_args
from fastapi.exceptions import RequestValidationError
from starlette.responses import Response

# What a dependant may have besides what is read here; each of these empty.
_OTHER_KINDS = (
    *("header_params", "cookie_params", "body_params", "websocket_param_name", "http_connection_param_name"),
    *("response_param_name", "background_tasks_param_name", "security_scopes_param_name"),
    *("own_oauth_scopes", "parent_oauth_scopes", "concurrency"),
)


@dataclass(frozen=True, slots=True)
class _Step:
    """A coroutine to be called: the name by which it takes the request, if it does; by name the texts of the path, and the
    results of earlier steps."""

    call: Callable[..., Awaitable[Any]]
    request: str | None
    path: Sequence[tuple[str, str]]
    earlier: Sequence[tuple[str, int]]

    def named(self, request: Request, results: Sequence[Any]) -> dict[str, Any]:
        """What it takes."""
        named: dict[str, Any] = {} if self.request is None else {self.request: request}
        for name, alias in self.path:
            named[name] = request.path_params[alias]
        for name, place in self.earlier:
            named[name] = results[place]
        return named


class _NotPlain(Exception):
    """Something in an operation is not read here."""


def direct_handler(dependant: Dependant) -> Callable[[Request], Coroutine[Any, Any, Response]] | None:
    """What answers requests of an operation, as FastAPI asks a route for it (`get_route_handler`); None where its own has to."""
    steps: list[_Step] = []
    try:
        last = _step(dependant, steps, {})
    except _NotPlain:
        return None
    query = dependant.query_params

    async def handle(request: Request) -> Response:
        results = list[Any]()
        for step in steps:
            results.append(await step.call(**step.named(request, results)))
        named = last.named(request, results)
        if query:
            values, errors = request_params_to_args(query, request.query_params)
            if errors:
                raise RequestValidationError(errors)
            named |= values
        response: Response = await last.call(**named)
        return response

    return handle


def _step(dependant: Dependant, steps: list[_Step], known: dict[Any, int]) -> _Step:
    """The call of a dependant. What it depends on is added to the steps in the order in which FastAPI calls; what several depend
    on is called once."""
    earlier: list[tuple[str, int]] = []
    for inner in dependant.dependencies:
        if inner.call not in known or not inner.use_cache:
            step = _step(inner, steps, known)
            if inner.query_params:
                raise _NotPlain
            known[inner.call] = len(steps)
            steps.append(step)
        if inner.name is not None:
            earlier.append((inner.name, known[inner.call]))
    call, texts = dependant.call, dependant.path_params
    has_others = any(getattr(dependant, kind) for kind in _OTHER_KINDS)
    # Whatever is not just a text is checked.
    are_texts = all(text.field_info.annotation is str and not text.field_info.metadata for text in texts)
    if call is None or not inspect.iscoroutinefunction(call) or has_others or not are_texts:
        raise _NotPlain
    return _Step(call, dependant.request_param_name, [(text.name, text.alias) for text in texts], earlier)
