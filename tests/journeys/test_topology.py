"""A club's server: PostgreSQL with a password, two web processes, a worker and a TLS proxy, as plain processes. Members sign in
over TLS, are told apart behind the proxy, notice nothing of a web process that is killed, and a backup brings everything back."""

from __future__ import annotations

import shutil
import signal
import ssl
import subprocess
import threading
import time
from pathlib import Path

import httpx
import psycopg
import pytest

from tests.own_postgresql import OwnServer
from tests.topology import CADDYFILE, Topology, started

pytestmark = pytest.mark.process

PASSWORD = "six worn crowns in a tray"
OWNER, STRANGER, LATER = "127.0.0.3", "127.0.0.2", "127.0.0.4"
KILLED_AFTER, GOES_ON = 40, 120


@pytest.mark.timeout(600)
def test_a_club_is_served_by_all_parts_together(own_postgresql: OwnServer, tmp_path: Path) -> None:
    # One test, since xdist would start everything once for each of several.
    if shutil.which("caddy") is None:
        pytest.skip("it needs caddy (Debian: apt install caddy)")
    the_proxys_file_is_in_its_own_form()
    with started(own_postgresql) as topology:
        admin = {"Authorization": f"Bearer {topology.token_file.read_text().strip()}"}
        a_member_signs_in_through_the_proxy_over_tls(topology, admin)
        clients_behind_the_proxy_are_told_apart(topology, admin)
        without_the_setting_all_clients_are_one(topology, admin)
        a_backup_brings_everything_back_elsewhere(topology, tmp_path / "backup.tar")
        a_web_process_that_is_killed_stops_nobody(topology, admin)
        nothing_has_printed_a_secret(topology, admin)


def member(topology: Topology, admin: dict[str, str], name: str) -> None:
    """Somebody with a password, invited and registered through the proxy."""
    with topology.client() as client:
        invitation = client.post("/v1/account/invitations", json={}, headers=admin)
        assert invitation.status_code == 201, invitation.text
        body = {"invitation": invitation.json()["invitation"], "name": name, "password": PASSWORD}
        answer = client.post("/v1/account/redemptions", json=body)
        assert answer.status_code == 201, answer.text


def log_in(topology: Topology, address: str, name: str, password: str = PASSWORD, **headers: str) -> httpx.Response:
    with topology.client(address) as client:
        body = {"name": name, "password": password, "token_name": "desk", "scopes": ["read", "write"]}
        return client.post("/v1/account/tokens", json=body, headers=headers)


def guess_until_refused(topology: Topology, name: str, **headers: str) -> None:
    statuses = []
    for number in range(12):
        statuses.append(log_in(topology, STRANGER, name, f"a wrong password {number}", **headers).status_code)
        if statuses[-1] == 429:
            return
    raise AssertionError(statuses)


def a_member_signs_in_through_the_proxy_over_tls(topology: Topology, admin: dict[str, str]) -> None:
    member(topology, admin, "Ida Lund")
    answer = log_in(topology, OWNER, "Ida Lund")
    assert answer.status_code == 201, answer.text
    assert "max-age" in answer.headers["strict-transport-security"]
    token = {"Authorization": f"Bearer {answer.json()['access_token']}"}
    with topology.client(OWNER, headers=token) as client:
        made = client.post("/v1/holdings", json={"facts": {"denomination": "crown"}, "number": "1"})
        assert made.status_code == 201, made.text
        assert client.get("/v1/holdings").json()["items"][0]["number"] == "1"
        # An event passes while the answer is still going on.
        with client.stream("GET", "/v1/holdings/events") as stream:
            assert stream.status_code == 200
            assert next(stream.iter_raw())
    # The control: whoever does not trust this authority is not talked into it.
    with (
        httpx.Client(verify=ssl.create_default_context()) as untrusting,
        pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"),
    ):
        untrusting.get(f"{topology.address}/health/ready")


def clients_behind_the_proxy_are_told_apart(topology: Topology, admin: dict[str, str]) -> None:
    member(topology, admin, "Marta Kivi")
    # What a client says of itself is not believed: neither of these makes the owner's address pay.
    guess_until_refused(topology, "Marta Kivi", **{"Forwarded": f"for={OWNER}", "X-Forwarded-For": OWNER})
    assert log_in(topology, STRANGER, "Marta Kivi").status_code == 429
    assert log_in(topology, OWNER, "Marta Kivi").status_code == 201


def without_the_setting_all_clients_are_one(topology: Topology, admin: dict[str, str]) -> None:
    # The control of the step before: the headers that the proxy sends, and a web process that does not know the proxy.
    member(topology, admin, "Nils Holm")
    topology.start_web("unknowing", SETWRIGHT_TRUSTED_PROXIES="")
    topology.wait_for_web("unknowing")
    statuses = []
    with httpx.Client(base_url=f"http://127.0.0.1:{topology.ports['unknowing']}", timeout=30) as proxy:
        for address, password in [(STRANGER, "a wrong password")] * 6 + [(OWNER, PASSWORD)]:
            body = {"name": "Nils Holm", "password": password, "token_name": "desk"}
            answer = proxy.post("/v1/account/tokens", json=body, headers={"X-Forwarded-For": address})
            statuses.append(answer.status_code)
    assert statuses[-1] == 429
    topology.parts["unknowing"].end()
    # Where it is known, the owner is let in.
    assert log_in(topology, OWNER, "Nils Holm").status_code == 201


