"""Promise 22: nobody locks another out. Strangers who guess, from the owner's own network, from many others, and under other
names, leave the right password usable on a device that logged in before. Whoever comes through a named proxy is told apart."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from http.cookies import SimpleCookie
from itertools import count, islice
from typing import Any

import httpx
import pytest

from service.accounts import sign_in
from service.accounts.known_devices import KnownDevice
from service.accounts.throttle import of_log_in
from service.app import create_app
from tests.clock import Clock
from tests.conftest import Running, settings_for
from tests.http import doors
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

PROXY, HOME = "10.0.0.1", "2001:db8:1:1::7"
NAME = "strangers guess beside a known device"
NUMBERS = count(1)


@asynccontextmanager
async def behind_a_proxy(url: str, **more: Any) -> AsyncIterator[Running]:
    """The service; every request comes from the proxy, which says of whom it forwards for."""
    app = create_app(settings_for(url, **more))
    async with app.router.lifespan_context(app), client_of(app, HOME) as client:
        yield Running(app, client)


def client_of(app: Any, address: str) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app, client=(PROXY, 50_000))
    return httpx.AsyncClient(
        transport=transport, base_url="http://setwright.test", headers={"X-Forwarded-For": address}, timeout=30
    )


def networks() -> Iterator[str]:
    """Addresses that no test had before: counts are kept in the database of the session."""
    while True:
        number = next(NUMBERS)
        yield f"2001:db8:{number >> 16:x}:{number & 0xFFFF:x}::1"


async def attempt(app: Any, address: str, name: str, password: str = "a guess of a stranger") -> int:
    async with client_of(app, address) as stranger:
        body = {"name": name, "password": password, "token_name": "desk"}
        return (await stranger.post("/v1/account/tokens", json=body)).status_code


async def besieged(service: Running) -> dict[str, Any]:
    """What becomes of right log-ins after the strangers' attempts."""
    app, clock, elsewhere = service.app, Clock(service), networks()
    home = next(elsewhere)
    service.client.headers["X-Forwarded-For"] = home
    ida, marta = [await doors.somebody_with_a_password(service) for _ in range(2)]
    first = await doors.log_in(service, ida, scopes=["read", "admin"])
    assert first.status_code == 201, first.text
    token = {"Authorization": f"Bearer {first.json()['access_token']}"}
    guesses = [await attempt(app, home, ida) for _ in range(8)]
    guesses += [await attempt(app, home, f"somebody {number}") for number in range(28)]
    guesses += [await attempt(app, next(elsewhere), ida) for _ in range(28)]
    assert set(guesses) == {403, 429}
    body = {"name": ida, "password": doors.PASSWORD, "token_name": "desk"}
    found: dict[str, Any] = {"refused guesses": guesses.count(429)}
    found["with the cookie"] = (await doors.log_in(service, ida)).status_code
    async with client_of(app, home) as bare:
        found["with a live token"] = (await bare.post("/v1/account/tokens", json=body, headers=token)).status_code
        change = {"old_password": doors.PASSWORD, "new_password": "seven worn florins in a box"}
        found["a change of the password"] = (
            await bare.put("/v1/account/password", json=change, headers=token)
        ).status_code
    found["a stranger at home"] = await attempt(app, home, ida, change["new_password"])
    found["another account elsewhere"] = await attempt(app, next(elsewhere), marta, doors.PASSWORD)
    async with client_of(app, next(elsewhere)) as new:
        body["password"] = change["new_password"]
        waited = 0
        while (answer := await new.post("/v1/account/tokens", json=body)).status_code == 429 and waited < 900:
            waited += int(answer.headers["retry-after"])
            clock.on(seconds=int(answer.headers["retry-after"]))
        found["seconds until a new device elsewhere is let in"] = waited if answer.status_code == 201 else None
    return found


async def test_strangers_lock_no_known_device_out_and_nobody_for_long(database_url: str, promise: Promise) -> None:
    async with behind_a_proxy(database_url, trusted_proxies=PROXY) as service:
        found = await besieged(service)
    assert found["refused guesses"] > 0
    assert (found["with the cookie"], found["with a live token"]) == (201, 201)
    assert found["a change of the password"] == 204
    assert found["another account elsewhere"] == 201
    # Without a proof of an earlier log-in somebody at the same place is as any stranger there.
    assert found["a stranger at home"] == 429
    assert found["seconds until a new device elsewhere is let in"] <= 10
    promise(
        22,
        NAME,
        kept=f"64 wrong log-ins, {found['refused guesses']} refused; the right password: 201 with cookie or token, a new device "
        f"elsewhere after {found['seconds until a new device elsewhere is let in']} s",
    )


