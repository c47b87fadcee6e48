"""A seeded world of devices, a server that crashes and is restored, a network that loses, doubles and delays. No wall clock and
no randomness outside of the seed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from service.holdings.sync.apply import SentMutation
from service.holdings.sync.field_names import settled
from service.holdings.sync.merge import DESTROY, Mutation
from service.holdings.sync.record import Record, ids_in
from tests.sync.device import Device
from tests.sync.memory import Crash, Memory, Server

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
NO_GRADE = 99
NAMES = ("grade", "note", "number", "location", "quantity")


class Violation(AssertionError):
    """An invariant of sync.md that does not hold; the seed replays it."""


class World:
    """One seed. `run` plays it and raises Violation."""

    def __init__(
        self,
        seed: int,
        memory: Callable[[], Memory] = Memory,
        server: type[Server] = Server,
        device: type[Device] = Device,
        steps: int = 90,
    ) -> None:
        self.seed, self.chance, self.steps = seed, Random(seed), steps
        self.server = server(memory())
        days = (-3, 0, 0, 0, 2)
        self.devices = [
            device(f"d{n}", timedelta(days=self.chance.choice(days), seconds=n), self.chance.choice((1, 2, 50)))
            for n in range(self.chance.choice((2, 3, 4)))
        ]
        self.now = NOON
        self.counter = 0
        self.late: list[list[SentMutation]] = []
        # Everything that owners did, and for lists what they were looking at.
        self.done: dict[str, Mutation] = {}
        self.bases: dict[str, list[str]] = {}
        self.decided: dict[str, set[str]] = {}
        self.counts = dict.fromkeys(("edits", "crashes", "restores", "doubled"), 0)

    def run(self) -> None:
        try:
            for _ in range(self.steps):
                self.now += timedelta(seconds=self.chance.randint(1, 4_000))
                self.step()
            self.settle()
            self.check()
        except Violation:
            raise
        except AssertionError as broken:
            raise Violation(f"seed {self.seed}: {broken}") from broken

    # -- one step

    def step(self) -> None:
        device = self.chance.choice(self.devices)
        dice = self.chance.random()
        if dice < 0.5:
            self.act(device)
        elif dice < 0.72:
            self.exchange(device)
        elif dice < 0.86:
            device.pull(self.server, self.chance.choice((1, 1_000)))
        elif dice < 0.92:
            self.deliver_late()
        elif dice < 0.96:
            self.server.back_up()
        elif dice < 0.98:
            self.counts["restores"] += 1
            self.server.restore()
        else:
            self.exchange(device)
            device.pull(self.server)

    def act(self, device: Device) -> None:
        self.counts["edits"] += 1
        there = device.holdings()
        dice = self.chance.random()
        if not there or dice < 0.15:
            self.counter += 1
            patch = {name: self.value(name) for name in self.chance.sample(NAMES, 2)}
            self.noted(device.create(f"coin-{self.counter}", {**patch, "tags": self.terms(2)}, self.now))
            return
        holding = self.chance.choice(there)
        if dice < 0.25:
            self.against(device, self.noted(device.delete(holding, self.now)))
        elif dice < 0.4:
            base = list(device.values(holding).get("tags", []))
            kept = [term for term in base if self.chance.random() < 0.7]
            patch: dict[str, Any] = {"tags": [*kept, *self.terms(1)] if self.chance.random() < 0.9 else None}
            if self.chance.random() < 0.1:
                patch["grade"] = NO_GRADE
            mutation = self.noted(device.edit(holding, patch, self.now))
            self.bases[mutation.id] = base
        elif dice < 0.5:
            self.resolve(device, holding)
        elif dice < 0.6:
            self.revive(device)
        else:
            names = self.chance.sample(NAMES, self.chance.choice((1, 1, 2)))
            values = {name: None if self.chance.random() < 0.15 else self.value(name) for name in names}
            self.noted(device.edit(holding, values, self.now))

    def resolve(self, device: Device, holding: str) -> None:
        record = device.records.get(holding)
        if record is None or not record.conflicts:
            return
        conflict = self.chance.choice(record.conflicts)
        chosen = {} if conflict.attribute in (None, "tags") else {conflict.attribute: conflict.value}
        patch: dict[str, Any] = {name: value for name, value in chosen.items() if name is not None}
        self.against(device, self.noted(device.edit(holding, patch, self.now, resolves=frozenset((conflict.id,)))))

    def against(self, device: Device, mutation: Mutation) -> None:
        """The terms that the owner saw in conflicts and decided against, by resolving or deleting."""
        record = device.records.get(mutation.holding)
        named = [c for c in record.conflicts if c.id in mutation.resolves] if record else []
        lists = [c.value for c in named if c.attribute == "tags" and isinstance(c.value, list)]
        self.decided[mutation.id] = {term for terms in lists for term in terms}

    def revive(self, device: Device) -> None:
        gone = sorted(name for name, record in device.records.items() if record.is_destroyed)
        if gone:
            holding = self.chance.choice(gone)
            record = device.records[holding]
            one = self.chance.choice(record.deletes).by
            deletes = frozenset((str(record.destroyed_by) if self.chance.random() < 0.6 else one,))
            patch = {"note": self.value()} if self.chance.random() < 0.5 else {}
            self.noted(device.edit(holding, patch, self.now, revive=True, resolves=deletes))

    def value(self, name: str = "") -> int:
        """Mostly never the same twice, so that a value tells who wrote it; now and then one that others write too."""
        self.counter += 1
        dice = self.chance.random()
        if name == "quantity" and dice < 0.4:
            return 1
        return self.chance.choice((2, 3)) if dice < 0.2 else self.counter + 1_000

    def terms(self, most: int) -> list[str]:
        return [
            self.chance.choice(("silver", "fair")) if self.chance.random() < 0.2 else f"t{self.value()}"
            for _ in range(self.chance.randint(1, most))
        ]

    def noted(self, mutation: Mutation) -> Mutation:
        self.done[mutation.id] = mutation
        return mutation

    # -- the network

    def exchange(self, device: Device) -> None:
        dice, size = self.chance.random(), self.chance.choice((1, 3, 500))
        crash = "before" if dice < 0.12 else "after" if dice < 0.3 else None
        try:
            batch = device.push(self.server, size, crash)
        except Crash:
            self.counts["crashes"] += 1
            return
        if self.chance.random() < 0.2:
            self.late.append(batch)
        if self.chance.random() < 0.6:
            device.pull(self.server)

    def deliver_late(self) -> None:
        """A request that a router kept and sends again; nobody waits for the answer."""
        if self.late:
            self.counts["doubled"] += 1
            batch = self.late.pop(self.chance.randrange(len(self.late)))
            self.server.sync(batch, None)

    def settle(self) -> None:
        """All devices sync until nothing moves any more."""
        for _ in range(60):
            before = (self.server.now.states[-1], [len(device.outbox) for device in self.devices])
            for device in self.devices:
                if device.outbox:
                    device.push(self.server, 500)
                device.pull(self.server)
            after = (self.server.now.states[-1], [len(device.outbox) for device in self.devices])
            if before == after and not any(device.outbox for device in self.devices):
                return
        self.complain("the devices never come to rest")

    # -- invariants

    def complain(self, what: str) -> None:
        raise Violation(f"seed {self.seed}: {what}")

    def check(self) -> None:
        memory = self.server.now
        for device in self.devices:
            if device.records != memory.records:
                wrong = [
                    n for n in {*device.records, *memory.records} if device.records.get(n) != memory.records.get(n)
                ]
                self.complain(f"{device.name} and the server differ in {sorted(wrong)[:3]} (invariants 2 and 5)")
        if [state.number for state in memory.states] != list(range(len(memory.states))):
            self.complain("states are not counted one by one")
        if sorted(memory.modseqs.values()) != sorted(set(memory.modseqs.values())):
            self.complain("two records share a state")
        twice = [mutation for mutation, count in memory.effects.items() if count > 1]
        if twice:
            self.complain(f"{twice[0]} took effect twice (invariant 3)")
        refused = {mutation.id for device in self.devices for mutation, _ in device.attention}
        for mutation in self.done.values():
            if mutation.id in refused:
                continue
            record = memory.records.get(mutation.holding)
            if mutation.op == DESTROY and self.changed_nothing(mutation, record):
                continue
            if mutation.id not in memory.log:
                self.complain(f"{mutation.id} was never heard of again (invariant 6)")
            self.check_kept(mutation, record)

    def changed_nothing(self, mutation: Mutation, record: Record | None) -> bool:
        """A delete of what was deleted changes nothing, so no state tells of it, and a backup may lack it. Somebody may have
        undone the delete that was first."""
        return (record is not None and record.is_destroyed) or any(
            other.op == DESTROY and other.holding == mutation.holding and other.seen == mutation.seen
            for other in self.done.values()
            if other.id in self.server.now.log
        )

    def check_kept(self, mutation: Mutation, record: Record | None) -> None:
        """Invariant 1: what an owner wrote is shown, or kept as a conflict, or was replaced by somebody who saw it."""
        if record is None:
            self.complain(f"the holding of {mutation.id} is gone without a marker")
            return
        if any(c.kind == "invalid_merge" and c.mutation == mutation.id for c in record.conflicts):
            return
        for name, value in mutation.patch.items():
            if name == "tags":
                self.check_terms(mutation, record, value or [])
                continue
            value = settled(name, value)
            if value is None or record.values.get(name) == value:
                continue
            if any(c.attribute == name and c.value == value for c in record.conflicts):
                continue
            if not self.was_seen(mutation, name, value):
                self.complain(f"{name}={value} by {mutation.id} is lost (invariant 1)")

    def was_seen(self, mutation: Mutation, name: str, value: Any) -> bool:
        """Whether somebody who saw the value, or an equal one, wrote over it, deleted it or decided against it."""
        writers = {m.id for m in self.done.values() if m.holding == mutation.holding and m.patch.get(name) == value}
        for other in self.done.values():
            if other.holding != mutation.holding or other.id in writers:
                continue
            if not writers.isdisjoint(ids_in(other.seen.get(name) or "")):
                return True
            named = (text.partition(":") for text in other.resolves)
            if any(of in ("", name) and not ids_in(by).isdisjoint({*writers, mutation.id}) for by, _, of in named):
                return True
        return False

    def refused_terms(self, holding: str) -> set[str]:
        lists = [m.patch.get("tags") for device in self.devices for m, _ in device.attention if m.holding == holding]
        return {term for terms in lists if terms for term in terms}

    def check_terms(self, mutation: Mutation, record: Record, terms: list[str]) -> None:
        shown = [record.values.get("tags"), *(c.value for c in record.conflicts if c.attribute == "tags")]
        here = {term for found in shown if isinstance(found, list) for term in found}
        # What was refused nobody else ever had, so whoever goes on from it brings it.
        known = set(self.bases.get(mutation.id, [])) - self.refused_terms(mutation.holding)
        for term in set(terms) - known - here:
            taken = any(
                other.holding == mutation.holding
                and (
                    (term in self.bases.get(other.id, []) and term not in (other.patch.get("tags") or []))
                    or term in self.decided.get(other.id, ())
                )
                for other in self.done.values()
            )
            if not taken and not self.was_seen(mutation, "tags", terms):
                self.complain(f"the tag {term} by {mutation.id} is lost (invariant 1)")