class Caller:
    """Writes and reads through the proxy until it is told to stop. A write whose answer is none is sent again with its key."""

    def __init__(self, topology: Topology, headers: dict[str, str], name: str) -> None:
        self.headers, self.name, self._topology = headers, name, topology
        self.acknowledged: list[str] = []
        self.again = 0
        self.failed_reads: list[str] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        with self._topology.client(LATER, headers=self.headers) as client:
            number = 0
            while not self._stop.is_set():
                number += 1
                key = f"{self.name}-{number}"
                while not self._stop.is_set():
                    body = {"facts": {"denomination": "florin"}, "number": key}
                    answer = client.post("/v1/holdings", json=body, headers={"Idempotency-Key": key})
                    if answer.status_code == 201:
                        self.acknowledged.append(answer.json()["id"])
                        break
                    assert answer.status_code in (502, 503, 504), answer.text
                    self.again += 1
                read = client.get("/v1/holdings?limit=1")
                if read.status_code != 200:
                    self.failed_reads.append(f"{read.status_code} {read.text[:100]}")

    def wait_for(self, count: int) -> None:
        until = time.monotonic() + 60
        while len(self.acknowledged) < count:
            assert self._thread.is_alive()
            assert time.monotonic() < until, (len(self.acknowledged), self.failed_reads)
            time.sleep(0.01)

    def join(self) -> None:
        self._stop.set()
        self._thread.join(30)
        assert not self._thread.is_alive()


def held(topology: Topology, headers: dict[str, str]) -> list[str]:
    found, address = [], "/v1/holdings?limit=200"
    with topology.client(headers=headers) as client:
        while address:
            page = client.get(address)
            assert page.status_code == 200, page.text
            found += [item["id"] for item in page.json()["items"]]
            address = page.links.get("next", {}).get("url", "")
    return found


def a_web_process_that_is_killed_stops_nobody(topology: Topology, admin: dict[str, str]) -> None:
    callers = [Caller(topology, admin, f"caller-{number}") for number in range(3)]
    try:
        for caller in callers:
            caller.wait_for(KILLED_AFTER // len(callers))
        topology.parts["web-1"].end(signal.SIGKILL)
        counts = [len(caller.acknowledged) for caller in callers]
        for caller, count in zip(callers, counts, strict=True):
            caller.wait_for(count + GOES_ON // len(callers))
    finally:
        for caller in callers:
            caller.join()
    assert [caller.failed_reads for caller in callers] == [[], [], []]
    acknowledged = [identity for caller in callers for identity in caller.acknowledged]
    assert len(acknowledged) >= KILLED_AFTER + GOES_ON - 3
    # Each is there, once: of what was not answered, at most what was on its way.
    kept = held(topology, admin)
    assert len(kept) == len(set(kept))
    assert set(acknowledged) <= set(kept)
    assert len(kept) <= len(acknowledged) + len(callers)
    # The control: with both gone somebody notices.
    topology.parts["web-2"].end(signal.SIGKILL)
    with topology.client() as client:
        assert client.get("/v1/holdings?limit=1", headers=admin).status_code in (502, 503)


def rows(database: OwnServer, name: str) -> dict[str, int]:
    """How many rows each table has."""
    place = database.url.rpartition("/")[0]
    with psycopg.connect(f"{place}/{name}", password=database.password) as connection:
        tables = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
        return {
            table: connection.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]  # type: ignore[index, arg-type]
            for (table,) in tables
        }


def a_backup_brings_everything_back_elsewhere(topology: Topology, target: Path) -> None:
    made = topology.program("backup", str(target))
    assert (made.returncode, made.stderr) == (0, ""), made.stderr
    place = topology.database.url.rpartition("/")[0]
    with psycopg.connect(topology.database.url, password=topology.database.password, autocommit=True) as connection:
        connection.execute("CREATE DATABASE elsewhere")
    done = topology.program("restore", str(target), SETWRIGHT_DATABASE_URL=f"{place}/elsewhere")
    assert done.returncode == 0, done.stdout + done.stderr
    assert " 0 differences." in done.stdout
    before, after = rows(topology.database, "postgres"), rows(topology.database, "elsewhere")
    assert before["holding"] > 0
    # A worker that goes on tells its heartbeat, and jobs come and go meanwhile.
    moving = {table for table in before if table.startswith("procrastinate_")}
    assert {table: count for table, count in after.items() if table not in moving} == {
        table: count for table, count in before.items() if table not in moving
    }
    # The control: one row less is seen.
    with psycopg.connect(f"{place}/elsewhere", password=topology.database.password) as connection:
        connection.execute("DELETE FROM mutation WHERE ctid = (SELECT ctid FROM mutation LIMIT 1)")
    assert rows(topology.database, "elsewhere") != after


def nothing_has_printed_a_secret(topology: Topology, admin: dict[str, str]) -> None:
    printed = "\n".join(part.printed for part in topology.parts.values())
    assert "Setwright listens on" in printed
    for secret in (topology.database.password, PASSWORD, admin["Authorization"].removeprefix("Bearer ")):
        assert secret not in printed


def the_proxys_file_is_in_its_own_form() -> None:
    done = subprocess.run(["caddy", "fmt", str(CADDYFILE)], capture_output=True, text=True, check=True)
    assert done.stdout == CADDYFILE.read_text(encoding="utf-8")
