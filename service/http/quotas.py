"""How much a caller may ask for in a while: accounts by themselves, everybody else by the network that they come from.

Callers are counted in windows of time, each caller's beginning at another moment, so that not all who wait come back at once.
The fields `RateLimit` and `RateLimit-Policy` tell where a caller stands (draft-ietf-httpapi-ratelimit-headers-10). Anonymous
requests are counted when their operation is found, before anything of them is read; those with a token when it is known whose
it is (dependencies.py, answered_before.py), and as anonymous ones if it is nobody's.
"""

from __future__ import annotations

import asyncio
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import structlog
from fastapi import Request
from limits import parse
from limits.errors import StorageError
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.accounts.throttle import network_of
from service.errors import QuotaExceeded
from service.http.costs import HEAVY
from service.http.openapi import METER, OPEN, Operation
from service.http.problems import problem_of, problem_response
from service.settings import Settings

log = structlog.get_logger(part="quotas")

# Of a rate, by its name, a caller's window by its number.
Window = tuple[str, str, int]

# A store that is slower than that is taken for absent, and left alone for a while.
_STORE_SECONDS, _PAUSE_SECONDS = 0.5, 10
_MOST_KEYS = 200_000
_MOST_REFUSED = 10_000


class Windows:
    """Counts in this process's memory, for one thread. The storage in memory that comes with `limits` starts a thread that looks
    through all keys every 10 ms while there are requests: 0.08 ms of CPU a request, and 1.4 ms with 50,000 keys. Here counts are
    kept in two generations, and the older one is let go of as a whole."""

    def __init__(self, clock: Callable[[], float] = time.time) -> None:
        self._clock = clock
        self._now: dict[Window, int] = {}
        self._before: dict[Window, int] = {}
        self._longest = 1
        self._until = 0.0

    def incr(self, key: Window, expiry: int, amount: int = 1) -> int:
        now = self._clock()
        if expiry > self._longest:
            self._longest, self._until = expiry, max(self._until, now + expiry)
        # With too many keys counts are forgotten early rather than kept without end.
        if now >= self._until or len(self._now) >= _MOST_KEYS:
            self._before, self._now, self._until = self._now, {}, now + self._longest
        counted = self._now[key] = self.get(key) + amount
        return counted

    def get(self, key: Window) -> int:
        return self._now.get(key) or self._before.get(key, 0)

    def __len__(self) -> int:
        return len(self._now.keys() | self._before.keys())


@dataclass(frozen=True)
class Rate:
    """So many units in so many seconds; `name` is what the fields call it."""

    name: str
    units: int
    seconds: int

    @cached_property
    def policy(self) -> bytes:
        return f'"{self.name}";q={self.units};w={self.seconds}'.encode()


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a caller stands: the units left (below zero: it asked for more than there were), and the seconds until the window
    ends."""

    rate: Rate
    remaining: int
    seconds: int

    def fields(self) -> tuple[tuple[bytes, bytes], tuple[bytes, bytes]]:
        told = f'"{self.rate.name}";r={max(0, self.remaining)};t={self.seconds}'.encode()
        return (b"ratelimit-policy", self.rate.policy), (b"ratelimit", told)


_MOST_LONG = "{most} requests of yours that take long are answered at once: wait until one of them has ended"


class Places:
    """So many at once for each key; 0: any number."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._taken: Counter[str] = Counter()

    def take(self, key: str) -> None:
        """Raises QuotaExceeded when all are taken."""
        if self._most and self._taken[key] >= self._most:
            raise QuotaExceeded(_MOST_LONG, 1, most=self._most)
        self._taken[key] += 1

    def give_back(self, key: str) -> None:
        self._taken[key] -= 1
        if not self._taken[key]:
            del self._taken[key]


