"""The simulator of sync (tests/sync), with the app's device in Chromium in place of its own: requests are lost, answers are lost
or doubled, the server crashes and is restored, and the page is loaded anew while it writes, sends or reads an answer.

SETWRIGHT_BROWSER_SEEDS=200 plays more seeds than CI does; -s shows what they met.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import msgspec
import pytest

from service.accounts.model import read_state
from service.client.model import from_json
from service.holdings.sync.apply import SentMutation
from service.holdings.sync.merge import Mutation
from service.holdings.sync.record import Record
from service.holdings.sync.store import StoredRecord
from service.http.api.sync_records import RecordForm, record_out
from tests.sync.device import sent
from tests.sync.memory import Crash, Gone, Server
from tests.sync.simulator import Violation, World
from tests.web.browser import Page
from tests.web.modules import Modules, modules_served

pytestmark = [pytest.mark.browser, pytest.mark.process]
SEEDS = int(os.environ.get("SETWRIGHT_BROWSER_SEEDS", "2"))
STEPS = int(os.environ.get("SETWRIGHT_BROWSER_STEPS", "60"))
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
KILLED = {"sending": 0.1, "answered": 0.15, "writing": 0.08}
# A page that is killed may have made ids that nobody heard of.
SPARE = 50
GONE = {"type": "http://setwright.test/problems/cannot-calculate-changes", "title": "Gone", "status": 410}


@pytest.fixture(scope="module")
def modules() -> Iterator[Modules]:
    with modules_served() as served:
        yield served


class Browser:
    """The page with the devices of one seed; `counts` what it went through. `variant`: of the modules."""

    variant = "sound"

    def __init__(self, page: Page, address: str, seed: int) -> None:
        self.page, self.address, self.seed = page, address, seed
        self.chance = Random(seed)
        self.counts = {"kills": 0, "requests": 0}
        self.is_calm = False
        self.load()

    def load(self) -> None:
        self.page.driver.get(f"{self.address}/")
        self.page.driver.execute_async_script(
            "const [variant, done] = arguments;"
            "import(`/${variant}/simulate.js`).then((found) => { window.sim = found; done(); })",
            self.variant,
        )

    def kill(self) -> None:
        self.counts["kills"] += 1
        self.load()

    def is_killed(self, when: str) -> bool:
        return not self.is_calm and self.chance.random() < KILLED[when]

    def ask(self, call: str, *values: Any) -> dict[str, Any]:
        told = self.page.driver.execute_async_script(
            f"const values = [...arguments], done = values.pop();"
            f"sim.{call}(...values).then(done, (error) => done(JSON.stringify({{error: String(error.stack)}})))",
            *values,
        )
        found: dict[str, Any] = from_json(told)
        assert "error" not in found, found
        return found

    def begin(self, call: str, *values: Any) -> None:
        """Without waiting for it."""
        self.page.run(f"sim.{call}(...arguments)", *values)


class InBrowser:
    """Stands in for tests.sync.device.Device."""

    browser: Browser

    def __init__(self, name: str, skew: timedelta, page: int) -> None:
        self.name, self.skew, self.page = name, skew, page
        self.number = 0
        self.now = NOON
        self.outbox: list[dict[str, Any]] = []
        self.server: Server | None = None
        self.told: dict[str, Record] = {}
        self.act("begin", {})

    def of(self) -> dict[str, Any]:
        at = min(self.now, self.now + self.skew)
        return {"name": f"{self.browser.seed} {self.name}", "at": at.isoformat(), "next": self.number}

    def heard(self, found: Mapping[str, Any]) -> None:
        self.number, self.outbox = found["used"], found["outbox"]

    def look(self) -> dict[str, Any]:
        found = self.browser.ask("look", self.of())
        self.outbox = found["outbox"]
        return found

    # -- what the owner does

    def act(self, name: str, what: Mapping[str, Any]) -> None:
        self.heard(self.browser.ask("act", self.of(), name, what))

    def do(self, name: str, what: Mapping[str, Any], now: datetime) -> Mutation:
        self.now = now
        if self.browser.is_killed("writing"):
            before = [one["mutation_id"] for one in self.look()["outbox"]]
            self.browser.begin("act", self.of(), name, what)
            self.browser.kill()
            self.number += SPARE
            self.look()
            if [one["mutation_id"] for one in self.outbox] != before:
                return mutation_in(self.outbox[-1])
            # It was not kept, and nobody was told that it was: the owner does it again.
        self.act(name, what)
        return mutation_in(self.outbox[-1])

    def create(self, holding: str, patch: Mapping[str, Any], now: datetime) -> Mutation:
        return self.do("create", {"id": holding, "patch": dict(patch)}, now)

    def edit(self, holding: str, patch: Mapping[str, Any], now: datetime, **more: Any) -> Mutation:
        told = {name: sorted(value) if name == "resolves" else value for name, value in more.items()}
        return self.do("edit", {"id": holding, "patch": dict(patch), "more": told}, now)

    def delete(self, holding: str, now: datetime) -> Mutation:
        return self.do("delete", {"id": holding}, now)

    # -- what the owner sees

    def holdings(self) -> list[str]:
        return sorted(self.look()["holdings"])

    def values(self, holding: str) -> dict[str, Any]:
        found: dict[str, Any] = self.look()["holdings"].get(holding, {})
        return found

    @property
    def records(self) -> dict[str, Record]:
        """As the service's own, where the browser has exactly what the service told."""
        found = {}
        for record in self.look()["records"]:
            text = as_key(record)
            assert text in self.told, f"{self.name} has a record that it was never told: {text}"
            now = self.server.now.records.get(record["id"]) if self.server else None
            found[record["id"]] = (
                now if now is not None and as_key(wire(now, grouped=False)) == text else self.told[text]
            )
        return found

    @property
    def attention(self) -> list[tuple[Mutation, str]]:
        return [(mutation_in(one["mutation"]), one["error"].get("type", "")) for one in self.look()["attention"]]

    # -- the network

    def push(self, server: Server, size: int, crash: str | None = None) -> list[SentMutation]:
        self.server = server
        found = self.browser.ask("sync", self.of(), {"most": size, "wanted": "POST"})
        batch: list[SentMutation] = []
        crashed = False
        while "request" in found:
            self.browser.counts["requests"] += 1
            body = from_json(found["request"]["body"])
            this = [sent(mutation_in(one)) for one in body["mutations"]]
            if batch or crashed:
                # One batch is what was asked for; what follows finds no network.
                found = self.browser.ask("answer", None)
                continue
            batch = this
            try:
                answers, state = server.sync(this, known_in(body["known_state"]), crash)
            except Gone:
                answer: dict[str, Any] | None = {"status": 410, "body": GONE}
            except Crash:
                answer, crashed = None, True
            else:
                told = msgspec.to_builtins({"responses": answers, "list": [], "missing_photos": []})
                answer = {"status": 200, "body": {"old_state": None, "new_state": str(state), **told}}
            if answer is None and self.browser.is_killed("sending"):
                self.killed()
                raise Crash
            text = None if answer is None else json.dumps(answer)
            if self.browser.is_killed("answered"):
                self.browser.begin("answer", text)
                self.killed()
                break
            found = self.browser.ask("answer", text)
        else:
            self.heard(found)
        if crashed:
            raise Crash
        return batch

    def pull(self, server: Server, most_pages: int = 1_000) -> bool:
        self.server = server
        found = self.browser.ask("sync", self.of(), {"most": 500, "wanted": "GET"})
        pages = 0
        while "request" in found:
            self.browser.counts["requests"] += 1
            query = found["request"]["query"]
            answer: dict[str, Any] | None = None
            if pages < most_pages:
                pages += 1
                try:
                    page, reached, more = server.now.changes(
                        known_in(query.get("since")), known_in(query.get("known_state")), self.page
                    )
                except Gone:
                    answer = {"status": 410, "body": GONE}
                else:
                    records = [wire(record, grouped=True) for record in page]
                    self.told |= {as_key(wire(record, grouped=False)): record for record in page}
                    answer = {
                        "status": 200,
                        "body": {"new_state": str(reached), "has_more_changes": more, "list": records},
                    }
            text = None if answer is None else json.dumps(answer)
            if self.browser.is_killed("answered"):
                self.browser.begin("answer", text)
                self.killed()
                return False
            found = self.browser.ask("answer", text)
        self.heard(found)
        return True

    def killed(self) -> None:
        self.browser.kill()
        self.number += SPARE
        self.look()


