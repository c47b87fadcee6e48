"""Nothing secret stands in a log, an error, a header or the database (promise 14): canaries everywhere, everything searched."""

from __future__ import annotations

import contextlib
import logging
from uuid import uuid4

import pytest
from starlette.types import Receive, Scope, Send

from service.http.dependencies import context_of
from service.http.metric_sources import readings
from service.http.middleware import RequestLog
from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.http.contents import everything_kept
from tests.logs import listening
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

# Other tests keep canaries of their own in the same database.
CANARY = f"canary-of-the-mint-{uuid4().hex}"


SECRETS = "canaries in addresses, headers, bodies and errors"


async def found_again(service: Running, capfd: pytest.CaptureFixture[str]) -> tuple[list[str], int]:
    """Which secrets were found again and where, and how many there are."""
    with listening() as log:
        admin, name = service.collector(is_admin=True), f"Marta Feld {uuid4()}"
        invitation = (await doors.invited(service, admin))["invitation"]
        body = {"invitation": invitation, "name": name, "password": f"{CANARY} password"}
        assert (await service.client.post("/v1/account/redemptions", json=body)).status_code == 201
        token = (await doors.log_in(service, name, f"{CANARY} password")).json()["access_token"]
        codes = await doors.begun(service)
        club = await clubhouse.founded(service, admin)
        way, used = [(await club.invitation())["invitation"] for _ in range(2)]
        assert (await club.join(service.collector(), used)).status_code == 201
        secrets = [
            CANARY,
            invitation,
            way,
            used,
            token,
            codes["device_code"],
            codes["user_code"],
            admin["Authorization"][7:],
        ]
        answers = [
            await doors.log_in(service, name, f"{CANARY} wrong"),
            await doors.log_in(service, CANARY, f"{CANARY} wrong"),
            await service.client.get(f"/v1/holdings/{CANARY}", headers=admin),
            await service.client.get(f"/v1/holdings?cursor={CANARY}", headers=admin),
            await service.client.get("/v1/holdings", headers={"Authorization": f"Bearer {CANARY}"}),
            await service.client.get("/v1/holdings", headers={"Authorization": CANARY}),
            await service.client.post("/v1/account/redemptions", json={**body, "invitation": CANARY}),
            await service.client.post("/v1/account/redemptions", content=f'{{"invitation": "{CANARY}'.encode()),
            await service.client.put(
                "/v1/account/password", json={"old_password": CANARY, "new_password": CANARY[:5]}, headers=admin
            ),
            await doors.poll(service, f"{CANARY}-code"),
            await club.join(admin, way),
            await club.join(service.collector(), used),
            await club.join(admin, f"swc_{CANARY}"),
            await service.client.get(f"/v1/clubs/{way}", headers=admin),
            await service.client.delete(f"{club.address}/invitations/{way}", headers=admin),
            await service.client.get(f"/v1/device-pairings/{CANARY}"),
        ]
        assert all(400 <= answer.status_code < 500 for answer in answers), [a.status_code for a in answers]
        with contextlib.suppress(Exception):
            service.app.state.database.read(lambda _: (_ for _ in ()).throw(RuntimeError(CANARY)))
    metrics = service.app.state.metrics
    metrics.publish(readings(service.app.state, context_of(service.app)))
    measured = metrics.text().decode()
    assert "setwright_requests_total" in measured, "the metrics must have been seen"
    told = measured + "\n".join(answer.text + str(dict(answer.headers)) for answer in answers)
    logged = log.getvalue() + "".join(capfd.readouterr())
    assert "/v1/account/redemptions" in logged, "the log must have been seen"
    kept = everything_kept(service)
    assert name in kept, "the dump must see what is there"
    places = {"an answer": told, "the log": logged, "the database": kept}
    return [f"{secret} in {place}" for secret in secrets for place, text in places.items() if secret in text], len(
        secrets
    )


async def test_canaries_are_found_nowhere(
    service: Running, capfd: pytest.CaptureFixture[str], promise: Promise
) -> None:
    found, count = await found_again(service, capfd)
    assert found == []
    promise(14, SECRETS, kept=f"{count} secrets, 0 found in answers, logs, metrics and the database")


async def test_a_log_of_whole_addresses_and_headers_is_seen(
    service: Running, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control of the test above.
    real = RequestLog.__call__

    async def careless(middleware: RequestLog, scope: Scope, receive: Receive, send: Send) -> None:
        logging.getLogger("careless").info("%s?%s %s", scope["path"], scope["query_string"], scope["headers"])
        await real(middleware, scope, receive, send)

    monkeypatch.setattr(RequestLog, "__call__", careless)
    found, _ = await found_again(service, capfd)
    assert found
    assert all(place.endswith("in the log") for place in found)
    promise(14, SECRETS, control=f"addresses and headers logged: {len(found)} secrets found")
