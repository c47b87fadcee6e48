"""One request at a time, tried again while the service is not reached or busy: what is sent twice does not happen twice."""

from __future__ import annotations

import gzip
import random
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import httpx

from service.client.model import as_json, from_json

MOST_TRIES = 6
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 0.2, 30.0
_AGAIN = (408, 429, 500, 502, 503, 504)
# A verdict if it is a problem document of the service; what others say on the way is none.
_VERDICTS = (400, 413, 422)
# Of a photo also that there is no room for it, or that its type is not taken.
_PHOTO_VERDICTS = (*_VERDICTS, 415, 507)
# Of a batch: that it may not be compressed.
_BATCH_VERDICTS = (*_VERDICTS, 415)
_CHANCE = random.SystemRandom()
_LOST_HISTORY = "cannot-calculate-changes"
# Shorter bodies are sent as they are.
_WORTH_COMPRESSING = 1_000


class Offline(Exception):
    """No usable answer, for now or for these credentials; everything on the device is as it was."""


class HistoryGone(Exception):
    """The service's history does not contain the state that this device knows: a backup was restored."""


class RefusedRequest(Exception):
    """The request as a whole was refused for what it contains; `problem` is the problem document."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        super().__init__(str(problem.get("title", "refused")))
        self.problem = problem

    @property
    def is_about_the_frame(self) -> bool:
        """Whether something is wrong with what stands around the mutations, of which none is to blame."""
        pointers = [
            str(error.get("pointer", "")) for error in self.problem.get("errors", ()) if isinstance(error, dict)
        ]
        return bool(pointers) and not any(pointer.startswith("/mutations") for pointer in pointers)


class Transport:
    """`sleep` waits between two tries, `chance` gives numbers from 0 to 1; tests hand in others. `service_time` is the service's
    clock in its last answer (`Date`, RFC 9110, section 6.6.1), None before there was one. `tries` is how often a request is sent
    before it counts as not answered."""

    def __init__(
        self,
        base_url: str,
        token: str,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
        chance: Callable[[], float] = _CHANCE.random,
    ) -> None:
        headers = {"Authorization": f"Bearer {token}"}
        self._http = httpx.Client(base_url=base_url, headers=headers, transport=transport, timeout=10)
        self._sleep, self._chance = sleep, chance
        self.service_time: datetime | None = None
        self.tries = MOST_TRIES

    def close(self) -> None:
        self._http.close()

    def get(self, path: str, **query: str | int | None) -> dict[str, Any]:
        params = {name: value for name, value in query.items() if value is not None}
        return self._ask("GET", path, lambda: {"params": params})

    def post(
        self, path: str, body: Callable[[], Mapping[str, Any]], *, is_compressed: bool = False, **query: str
    ) -> dict[str, Any]:
        """`body` is made anew for each try: it says when it is sent."""

        def made() -> dict[str, Any]:
            content, headers = as_json(body()), {"Content-Type": "application/json", "Prefer": "return=minimal"}
            if is_compressed and len(content) >= _WORTH_COMPRESSING:
                content, headers["Content-Encoding"] = gzip.compress(content, mtime=0), "gzip"
            return {"params": query, "headers": headers, "content": content}

        return self._ask("POST", path, made, _BATCH_VERDICTS)

    def put_photo(self, sha256: str, content: bytes, kind: str) -> None:
        """The file of a photo. Raises RefusedRequest also where there is no room for it."""
        sent = {"headers": {"Content-Type": kind}, "content": content}
        self._ask("PUT", f"/v1/photos/{sha256}", lambda: sent, _PHOTO_VERDICTS)

    def _ask(
        self, method: str, path: str, request: Callable[[], Mapping[str, Any]], verdicts: tuple[int, ...] = _VERDICTS
    ) -> dict[str, Any]:
        """The JSON of the answer. Raises Offline, HistoryGone, RefusedRequest."""
        trouble = ""
        for number in range(self.tries):
            wait = 0.0
            try:
                answer = self._http.request(method, path, **request())
            except httpx.RequestError as problem:
                trouble = type(problem).__name__
            else:
                told = _told(answer)
                # A line that was cut may be answered by somebody on the way; no verdict on the content.
                is_cut = answer.status_code == 400 and not _is_problem(told)
                if answer.status_code not in _AGAIN and not is_cut:
                    return self._read(answer, told, verdicts)
                trouble = str(answer.status_code)
                asked = answer.headers.get("retry-after", "")
                wait = min(float(asked), _LONGEST_PAUSE_SECONDS) if asked.isascii() and asked.isdigit() else 0.0
            if number < self.tries - 1:
                pause = min(_FIRST_PAUSE_SECONDS * 2**number, _LONGEST_PAUSE_SECONDS)
                # Jitter: devices that lost the service together do not come back together.
                self._sleep(wait + pause * (0.5 + self._chance()))
        raise Offline(f"the service was not reached: {trouble}")

    def _read(self, answer: httpx.Response, told: Any, verdicts: tuple[int, ...]) -> dict[str, Any]:
        if not isinstance(told, dict):
            # A page of the café's network, say.
            raise Offline(f"{answer.status_code} that is not the service's")
        if answer.status_code == 410 and str(told.get("type", "")).endswith(_LOST_HISTORY):
            raise HistoryGone
        if answer.status_code in verdicts and _is_problem(told):
            raise RefusedRequest(told)
        if answer.status_code not in (200, 201):
            raise Offline(f"{answer.status_code} {told.get('title', '')}".strip())
        self.service_time = _date_of(answer) or self.service_time
        return told


def _told(answer: httpx.Response) -> Any:
    try:
        return from_json(answer.content)
    except ValueError:
        return None


def _is_problem(told: Any) -> bool:
    """Whether it is a problem document of the service (RFC 9457), whose types are addresses of its own."""
    return isinstance(told, dict) and "/problems/" in str(told.get("type", "")) and "status" in told


def _date_of(answer: httpx.Response) -> datetime | None:
    try:
        found = parsedate_to_datetime(answer.headers.get("date", ""))
    except ValueError:
        return None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