def known_in(text: str | None) -> Any:
    return None if text is None else read_state(text)


def mutation_in(body: Mapping[str, Any]) -> Mutation:
    return Mutation(
        body["mutation_id"],
        body["op"],
        body["id"],
        datetime.fromisoformat(body["edited_at"]),
        body["patch"],
        body.get("from", {}),
        body.get("writers"),
        frozenset(body.get("resolves", ())),
        body.get("revive", False),
    )


def wire(record: Record, *, grouped: bool) -> dict[str, Any]:
    """As the service tells it."""
    told: dict[str, Any] = msgspec.to_builtins(
        record_out(StoredRecord(0, 0, record, NOON, NOON), RecordForm(None, grouped))
    )
    return told


def as_key(record: Mapping[str, Any]) -> str:
    return json.dumps(record, sort_keys=True)


class Played(World):
    """In the end everything arrives, and no page is killed any more: else nobody could say that all have the same."""

    def settle(self) -> None:
        for device in self.devices:
            assert isinstance(device, InBrowser)
            device.browser.is_calm = True
        super().settle()


def played(page: Page, modules: Modules, seed: int, variant: str = "sound") -> dict[str, int]:
    """Plays one seed. Raises Violation."""
    of_variant = type("OfVariant", (Browser,), {"variant": variant})
    browser = of_variant(page, modules.address, seed)
    device = type("OfBrowser", (InBrowser,), {"browser": browser})
    world = Played(seed, device=device, steps=STEPS)
    world.run()
    return {**world.counts, **browser.counts}


def test_no_schedule_loses_anything_in_a_browser(chromium: Page, modules: Modules) -> None:
    totals: dict[str, int] = {}
    for seed in range(SEEDS):
        counts = played(chromium, modules, seed)
        totals = {name: totals.get(name, 0) + count for name, count in counts.items()}
    print(f"{SEEDS} seeds: {totals}")
    # It has to have met what it is there for.
    assert totals["edits"] > 10 * SEEDS and totals["kills"] > 0 and totals["crashes"] > 0, totals


DROPS = (
    "        if (!(refused instanceof RefusedRequest)) throw refused;\n        if (refused.status === 415 && isC",
    "        if (!(refused instanceof RefusedRequest)) {\n"
    "          await this._step(async (w) => { for (const one of batch) await w.leaveOutbox(one.mutation_id); });\n"
    "          throw refused;\n        }\n        if (refused.status === 415 && isC",
)


def test_a_device_that_drops_what_was_not_answered_is_seen(chromium: Page, modules: Modules) -> None:
    """The control of the simulator in the browser."""
    modules.variants["drops"] = {"kept/sync.js": DROPS}
    with pytest.raises(Violation, match="never heard of again"):
        for seed in range(3):
            played(chromium, modules, seed, "drops")