async def test_known_devices_counted_with_strangers_are_locked_out(
    database_url: str, promise: Promise, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The control: were the right password taken here, the test above would prove nothing.
    def together(name: str, address: str | None, device: KnownDevice | None) -> Any:
        return of_log_in(name, address, None)

    monkeypatch.setattr(sign_in, "of_log_in", together)
    async with behind_a_proxy(database_url, trusted_proxies=PROXY) as service:
        found = await besieged(service)
    assert (found["with the cookie"], found["with a live token"]) == (429, 429)
    promise(22, NAME, control="counted together: 429 for the right password on the known device")


async def test_behind_a_proxy_that_is_not_named_everybody_has_one_address(database_url: str, promise: Promise) -> None:
    async def another_account(**more: Any) -> int:
        """What the right password gets from one network after a stranger's guesses under other names from another."""
        async with behind_a_proxy(database_url, **more) as service:
            # No delay runs out meanwhile.
            Clock(service)
            marta, (guesser, home) = await doors.somebody_with_a_password(service), islice(networks(), 2)
            guesses = [await attempt(service.app, guesser, f"somebody {number}") for number in range(32)]
            assert guesses[-1] == 429
            return await attempt(service.app, home, marta, doors.PASSWORD)

    kept, control = await another_account(trusted_proxies=PROXY), await another_account()
    assert (kept, control) == (201, 429)
    promise(
        22,
        "addresses behind a proxy",
        kept="proxy named: 201 for another account from another network",
        control="proxy not named: 429 for another account from another network",
    )


# --- the cookie ----------------------------------------------------------------------------------------------------------------


def cookie_of(answer: httpx.Response) -> Any:
    (morsel,) = SimpleCookie(answer.headers["set-cookie"]).values()
    return morsel


@pytest.mark.parametrize(("base", "is_secure"), [("http://setwright.test", False), ("https://coins.example", True)])
async def test_the_cookie_is_for_the_log_in_alone_and_no_script_reads_it(
    service: Running, base: str, is_secure: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = await doors.somebody_with_a_password(service)
    service.app.state.settings = settings_for("sqlite:///x").model_copy(update={"base_url": base})
    morsel = cookie_of(await doors.log_in(service, name))
    assert re.fullmatch("setwright_device_[0-9a-f]{12}", morsel.key)
    assert (morsel["httponly"], morsel["samesite"], morsel["path"]) == (True, "Strict", "/v1/account/tokens")
    assert bool(morsel["secure"]) is is_secure
    assert 0 < int(morsel["max-age"]) <= 366 * 24 * 60 * 60
    assert "swk_" in morsel.value


async def test_a_cookie_is_no_authentication(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    morsel = cookie_of(await doors.log_in(service, name))
    headers = {"Cookie": f"{morsel.key}={morsel.value}"}
    for address in ("/v1/account", "/v1/account/tokens", "/v1/holdings"):
        assert (await service.client.get(address, headers=headers)).status_code == 401
    bearer = {"Authorization": f"Bearer {morsel.value}"}
    assert (await service.client.get("/v1/account", headers=bearer)).status_code == 401


def theirs(answer: httpx.Response) -> Any:
    return {"Cookie": f"{cookie_of(answer).key}={cookie_of(answer).value}"}


def renamed(answer: httpx.Response, other: httpx.Response) -> Any:
    """The text of one account's cookie under the name of the other's."""
    return {"Cookie": f"{cookie_of(other).key}={cookie_of(answer).value}"}


def a_token(answer: httpx.Response) -> Any:
    return {"Authorization": f"Bearer {answer.json()['access_token']}"}


@pytest.mark.parametrize(
    "proof",
    [
        lambda mine, _: theirs(mine),
        renamed,
        lambda mine, _: a_token(mine),
        lambda _, other: {"Cookie": f"{cookie_of(other).key}=swk_{'A' * 72}"},
        lambda _, other: {"Authorization": "Bearer swt_unknown"},
    ],
)
async def test_somebody_elses_proof_is_none(
    service: Running, proof: Callable[[httpx.Response, httpx.Response], dict[str, str]]
) -> None:
    mine, victim = [await doors.somebody_with_a_password(service) for _ in range(2)]
    answers = [await doors.log_in(service, name) for name in (mine, victim)]
    headers = proof(*answers)
    service.client.cookies.clear()
    body = {"name": victim, "password": "a guess of a stranger", "token_name": "desk"}
    guesses = [await service.client.post("/v1/account/tokens", json=body, headers=headers) for _ in range(6)]
    statuses = [answer.status_code for answer in guesses]
    assert statuses == [403] * 5 + [429]
    # So many guesses are all: his own cookie gives him no others.
    service.client.cookies.clear()
    assert (await service.client.post("/v1/account/tokens", json=body)).status_code == 429


async def test_a_known_device_that_is_wrong_too_often_waits_and_others_do_not(service: Running) -> None:
    name, clock = await doors.somebody_with_a_password(service), Clock(service)
    await doors.log_in(service, name)
    statuses = [(await doors.log_in(service, name, "wrong wrong wrong")).status_code for _ in range(7)]
    assert statuses == [403] * 5 + [429] * 2
    assert (await doors.log_in(service, name)).status_code == 429
    cookies = service.client.cookies
    service.client.cookies = httpx.Cookies()
    assert (await doors.log_in(service, name)).status_code == 201
    service.client.cookies = cookies
    clock.on(seconds=2)
    assert (await doors.log_in(service, name)).status_code == 201


async def test_passwords_of_known_devices_have_a_queue_of_their_own(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    await doors.log_in(service, name)
    service.app.state.password_limiter = service.app.state.known_device_limiter.__class__(at_once=1, waiting=0)
    async with service.app.state.password_limiter.turn():
        assert (await doors.log_in(service, name)).status_code == 201
        service.client.cookies.clear()
        assert (await doors.log_in(service, name)).status_code == 503
