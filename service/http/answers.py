"""Answers of stored sets, kept as they were sent, by all that they follow from.

An answer is found by the entity tag of what it follows from, which is looked up in the database with every request: nothing that
is kept can be older than what is stored, however many processes write. What is let go of is computed again.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Annotated, Any, TypeVar, cast

from fastapi import Depends, Request
from starlette.responses import Response

from service.accounts.model import Owner
from service.http.compression import in_coding
from service.http.conditional import IfNoneMatch, is_known
from service.http.elsewhere import Answered, FileAnswer
from service.http.responses import Reply
from service.progress.actions.stored_set import SetKey, SetsKey

Key = TypeVar("Key", SetKey, SetsKey)
# What an entry takes besides its body and headers, roughly, in bytes.
_ENTRY_BYTES = 1_000
_MOST_QUESTIONS, _LONGEST_QUESTION = 1_000, 500


@dataclass(frozen=True, slots=True)
class Address:
    """What is asked (the path template), by whom, and the entity tag of all that the answer follows from."""

    path: str
    owner: Owner
    tag: str


@dataclass(slots=True)
class Counts:
    """What became of requests for answers since the start. `waits`: those that waited for another's computation."""

    hits: int = 0
    misses: int = 0
    waits: int = 0
    evictions: int = 0
    bytes: int = 0