class Quotas:
    """The counts of all callers, in this process's memory or in Redis. While Redis is not there, or takes longer than half a
    second, this process counts by itself, and looks for it again after ten seconds."""

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.time) -> None:
        self.account = _rate("account", settings.rate_account)
        self.anonymous = _rate("anonymous", settings.rate_anonymous)
        self.heavy = Places(settings.heavy_at_once)
        self._clock = clock
        self._memory = Windows(clock)
        where = settings.rate_storage.get_secret_value()
        self._shared: Any
        self._connections: Any
        self._shared, self._connections = (None, None) if where == "memory" else _redis(where)
        self._shared_from = 0.0
        self._refused: dict[str, tuple[float, Standing]] = {}
        # How many requests were refused since the start, by which limit.
        self.refusals: Counter[str] = Counter()

    async def count(self, rate: Rate, key: str, units: int) -> Standing:
        """Where the caller stands after so many units more."""
        now = self._clock()
        window, seconds = _window(rate, key, now)
        counted = None if self._shared is None or now < self._shared_from else await self._counted(window, rate, units)
        if counted is None:
            counted = self._memory.incr(window, rate.seconds, units)
        standing = Standing(rate, rate.units - counted, seconds)
        if standing.remaining < 0:
            if len(self._refused) >= _MOST_REFUSED:
                self._refused.clear()
            self._refused[f"{rate.name}/{key}"] = now + seconds, standing
        return standing

    def charge_at_once(self, owner_id: str) -> tuple[tuple[bytes, bytes], ...] | None:
        """Charges an account one unit, without waiting; the fields that tell where it stands. None, and nothing is charged, where
        Redis has the counts, or the account has no unit left."""
        rate = self.account
        if rate is None:
            return ()
        if self._shared is not None:
            return None
        window, seconds = _window(rate, owner_id, self._clock())
        if self._memory.get(window) >= rate.units:
            return None
        return Standing(rate, rate.units - self._memory.incr(window, rate.seconds, 1), seconds).fields()

    async def _counted(self, window: Window, rate: Rate, units: int) -> int | None:
        assert self._shared is not None
        name, key, number = window
        try:
            async with asyncio.timeout(_STORE_SECONDS):
                counted: int = await self._shared.incr(f"{name}/{key}/{number}", rate.seconds, units)
        except (StorageError, TimeoutError, OSError) as error:
            if self._clock() >= self._shared_from:
                kind = type(error.__cause__ or error).__name__
                log.warning("Redis cannot be reached: this process counts requests by itself meanwhile", kind=kind)
            self._shared_from = self._clock() + _PAUSE_SECONDS
            return None
        return counted

    def refused(self, rate: Rate, key: str) -> Standing | None:
        """Where a caller stands that was refused in the window that still runs."""
        found = self._refused.get(f"{rate.name}/{key}")
        if found is None:
            return None
        until, standing = found
        left = until - self._clock()
        if left <= 0:
            del self._refused[f"{rate.name}/{key}"]
            return None
        return Standing(rate, standing.remaining, max(1, int(left)))

    @property
    def has_refused(self) -> bool:
        """Whether there is anybody that `refused` could find."""
        return bool(self._refused)

    async def close(self) -> None:
        if self._connections is not None:
            await self._connections.disconnect()


def _window(rate: Rate, key: str, now: float) -> tuple[Window, int]:
    """The window that a caller is in, and the seconds until it ends."""
    number, spent = divmod(int(now + _begin_of(key) % rate.seconds), rate.seconds)
    return (rate.name, key, number), rate.seconds - spent


@lru_cache(4_096)
def _begin_of(key: str) -> int:
    """Tells the windows of callers apart by when they begin."""
    return zlib.crc32(key.encode())


def _rate(name: str, text: str) -> Rate | None:
    if not text:
        return None
    read = parse(text)
    return Rate(name, read.amount, read.get_expiry())


def _redis(where: str) -> tuple[Any, Any]:
    """The store of counts at this address, and its connections."""
    # Loaded only where it is used: it comes with an extra.
    from limits.aio.storage import RedisStorage
    from redis.asyncio import ConnectionPool
    from redis.asyncio.retry import Retry
    from redis.backoff import NoBackoff

    connections = ConnectionPool.from_url(
        where,
        max_connections=1_000,
        socket_timeout=_STORE_SECONDS,
        socket_connect_timeout=_STORE_SECONDS,
        # What does not answer at once is done without.
        retry=Retry(NoBackoff(), 0),
    )
    options: dict[str, Any] = {"connection_pool": connections}
    store = RedisStorage(
        f"async+{where}", implementation="redispy", wrap_exceptions=True, key_prefix="setwright", **options
    )
    return store, connections


