"""A lost password: the operator makes a one-time text, its owner sets a new password with it, once and within a day."""

from __future__ import annotations

import re
from functools import partial
from typing import Any

import pytest
from sqlalchemy import text

from service.accounts.recovery import make_reset
from tests.backup.installation import prepare
from tests.clock import Clock
from tests.conftest import Running, settings_for
from tests.http import doors
from tests.server import run_program

pytestmark = pytest.mark.anyio

NEW = "seven worn florins in a box"


def made_for(service: Running, name: str) -> str:
    now = service.app.state.clock()
    made: str = service.app.state.database.write(lambda connection: make_reset(connection, name, now))
    return made


async def use(service: Running, name: str, reset: str, password: str = NEW) -> Any:
    body = {"name": name, "reset": reset, "password": password}
    return await service.client.post("/v1/account/password-resets", json=body)


async def test_a_new_password_is_set_once_and_every_token_ends(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    scopes = ["read", "admin"]
    tokens = [(await doors.log_in(service, name, scopes=scopes)).json()["access_token"] for _ in range(2)]
    device, _ = await doors.paired(service, {"Authorization": f"Bearer {tokens[0]}"}, scopes=["read"])
    there = [*({"Authorization": f"Bearer {token}"} for token in tokens), device]
    begun = await doors.begun(service)
    await doors.decide(service, there[0], begun["user_code"], device_name="lap", scopes=["read"])
    reset = made_for(service, name)
    # 256 random bits, and nothing has changed yet.
    assert re.fullmatch(r"swr_[\w-]{43}", reset)
    assert (await doors.log_in(service, name)).status_code == 201
    assert [(await service.client.get("/v1/account", headers=who)).status_code for who in there] == [200] * 3
    done = await use(service, name.upper(), reset)
    assert (done.status_code, done.content) == (204, b"")
    assert [(await service.client.get("/v1/account", headers=who)).status_code for who in there] == [401] * 3
    assert (await doors.poll(service, begun["device_code"])).status_code == 400
    assert (await doors.log_in(service, name)).status_code == 403
    assert (await doors.log_in(service, name, NEW)).status_code == 201
    # Used up.
    assert (await use(service, name, reset, "eight worn florins in a box")).status_code == 403
    assert (await doors.log_in(service, name, NEW)).status_code == 201


async def test_a_text_is_good_for_a_day_for_its_own_account_and_until_there_is_another(service: Running) -> None:
    clock = Clock(service)
    name, other = [await doors.somebody_with_a_password(service) for _ in range(2)]
    first = made_for(service, name)
    second = made_for(service, name)
    assert (await use(service, name, first)).status_code == 403
    assert (await use(service, other, second)).status_code == 403
    assert (await use(service, "nobody of that name", second)).status_code == 403
    assert (await use(service, name, second + "x")).status_code == 403
    clock.on(hours=24)
    assert (await use(service, name, second)).status_code == 403
    third = made_for(service, name)
    clock.on(hours=23, minutes=59)
    assert (await use(service, name, third, "too short")).status_code == 422
    assert (await use(service, name, third)).status_code == 204


async def test_a_refusal_says_the_same_of_a_wrong_name_and_a_wrong_text(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    made_for(service, name)
    told = [(await use(service, who, "swr_wrong")).json() for who in (name, "nobody of that name")]
    assert told[0] == told[1]


async def test_attempts_wait_like_those_of_log_in(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    reset = made_for(service, name)
    statuses = [(await use(service, name, "swr_wrong")).status_code for _ in range(8)]
    assert statuses[:5] == [403] * 5
    # They are counted together with log-ins from the same place.
    assert statuses[-1] == (await doors.log_in(service, name)).status_code == 429
    assert (await use(service, name, reset)).status_code == 429


async def test_of_two_at_the_same_time_one_is_refused(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    import anyio

    name = await doors.somebody_with_a_password(service)
    reset, answers = made_for(service, name), []

    async def one(password: str) -> None:
        answers.append(((await use(service, name, reset, password)).status_code, password))

    async with anyio.create_task_group() as tasks:
        for number in range(4):
            tasks.start_soon(one, f"{number} worn florins in a box")
    assert sorted(status for status, _ in answers) == [204, 403, 403, 403]
    (right,) = (password for status, password in answers if status == 204)
    assert (await doors.log_in(service, name, right)).status_code == 201


async def test_the_text_itself_is_not_stored(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    reset = made_for(service, name)
    rows = service.app.state.database.read(lambda c: str(c.execute(text("SELECT * FROM password_reset")).all()))
    assert "datetime" in rows or "2026" in rows, "the table must have been seen"
    assert reset not in rows
    assert reset.removeprefix("swr_") not in rows


def test_the_operator_prints_it_and_is_told_when_there_is_no_such_account(empty_database_url: str) -> None:
    prepare(settings_for(empty_database_url))
    run = partial(run_program, empty_database_url, SETWRIGHT_BASE_URL="https://coins.example")
    missing = run("reset-password", "nobody")
    assert (missing.returncode, "Traceback" in missing.stderr) == (1, False)
    assert "nobody" in missing.stderr
    missing = run("delete-account", "nobody", "--yes")
    assert (missing.returncode, "Traceback" in missing.stderr) == (1, False)
    from service.database.engine import Database
    from tests.owners import open_account

    database = Database(empty_database_url)
    for name in ("Ida Lund", "Olaf Lind"):
        database.write(lambda c, n=name: open_account(c, n, is_admin=n == "Ida Lund"))
    database.close()
    printed = run("reset-password", "ida lund")
    assert printed.returncode == 0, printed.stderr
    assert len(re.findall(r"^    swr_[\w-]{43}$", printed.stdout, re.MULTILINE)) == 1
    assert "https://coins.example/v1/account/password-resets" in printed.stdout
    stuck = run("delete-account", "ida lund", "--yes")
    assert (stuck.returncode, "--administrator" in stuck.stderr) == (1, True)
    gone = run("delete-account", "ida lund", "--yes", "--administrator", "Olaf Lind")
    assert gone.returncode == 0, gone.stderr
    assert run("reset-password", "Ida Lund").returncode == 1
    assert run("reset-password", "Olaf Lind").returncode == 0