class Answers:
    """The answers that were asked for last, in up to `most_bytes`. Of one event loop."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._kept: OrderedDict[Address, Response] = OrderedDict()
        # The same as they are sent, by their coding.
        self._coded: dict[Address, dict[str | None, Response]] = {}
        self._flights: dict[Address, _Flight] = {}
        self.counts = Counts()

    def find(self, address: Address) -> Response | None:
        """The answer that is kept."""
        found = self._kept.get(address)
        if found is not None:
            self._kept.move_to_end(address)
            self.counts.hits += 1
        return found

    def find_sent(self, address: Address, coding: str | None) -> Response | None:
        """The answer that is kept in a coding, if it was sent in that before."""
        coded = self._coded.get(address)
        return None if coded is None or coding not in coded or self.find(address) is None else coded[coding]

    async def find_coded(self, address: Address, coding: str | None) -> Response | None:
        """The answer that is kept, in a coding: compressed when it is asked for the first time, and kept as that too."""
        found = self.find(address)
        if found is None:
            return None
        coded = self._coded.get(address, {}).get(coding)
        if coded is None:
            coded = await in_coding(found, coding)
            # Meanwhile it may have been let go of.
            if self._kept.get(address) is found and coding not in self._coded.setdefault(address, {}):
                self._coded[address][coding] = coded
                self.counts.bytes += _own_size(coded, found)
                self._let_go()
        return coded

    async def once(self, address: Address, make: Callable[[], Awaitable[tuple[Address, Response]]]) -> Response:
        """The answer that is kept, or else what `make` makes, which is kept by the address that it returns: one made while
        something changed is of the newer state. Whoever asks meanwhile waits for it; when it fails the next one makes it."""
        while True:
            found = self.find(address)
            if found is not None:
                return found
            flight = self._flights.get(address)
            if flight is None:
                break
            self.counts.waits += 1
            await flight.landed.wait()
            if flight.answer is not None:
                return flight.answer
        self.counts.misses += 1
        flight = self._flights[address] = _Flight()
        try:
            made, answer = await make()
            # One that comes from a file is given once, a refusal from elsewhere to whoever asked.
            if not isinstance(answer, FileAnswer) and answer.status_code == 200:
                flight.answer = answer
                self._keep(made, answer)
        finally:
            del self._flights[address]
            flight.landed.set()
        return answer

    def _keep(self, address: Address, answer: Response) -> None:
        self._drop(address)
        if _size(answer) > self._most_bytes:
            return
        self._kept[address] = answer
        self.counts.bytes += _size(answer)
        self._let_go()

    def _let_go(self) -> None:
        while self.counts.bytes > self._most_bytes:
            self._drop(next(iter(self._kept)))
            self.counts.evictions += 1

    def _drop(self, address: Address) -> None:
        dropped = self._kept.pop(address, None)
        if dropped is not None:
            self.counts.bytes -= _size(dropped)
            for coded in self._coded.pop(address, {}).values():
                self.counts.bytes -= _own_size(coded, dropped)


class _Flight:
    """An answer that is being made."""

    def __init__(self) -> None:
        self.landed = asyncio.Event()
        self.answer: Response | None = None


def _size(answer: Response) -> int:
    return len(answer.body) + sum(len(name) + len(value) for name, value in answer.raw_headers) + _ENTRY_BYTES


def _own_size(coded: Response, answer: Response) -> int:
    return _size(coded) - (len(answer.body) if coded.body is answer.body else 0)


# --- questions ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """What a request asks of a stored set, or of all of an owner's, besides which set and whose. `revision` None: the one that
    is followed; `today` None: the day in UTC. `tag` makes the entity tag from what the answer follows from and the day.
    `is_tagged`: whether the answer has it as its ETag."""

    revision: int | None
    today: date | None
    tag: Callable[[Any, date], str]
    is_tagged: bool = True


class Questions:
    """Which question the text of a request means (path template, query, what it accepts), as the operation read it before. It
    follows from that text alone, so that the same text need not be read again."""

    def __init__(self) -> None:
        self._known: OrderedDict[tuple[str, bytes, bytes], Question] = OrderedDict()

    def find(self, path: str, query: bytes, accept: bytes) -> Question | None:
        return self._known.get((path, query, accept))

    def learn(self, path: str, query: bytes, accept: bytes, question: Question) -> None:
        """Long ones are not kept, and of the others the newest."""
        if len(query) + len(accept) > _LONGEST_QUESTION:
            return
        # One that is known stays: what is kept by it stays found.
        self._known.setdefault((path, query, accept), question)
        if len(self._known) > _MOST_QUESTIONS:
            self._known.popitem(last=False)


def accepted_by(headers: Iterable[tuple[bytes, bytes]]) -> bytes:
    """What a request accepts, as one text: media types, and languages behind a separator."""
    told: dict[bytes, list[bytes]] = {b"accept": [], b"accept-language": []}
    for name, value in headers:
        if name in told:
            told[name].append(value)
    return b"\n".join(b", ".join(values) for values in told.values())


@dataclass(frozen=True, slots=True)
class StoredAnswers:
    """What an operation needs to give an answer of a stored set that may be kept."""

    request: Request
    answers: Answers
    questions: Questions

    async def give(
        self,
        owner: Owner,
        day: date,
        question: Question,
        read_key: Callable[[], Awaitable[Key]],
        make: Callable[[], Awaitable[tuple[Key, Response]]],
    ) -> Reply[Any]:
        """304 when the caller has the answer, else the one that is kept, or made now. `make` returns with it what it follows
        from, of the same snapshot."""
        scope = self.request.scope
        key, path = await read_key(), scope["route"].path
        accept = accepted_by(scope["headers"])
        self.questions.learn(path, scope["query_string"], accept, question)
        tag = question.tag(key, day)
        if question.is_tagged and is_known(self.request, tag):
            return cast("Reply[Any]", unchanged(tag))

        async def made() -> tuple[Address, Response]:
            try:
                of, answer = await make()
            except Answered as elsewhere:
                # Its tag says which state it is of.
                named = elsewhere.response.headers.get("etag") if question.is_tagged else None
                return Address(path, owner, named or tag), elsewhere.response
            return Address(path, owner, question.tag(of, day)), answer

        # Operations declare the value, and may return the response that has it.
        return cast("Reply[Any]", await self.answers.once(Address(path, owner, tag), made))


@lru_cache(1_000)
def unchanged(tag: str, vary: str | None = None) -> Response:
    """304 with the entity tag; `vary` where no layer adds it."""
    return Reply(None, {"ETag": tag} if vary is None else {"ETag": tag, "Vary": vary}, 304).response()


def keep_answers(state: Any, most_bytes: int) -> None:
    """Gives the app a place for them, of up to so many bytes."""
    state.answers, state.questions = Answers(most_bytes), Questions()


async def _stored_answers(known: IfNoneMatch) -> StoredAnswers:
    state = known.request.app.state
    return StoredAnswers(known.request, state.answers, state.questions)


KeptAnswers = Annotated[StoredAnswers, Depends(_stored_answers)]
