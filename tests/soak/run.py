"""One run: a server and its callers, then what must hold afterwards."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import psutil
from sqlalchemy import select

from service.database.engine import Database
from service.database.migrate import upgrade
from service.holdings.tables import mutation
from tests.owners import open_account
from tests.server import ROOT, Server, run_program
from tests.soak.callers import Account, BrowserLoad, DeviceLoad, opened_account
from tests.soak.measured import Memory, Requests, growth
from tests.soak.processes import Watch

DEVICES_EACH, BROWSERS_EACH = 4, 1
JOB_WORKERS = 2
# Caches that are full after a few minutes: what grows afterwards is none of theirs.
SMALL = {"answers_bytes": 1024 * 1024, "warm_bytes": 2 * 1024 * 1024, "definitions_bytes": 16 * 1024}
# So long jobs may still take when nothing else is asked any more.
_JOBS_SECONDS = 180.0


@dataclass
class Result:
    """What a run came to. `complaints` are what must not be."""

    minutes: float
    accounts: int
    devices: int
    browsers: int
    requests: Requests
    kills: dict[str, int]
    memory: list[Memory]
    total_mib: list[tuple[float, float]]
    figures: dict[str, Any] = field(default_factory=dict)
    complaints: list[str] = field(default_factory=list)


class JobWorkers:
    """`setwright worker`, so many at once; one that ended is started again. None where the program has no such command."""

    def __init__(self, url: str, settings: Mapping[str, object], count: int, stop: threading.Event) -> None:
        self._url, self._ending = url, stop
        self._settings = {f"SETWRIGHT_{name.upper()}": str(value) for name, value in settings.items()}
        told = run_program(url, "--help").stdout
        self._count = count if "\n  worker" in told else 0
        self._processes: list[subprocess.Popen[bytes]] = []
        self._keeper = threading.Thread(target=self._keep, daemon=True)
        self._keeper.start()

    def _keep(self) -> None:
        while not self._ending.is_set():
            self._processes = [process for process in self._processes if process.poll() is None]
            while len(self._processes) < self._count:
                self._processes.append(self._started())
            self._ending.wait(1)

    def _started(self) -> subprocess.Popen[bytes]:
        environment = {**os.environ, **self._settings, "SETWRIGHT_DATABASE_URL": self._url}
        command = [sys.executable, "-m", "service", "worker"]
        quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen(command, cwd=ROOT, env=environment, **quiet)

    def living(self) -> list[psutil.Process]:
        """The oldest first."""
        return [psutil.Process(process.pid) for process in self._processes if process.poll() is None]

    def end(self) -> None:
        self._keeper.join(30)
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10)


def run(url: str, minutes: float, callers: int, workers: int, kill_seconds: float) -> Result:
    """So many callers, a fifth of them browsers, for so long; then everything is counted. The database is empty before."""
    stop, requests = threading.Event(), Requests()
    accounts_count = max(1, callers // (DEVICES_EACH + BROWSERS_EACH))
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="soak-")))
        tokens = opened_tokens(url, accounts_count)
        settings = {"photos_dir": folder / "photos", "log_level": "warning", "jobs_in_server": False, **SMALL}
        server = stack.enter_context(_serving(url, workers, settings))
        accounts = [opened_account(server.address, token) for token in tokens]
        devices = [
            DeviceLoad(folder / f"device-{number}", server.address, account.token, number, requests, stop)
            for number, account in enumerate(account for account in accounts for _ in range(DEVICES_EACH))
        ]
        browsers = [
            BrowserLoad(server.address, account, 1000 + number, requests, stop)
            for number, account in enumerate(account for account in accounts for _ in range(BROWSERS_EACH))
        ]
        jobs = JobWorkers(url, settings, JOB_WORKERS, stop)
        watch = Watch(server.process.pid, jobs.living, kill_seconds, stop)
        for thread in (*devices, *browsers, watch):
            thread.start()
        began = time.monotonic()
        while time.monotonic() - began < minutes * 60:
            time.sleep(5)
            _tell((time.monotonic() - began) / 60, requests, watch)
        stop.set()
        for thread in (*devices, *browsers, watch):
            thread.join(90)
        took = (time.monotonic() - began) / 60
        result = Result(
            took,
            accounts_count,
            len(devices),
            len(browsers),
            requests,
            dict(watch.kills),
            growth(watch.samples, min(5.0, minutes / 3)),
            watch.total,
        )
        result.complaints += [
            thread.failure or f"{thread.name} did not end"
            for thread in (*devices, *browsers, watch)
            if thread.failure or thread.is_alive()
        ]
        result.complaints += [*requests.unforeseen, *requests.refused]
        result.complaints += [f"memory grows: {one}" for one in result.memory if not one.is_flat]
        _settle(server, accounts, devices, browsers, result)
        _settle_jobs(accounts, browsers, result)
        jobs.end()
        status = server.end(signal.SIGTERM)
        result.figures["exit status after SIGTERM"] = status
        _verify(url, accounts, result)
        time.sleep(2)
        result.complaints += [f"a process is left: {one}" for one in watch.left()]
        errors = [line for line in server.lines if " ERROR " in line or "level=error" in line]
        result.figures["errors in the log"] = len(errors)
        result.complaints += [f"log: {line.strip()[:300]}" for line in errors if "unforeseen" in line][:5]
    return result


def opened_tokens(url: str, count: int) -> list[str]:
    """Of so many new accounts in a database that is empty before."""
    database = Database(url)
    try:
        upgrade(database)
        return [
            database.write(lambda connection, number=number: open_account(connection, f"collector {number}"))[1]
            for number in range(count)
        ]
    finally:
        database.close()


@contextmanager
def _serving(url: str, workers: int, settings: dict[str, object]) -> Iterator[Server]:
    server = Server(url, "--workers", str(workers), settings=settings)
    try:
        server.wait_until_ready()
        yield server
    finally:
        server.end(signal.SIGKILL)


def _tell(minute: float, requests: Requests, watch: Watch) -> None:
    if int(minute * 12) % 12 == 0:
        size = watch.total[-1][1] if watch.total else 0
        print(f"{minute:5.1f} min: {requests.by_end()}, kills {dict(watch.kills)}, {size:.0f} MiB", flush=True)


def _settle(
    server: Server,
    accounts: Sequence[Account],
    devices: Sequence[DeviceLoad],
    browsers: Sequence[BrowserLoad],
    result: Result,
) -> None:
    """What waits is sent, without kills; then everybody has the same."""
    for load in (*devices, *browsers):
        load.go_on()
    result.figures["counted up"], result.figures["counted up without an answer"] = 0, 0
    for browser in browsers:
        with browser.client() as client:
            for _ in range(20):
                browser.create(client, only_pending=True)
                if browser.pending is None:
                    break
        if browser.pending is not None:
            result.complaints.append(f"{browser.name}: a create is not accepted")
    sent: set[str] = set()
    for number, account in enumerate(accounts):
        mine = devices[number * DEVICES_EACH : (number + 1) * DEVICES_EACH]
        opened = [load.opened() for load in mine]
        for _ in range(2):
            for device in opened:
                report = device.sync()
                if not report.is_complete:
                    result.complaints.append(f"a device does not sync: {report}")
        records = [sorted(device.store.records(), key=lambda record: str(record["id"])) for device in opened]
        there = sorted(_changes(server.address, account.token), key=lambda record: str(record["id"]))
        # Devices keep numbers exactly, as the service sent them.
        shown = [_plain(each) for each in records]
        if any(each != shown[0] for each in shown):
            result.complaints.append(f"account {number}: its devices differ from one another")
        if [one["id"] for one in shown[0]] != [one["id"] for one in there]:
            result.complaints.append(f"account {number}: the devices have other holdings than the service")
        for device in opened:
            sent |= {one["mutation_id"] for one in device.store.journal()}
            if device.store.outbox():
                result.complaints.append(f"account {number}: {len(device.store.outbox())} edits still wait")
            if device.attention():
                result.complaints.append(f"account {number}: refused: {device.attention()[0][1]}")
            device.close()
        numbers = [record.get("number") for record in there if not record["destroyed"]]
        for key, identity in account.created.items():
            if identity not in {record["id"] for record in there}:
                result.complaints.append(f"lost: {identity} created by a browser")
            if numbers.count(key) > 1:
                result.complaints.append(f"created {numbers.count(key)} times: {key}")
        counted = next(record for record in there if record["id"] == account.counted)
        up = counted["quantity"] - 1
        if not counted["destroyed"] and not account.acknowledged <= up <= account.acknowledged + account.unanswered:
            told = f"{account.acknowledged} acknowledged, {account.unanswered} without an answer"
            result.complaints.append(f"account {number}: counted up {up} times, {told}")
        result.figures["counted up"] += account.acknowledged
        result.figures["counted up without an answer"] += account.unanswered
    result.figures["created by browsers"] = sum(len(account.created) for account in accounts)
    result.figures["mutations acknowledged to devices"] = len(sent)
    result.figures["edits on devices"] = sum(load.edits for load in devices)
    result.figures["_sent"] = sent


def _settle_jobs(accounts: Sequence[Account], browsers: Sequence[BrowserLoad], result: Result) -> None:
    """Every job that was acknowledged ends, with the answer that it is to have; what one wrote is there once."""
    attempts: Counter[int] = Counter()
    ended = published = 0
    for account, browser in zip(accounts, browsers, strict=True):
        with browser.client() as client:
            until = time.monotonic() + _JOBS_SECONDS
            while browser.look_at_jobs(client) and time.monotonic() < until:
                time.sleep(1)
            # Those too whose 202 was lost on its way.
            kept = {f"/v1/jobs/{job['id']}": job for job in _listed(client, "/v1/jobs?limit=200")}
            for job in browser.jobs:
                now = kept.get(job.where)
                if job.ended is None or now is None:
                    result.complaints.append(f"lost: the job {job.where} is {'gone' if now is None else now['state']}")
                elif now != job.ended:
                    result.complaints.append(f"the job {job.where} ended twice: {job.ended}, then {now}")
                elif (now["state"], now["status"]) != ("done", job.status):
                    result.complaints.append(f"a job did not end well: {job.kind} {now}")
            for one in kept.values():
                attempts[one["attempts"]] += 1
            ended += len(browser.jobs)
            written = sum(one["path"].endswith("/revisions") and one["status"] == 201 for one in kept.values())
            revisions = _listed(client, f"/v1/definitions/{account.definition}/revisions?limit=200")
            if len(revisions) != written:
                result.complaints.append(f"{written} jobs published a revision, and there are {len(revisions)}")
            published += written
    result.figures["jobs acknowledged"] = ended
    result.figures["revisions published by jobs"] = published
    result.figures["jobs by how often they were begun"] = ", ".join(
        f"{count:,} {begun} times" for begun, count in sorted(attempts.items())
    )


def _listed(client: httpx.Client, path: str | None) -> list[dict[str, Any]]:
    """All items, page by page."""
    found: list[dict[str, Any]] = []
    while path is not None:
        body = client.get(path).raise_for_status().json()
        found += body["items"]
        path = body["next"]
    return found


def _plain(records: Sequence[Any]) -> list[dict[str, Any]]:
    return [{name: str(value) for name, value in record.items()} for record in records]


def _changes(address: str, token: str) -> Iterator[dict[str, Any]]:
    since: dict[str, str] = {}
    with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {token}"}, timeout=60) as client:
        while True:
            page = client.get("/v1/holdings/changes", params={**since, "limit": 500}).raise_for_status().json()
            yield from page["list"]
            since = {"since": page["new_state"]}
            if not page["has_more_changes"]:
                return


def _verify(url: str, accounts: Sequence[Account], result: Result) -> None:
    sent = result.figures.pop("_sent")
    database = Database(url)
    try:
        logged = database.read(lambda connection: set(connection.execute(select(mutation.c.mutation_id)).scalars()))
    finally:
        database.close()
    lost = sent - logged
    result.figures["acknowledged to devices and not in the log"] = len(lost)
    result.figures["mutations in the log"] = len(logged)
    browsers = result.figures["created by browsers"] + result.figures["counted up"] + len(accounts)
    unknown = result.figures["counted up without an answer"]
    if not 0 <= len(logged) - len(sent) - browsers <= unknown:
        told = f"{len(sent)} of devices and {browsers} of browsers acknowledged, {unknown} without an answer"
        result.complaints.append(f"the log has {len(logged)} mutations: {told}")
    if lost:
        result.complaints.append(f"lost: {len(lost)} acknowledged mutations, {min(lost)} among them")
    verified = run_program(url, "verify")
    result.figures["verify"] = verified.stdout.strip().splitlines()[-1] if verified.stdout.strip() else "nothing said"
    if verified.returncode != 0:
        result.complaints.append(f"verify: {verified.stdout[-500:]} {verified.stderr[-500:]}")
