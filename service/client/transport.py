"""One request at a time, tried again while the service is not reached or busy: what is sent twice does not happen twice."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Mapping
from typing import Any

import httpx

from service.client.model import as_json, from_json

_TRIES = 6
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 0.2, 30.0
# 400 and 408 too: a line cut in the middle of a request makes the service say them, and they are no verdict on the content.
_AGAIN = (400, 408, 429, 500, 502, 503, 504)
_VERDICTS = (413, 422)
_CHANCE = random.SystemRandom()
_LOST_HISTORY = "cannot-calculate-changes"


class Offline(Exception):
    """No usable answer, for now or for these credentials; everything on the device is as it was."""


class HistoryGone(Exception):
    """The service's history does not contain the state that this device knows: a backup was restored."""


class RefusedRequest(Exception):
    """The request as a whole was refused for what it contains; `problem` is the problem document."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        super().__init__(str(problem.get("title", "refused")))
        self.problem = problem


class Transport:
    """`sleep` waits between two tries, `chance` gives numbers from 0 to 1; tests hand in others."""

    def __init__(
        self,
        base_url: str,
        token: str,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
        chance: Callable[[], float] = _CHANCE.random,
    ) -> None:
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self._http = httpx.Client(base_url=base_url, headers=headers, transport=transport, timeout=10)
        self._sleep, self._chance = sleep, chance

    def close(self) -> None:
        self._http.close()

    def get(self, path: str, **query: str | int | None) -> dict[str, Any]:
        params = {name: value for name, value in query.items() if value is not None}
        return self._ask("GET", path, params=params)

    def post(self, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
        return self._ask("POST", path, content=as_json(body))

    def _ask(self, method: str, path: str, **more: Any) -> dict[str, Any]:
        """The JSON of a 200. Raises Offline, HistoryGone, Refused."""
        trouble = ""
        for number in range(_TRIES):
            wait = 0.0
            try:
                answer = self._http.request(method, path, **more)
            except httpx.RequestError as problem:
                trouble = type(problem).__name__
            else:
                if answer.status_code not in _AGAIN:
                    return self._read(answer)
                trouble = str(answer.status_code)
                asked = answer.headers.get("retry-after", "")
                wait = min(float(asked), _LONGEST_PAUSE_SECONDS) if asked.isascii() and asked.isdigit() else 0.0
            if number < _TRIES - 1:
                pause = min(_FIRST_PAUSE_SECONDS * 2**number, _LONGEST_PAUSE_SECONDS)
                # Jitter: devices that lost the service together do not come back together.
                self._sleep(wait + pause * (0.5 + self._chance()))
        raise Offline(f"the service was not reached: {trouble}")

    def _read(self, answer: httpx.Response) -> dict[str, Any]:
        try:
            told = from_json(answer.content)
        except ValueError:
            told = None
        if not isinstance(told, dict):
            # A page of the café's network, say.
            raise Offline(f"{answer.status_code} that is not the service's")
        if answer.status_code == 410 and str(told.get("type", "")).endswith(_LOST_HISTORY):
            raise HistoryGone
        if answer.status_code in _VERDICTS:
            raise RefusedRequest(told)
        if answer.status_code != 200:
            raise Offline(f"{answer.status_code} {told.get('title', '')}".strip())
        return told
