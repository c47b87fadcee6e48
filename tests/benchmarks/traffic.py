"""How many bytes sync sends: a day of edits, and the first sync of a phone, in each coding, as whole records and as little as can
be asked for. Bytes of bodies as they are sent, and of heads with one line a header (HTTP/1.1)."""

from __future__ import annotations

import gzip
import random
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import brotli
import httpx
import msgspec
import zstandard

from tests.benchmarks.data import SEED, a_coin
from tests.conftest import Running

BATCH = PAGE = 500
EDITS = 50
CODINGS = ("identity", "gzip", "br", "zstd")
# The facts that a set of types reads, and what names a coin to its owner.
FIELDS = "issuer,denomination,year_on_coin,grade,number,status"
_PACKED = {"identity": bytes, "gzip": gzip.compress, "br": brotli.compress, "zstd": zstandard.compress}
_WORDS = (
    *(
        "bought",
        "fair",
        "bright",
        "edge",
        "knock",
        "lustre",
        "tray",
        "cabinet",
        "old",
        "ticket",
        "letter",
        "dealer",
        "toned",
    ),
    *(
        "rim",
        "scratch",
        "field",
        "left",
        "right",
        "above",
        "date",
        "weak",
        "strike",
        "near",
        "portrait",
        "swap",
        "auction",
    ),
)


@dataclass
class Bytes:
    """What went up and came down."""

    up: int = 0
    down: int = 0


@dataclass(frozen=True)
class Traffic:
    """Bytes in one coding, of whole records or as little as can be asked for. `day`: fifty edits sent, and what changed since;
    `sent`: their sending alone, after which a device that nobody else wrote beside is up to date. `first`, `part`: everything,
    and of everything the facts that a set reads, newest first."""

    coding: str
    slim: bool
    sent: Bytes
    day: Bytes
    first: Bytes
    part: Bytes


@dataclass
class Phone:
    """One of an owner's devices, which counts. `coding`: of what it sends and takes; `slim`: it asks for as little as it can."""

    service: Running
    headers: Mapping[str, str]
    coding: str = "identity"
    slim: bool = False
    bytes: Bytes = field(default_factory=Bytes)

    def taken(self) -> Bytes:
        """What went since this was asked last."""
        found, self.bytes = self.bytes, Bytes()
        return found

    async def send(self, mutations: list[dict[str, Any]]) -> dict[str, Any]:
        body = msgspec.json.encode({"client_id": "phone", "mutations": mutations})
        headers = {"Content-Type": "application/json"}
        if self.coding != "identity":
            body, headers["Content-Encoding"] = _PACKED[self.coding](body), self.coding
        headers |= {"Prefer": "return=minimal"} if self.slim else {}
        return await self._ask("POST", "sync", self._asked(), content=body, headers=headers)

    async def take(self, since: str | None, **asked: str) -> tuple[str, list[dict[str, Any]]]:
        """The state, and what changed until then."""
        found: list[dict[str, Any]] = []
        while True:
            query = {**self._asked(), **asked, "limit": str(PAGE)} | ({} if since is None else {"since": since})
            page = await self._ask("GET", "changes", query)
            found += page["list"]
            if "before" in page:
                asked["before"] = page["before"]
            elif "order" not in asked:
                since = page["new_state"]
            if not page["has_more_changes"]:
                return page["new_state"], found

    def _asked(self) -> dict[str, str]:
        return {"writers": "grouped"} if self.slim else {}

    async def _ask(self, method: str, path: str, query: Mapping[str, str], **more: Any) -> dict[str, Any]:
        headers = {**self.headers, "Accept-Encoding": self.coding, **more.pop("headers", {})}
        client = self.service.client
        async with client.stream(method, f"/v1/holdings/{path}", params=query, headers=headers, **more) as answer:
            raw = b"".join([part async for part in answer.aiter_raw()])
        request = answer.request
        self.bytes.up += _head(request.headers, str(request.url.raw_path)) + len(request.content)
        self.bytes.down += _head(answer.headers, "200 OK") + len(raw)
        assert answer.status_code == 200, raw
        assert answer.headers.get("content-encoding", "identity") in (self.coding, "identity")
        told: dict[str, Any] = httpx.Response(200, headers=answer.headers, content=raw).json()
        return told