class Meter:
    """What one request costs whom. Each unit of it is counted once, however many ask."""

    __slots__ = ("_charged", "_cost", "_place", "_quotas", "_refusal", "_scope", "is_counted", "standing")

    def __init__(self, quotas: Quotas, scope: Scope) -> None:
        self._quotas, self._scope = quotas, scope
        self._cost, self._charged = 1, 0
        self._refusal: QuotaExceeded | None = None
        self._place: str | None = None
        # Whether it is known that an operation is asked for, which says who is charged.
        self.is_counted = False
        self.standing: Standing | None = None

    async def begin(self, operation: Operation) -> None:
        """The operation is found; an anonymous request is charged. Raises QuotaExceeded."""
        self._cost, self.is_counted = operation.cost, True
        if operation.cost and not operation.charges_itself and (operation.access == OPEN or is_anonymous(self._scope)):
            await self.charge_stranger()

    async def charge_account(self, owner_id: str) -> None:
        """Raises QuotaExceeded when the account has asked for more than it may."""
        self.is_counted = True
        await self._charge(self._quotas.account, owner_id, "this account has made")

    async def charge_stranger(self) -> None:
        """Raises QuotaExceeded when too much was asked for from the caller's network without an account."""
        await self._charge(self._quotas.anonymous, stranger(self._scope), "without an account, your network has made")

    async def _charge(self, rate: Rate | None, key: str, whose: str) -> None:
        if self._refusal is not None:
            raise self._refusal
        units, self._charged = self._cost - self._charged, max(self._cost, self._charged)
        if units <= 0:
            return
        limit = "heavy"
        try:
            if rate is not None:
                self.standing = await self._quotas.count(rate, key, units)
                if self.standing.remaining < 0:
                    limit = rate.name
                    raise exceeded(self.standing, whose)
            if self._cost >= HEAVY and self._place is None:
                self._quotas.heavy.take(key)
                self._place = key
        except QuotaExceeded as refusal:
            self._quotas.refusals[limit] += 1
            self._refusal = refusal
            raise

    def end(self) -> None:
        if self._place is not None:
            self._quotas.heavy.give_back(self._place)


_TOO_MANY = (
    "{whose} as many requests as it may: {units} in {within} seconds, of which some count for several; try again in "
    "{wait} seconds"
)


def exceeded(standing: Standing, whose: str) -> QuotaExceeded:
    rate = standing.rate
    return QuotaExceeded(
        _TOO_MANY,
        standing.seconds,
        whose=whose,
        units=rate.units,
        within=rate.seconds,
        wait=standing.seconds,
    )


def is_anonymous(scope: Scope) -> bool:
    """Whether nobody says who asks."""
    return all(name != b"authorization" for name, _ in scope["headers"])


def stranger(scope: Scope) -> str:
    """What a caller without an account is counted by."""
    client = scope.get("client")
    return _network_of(client[0] if client else None)


# Reading an address is a third of what counting takes.
_network_of = lru_cache(4_096)(network_of)


class CallerLimits:
    """Stands before the framework. Gives each request its meter and each answer the fields; an anonymous caller that was refused
    before in the same window is refused here, for next to nothing."""

    def __init__(self, app: ASGIApp, quotas: Quotas, routes: Iterable[BaseRoute]) -> None:
        self._app, self._quotas = app, quotas
        self._let_through = {
            route.path for route in routes if isinstance(route, Operation) and (not route.cost or route.charges_itself)
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        meter: Meter = scope.get(METER) or Meter(self._quotas, scope)
        scope[METER] = meter

        async def telling(message: Message) -> None:
            if message["type"] == "http.response.start" and meter.standing is not None:
                message["headers"] = [*message.get("headers", ()), *meter.standing.fields()]
            await send(message)

        refusal = self._refusal(scope, meter)
        if refusal is not None:
            await problem_response(Request(scope), problem_of(refusal))(scope, receive, telling)
            return
        try:
            await self._app(scope, receive, telling)
        finally:
            meter.end()
        # An address that means nothing takes the framework as long as one that does.
        if not meter.is_counted and self._quotas.anonymous is not None:
            await self._quotas.count(self._quotas.anonymous, stranger(scope), 1)

    def _refusal(self, scope: Scope, meter: Meter) -> QuotaExceeded | None:
        rate = self._quotas.anonymous
        if (
            rate is None
            or not self._quotas.has_refused
            or scope["path"] in self._let_through
            or not is_anonymous(scope)
        ):
            return None
        meter.standing = self._quotas.refused(rate, stranger(scope))
        if meter.standing is None:
            return None
        self._quotas.refusals[rate.name] += 1
        return exceeded(meter.standing, "without an account, your network has made")