def _head(headers: httpx.Headers, first: str) -> int:
    return len(first) + 12 + sum(len(name) + len(value) + 4 for name, value in headers.raw)


@dataclass
class Collection:
    """An owner's coins as devices made them: each was recorded at once, and several things were looked up later."""

    phone: Phone
    chance: random.Random = field(default_factory=lambda: random.Random(SEED))
    writers: dict[str, dict[str, str]] = field(default_factory=dict)

    async def fill(self, holdings: int) -> None:
        for begin in range(0, holdings, BATCH):
            made = [self._made(number) for number in range(begin, min(begin + BATCH, holdings))]
            await self.phone.send(made)
            await self.phone.send([self._edit(one["id"], self._looked_up()) for one in made])
            await self.phone.send([self._edit(one["id"], {"location": f"tray {begin}"}) for one in made[::3]])

    def day(self) -> list[dict[str, Any]]:
        """Fifty edits: grades, notes, where a coin is kept."""
        coins = self.chance.sample(sorted(self.writers), EDITS)
        kinds: list[dict[str, Any]] = [
            {"grade": self.chance.randint(1, 70)},
            {"note": self._note()},
            {"location": "tray 2"},
        ]
        return [self._edit(coin, kinds[at % 3]) for at, coin in enumerate(coins)]

    def _made(self, number: int) -> dict[str, Any]:
        own = {"number": f"A-{number}", "tags": self.chance.sample(_WORDS, 2)}
        return self._mutation("create", self._new_id(), a_coin(self.chance, number, 171)["facts"] | own, {})

    def _looked_up(self) -> dict[str, Any]:
        facts = {"weight": self.chance.randint(100, 3000) / 100, "diameter": self.chance.randint(120, 400) / 10}
        return facts | {"note": self._note(), "bought_from": self.chance.choice(_WORDS), "bought_on": "2024-05-01"}

    def _note(self) -> str:
        return " ".join(self.chance.choices(_WORDS, k=12))

    def _edit(self, coin: str, patch: dict[str, Any]) -> dict[str, Any]:
        return self._mutation("update", coin, patch, {name: self.writers[coin].get(name) for name in patch})

    def _mutation(self, op: str, coin: str, patch: dict[str, Any], seen: dict[str, str | None]) -> dict[str, Any]:
        made = self._new_id()
        self.writers.setdefault(coin, {}).update(dict.fromkeys(patch, made))
        at = f"2026-11-25T12:{self.chance.randrange(60):02}:{self.chance.randrange(60):02}Z"
        return {"mutation_id": made, "op": op, "id": coin, "patch": patch, "from": seen, "edited_at": at}

    def _new_id(self) -> str:
        """A UUID of version 7 (RFC 9562, section 5.7) made at some moment of three years: those of one moment begin alike, and
        take fewer bytes."""
        moment = 1_700_000_000_000 + self.chance.randrange(10**11)
        number = moment << 80 | 7 << 76 | self.chance.getrandbits(12) << 64 | 2 << 62 | self.chance.getrandbits(62)
        return str(uuid.UUID(int=number))


async def measured(service: Running, holdings: int) -> list[Traffic]:
    """The traffic of an owner with so many coins."""
    owner = service.collector()
    collection = Collection(Phone(service, owner))
    await collection.fill(holdings)
    state, _ = await Phone(service, owner).take(None)
    found = []
    for coding in CODINGS:
        for slim in (False, True):
            phone = Phone(service, owner, coding, slim)
            answer = await phone.send(collection.day())
            assert {one["status"] for one in answer["responses"]} == {"applied"}
            # Nobody else wrote: it need not ask.
            assert (answer["old_state"], len(answer["list"])) == (state, EDITS)
            sent = phone.taken()
            state, changed = await phone.take(state)
            assert len(changed) == EDITS
            day = phone.taken()
            _, whole = await phone.take(None)
            first = phone.taken()
            _, part = await phone.take(None, fields=FIELDS, order="newest")
            assert len(whole) == len(part) == holdings
            both = Bytes(sent.up + day.up, sent.down + day.down)
            found.append(Traffic(coding, slim, sent, both, first, phone.taken()))
    return found
