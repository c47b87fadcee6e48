"""A device of one owner: what it shows, what it queues, how it syncs.

`from` is fixed when the owner edits and never recomputed when sending: it says whose value the owner was looking at, the
device's own pending edit before the service's. One request is in flight at a time. Nothing is dropped on a refusal, a lost
answer, a fresh start. One `Device` at a time has the file.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from service.client.model import Mutation, flat, is_newer, named, new_id
from service.client.store import LocalStore
from service.client.transport import HistoryGone, Offline, RefusedRequest, Transport

MOST_SENT = 500
MOST_TAKEN = 500
_MOST_ROUNDS = 4
Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Report:
    """What a sync came to. `is_complete`: everything was sent and everything was taken."""

    sent: int
    taken: int
    is_complete: bool
    problem: str | None = None


class Device:
    """A device with its file. `journal_kept` is at least as long as the service's oldest backup; `sleep` waits between tries."""

    def __init__(
        self,
        path: Path | str,
        base_url: str,
        token: str,
        *,
        name: str = "device",
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        journal_kept: timedelta = timedelta(days=400),
    ) -> None:
        self.store = LocalStore(path)
        self._transport = Transport(base_url, token, transport, sleep)
        self._name, self._now, self._journal_kept = name, now, journal_kept
        self._sent = self._taken = 0

    def close(self) -> None:
        self._transport.close()
        self.store.close()

    # -- what the owner sees

    def holdings(self) -> dict[str, dict[str, Any]]:
        """Every holding as the owner sees it: by id, names and values, the pending edits on top."""
        found = {record["id"]: flat(record) for record in self.store.records() if not record["destroyed"]}
        for mutation in self._pending():
            identity = mutation["id"]
            if mutation["op"] == "destroy":
                found.pop(identity, None)
                continue
            before = found.get(identity)
            if before is None:
                before = flat(self.store.copy_of(identity) or {}) if mutation["op"] == "update" else {}
            elif mutation.get("writers") is not None:
                continue  # a mere copy changes nothing that is there
            values = {**before, **mutation["patch"]}
            found[identity] = {name: value for name, value in values.items() if value is not None}
        return found

    def conflicts(self) -> list[tuple[str, Values]]:
        """What two devices did without seeing each other, with the id of the holding."""
        return [(record["id"], conflict) for record in self.store.records() for conflict in record["conflicts"]]

    def attention(self) -> list[tuple[Mutation, Values]]:
        """What the service refused, with its reason, until the owner dismisses it."""
        return self.store.attention()

    # -- what the owner does

    def record(self, facts: Values | None = None, /, **fields: Any) -> str:
        """A new holding with these facts and own fields; its id."""
        identity = new_id(self._now())
        with self.store.step():
            self._queue("create", identity, named(facts or {}, fields), {})
        return identity

    def edit(self, identity: str, changes: Values) -> None:
        """Changes by name; None removes what is recorded."""
        with self.store.step():
            self._edit(identity, changes)

    def revive(self, identity: str, changes: Values | None = None) -> None:
        """Undoes the delete that the owner saw, and no later one."""
        with self.store.step():
            record = self.store.record(identity)
            seen = [record["destroyed_by"]] if record and record["destroyed"] else []
            self._edit(identity, changes or {}, revive=True, resolves=seen)

    def delete(self, identity: str) -> None:
        with self.store.step():
            self._delete(identity)

    def resolve(self, identity: str, conflict: Values, *, take_other: bool) -> None:
        """Decides a conflict: for what is shown, or for the other value, the delete, the patch that did not go together."""
        with self.store.step():
            if take_other and conflict["kind"] == "destroy":
                self._delete(identity)
                return
            changes: Values = {}
            if take_other:
                is_value = conflict["kind"] == "value"
                changes = {conflict["attribute"]: conflict["value"]} if is_value else conflict["patch"]
            self._edit(identity, changes, resolves=[conflict["id"]])

    def dismiss(self, mutation_id: str) -> None:
        """The owner has dealt with a refusal."""
        with self.store.step():
            self.store.dismiss(mutation_id)

    def _edit(self, identity: str, changes: Values, **more: Any) -> None:
        seen = self._seen(identity)
        self._queue("update", identity, dict(changes), {name: seen.get(name) for name in changes}, **more)

    def _delete(self, identity: str) -> None:
        record = self.store.record(identity)
        resolves = [conflict["id"] for conflict in record["conflicts"]] if record else []
        self._queue("destroy", identity, {}, dict(self._seen(identity)), resolves=resolves)

    def _queue(self, op: str, identity: str, patch: Values, seen: Mapping[str, str | None], **more: Any) -> None:
        now = self._now()
        mutation = {"mutation_id": new_id(now), "op": op, "id": identity, "patch": patch, "from": seen}
        self.store.enqueue({**mutation, "edited_at": now.isoformat(), **more})

    def _pending(self) -> list[Mutation]:
        """What was done since the records here were taken: acknowledged or not."""
        return [*self.store.journal(recent_only=True), *self.store.outbox()]

    def _seen(self, identity: str) -> dict[str, str]:
        record = self.store.record(identity)
        if record is None or record["destroyed"]:
            # The marker does not say who wrote what was deleted; the copy from before does, and is what the owner saw.
            record = self.store.copy_of(identity)
        writers: dict[str, str] = dict(record["writers"]) if record else {}
        for mutation in self._pending():
            if mutation["id"] == identity:
                carried = mutation.get("writers") or {}
                writers |= {name: carried.get(name, mutation["mutation_id"]) for name in mutation["patch"]}
        return writers

    # -- sync

    def sync(self) -> Report:
        """Sends what waits, then takes what changed. Without a network everything is as it was."""
        self._sent = self._taken = 0
        try:
            for _ in range(_MOST_ROUNDS):
                try:
                    self._send_all()
                    self._take_all()
                except HistoryGone:
                    self._start_over()
                if not self.store.outbox(1) and self.store.note("since") is not None:
                    return Report(self._sent, self._taken, True)
        except (Offline, RefusedRequest) as problem:
            return Report(self._sent, self._taken, False, str(problem))
        return Report(self._sent, self._taken, False, "the service's history does not stay")

    def _send_all(self) -> None:
        size = MOST_SENT
        while batch := self.store.outbox(size):
            try:
                told = self._transport.post(
                    "/v1/holdings/sync",
                    {"client_id": self._name, "known_state": self.store.note("known"), "mutations": batch},
                )
            except RefusedRequest as refused:
                # Too large, or one that the service cannot even read: the others must not wait for it for ever.
                if len(batch) == 1:
                    with self.store.step():
                        self.store.refuse(batch[0], refused.problem)
                size = max(1, len(batch) // 2)
                continue
            with self.store.step():
                for mutation, response in zip(batch, _responses(told, batch), strict=True):
                    self._answered(mutation, response)
                self.store.set_note("known", told["new_state"])
            self._sent += len(batch)
            size = min(2 * size, MOST_SENT)

    def _answered(self, mutation: Mutation, response: Values) -> None:
        if response["status"] != "rejected":
            self.store.acknowledge(mutation, self._now())
            return
        error = response.get("error") or {}
        is_copied = error.get("type") == "not-found" and self.store.enqueue_copy(
            self._whole_copy(mutation), mutation["mutation_id"]
        )
        if not is_copied:
            self.store.refuse(mutation, error)

    def _whole_copy(self, mutation: Mutation) -> Mutation:
        """What the service gets before a mutation of a holding that it does not know: each value with the writer it had."""
        known = self.store.copy_of(mutation["id"]) or {}
        return {
            "mutation_id": new_id(self._now()),
            "op": "create",
            "id": mutation["id"],
            "patch": flat(known),
            "writers": known.get("writers", {}),
            "edited_at": mutation["edited_at"],
        }

    def _take_all(self) -> None:
        has_more = True
        while has_more:
            since, known = self.store.note("since"), self.store.note("known")
            page = self._transport.get("/v1/holdings/changes", since=since, known_state=known, limit=MOST_TAKEN)
            if not {"list", "new_state", "has_more_changes"} <= set(page):
                raise Offline("an answer that is not the service's")
            has_more = page["has_more_changes"]
            with self.store.step():
                self.store.keep_records(page["list"])
                self.store.set_note("since", page["new_state"])
                if is_newer(page["new_state"], known):
                    self.store.set_note("known", page["new_state"])
                if not has_more:
                    self.store.nothing_is_recent(self._now() - self._journal_kept)
            self._taken += len(page["list"])

    def _start_over(self) -> None:
        """The service's history is not the one that this device knew: everything is sent again and everything taken anew."""
        with self.store.step():
            self.store.send_all_again()
            self.store.set_records_aside()
            self.store.set_note("since", None)
            self.store.set_note("known", None)


def _responses(told: Values, batch: list[Mutation]) -> list[Values]:
    responses: list[Values] = told.get("responses", [])
    asked = [mutation["mutation_id"] for mutation in batch]
    if [response.get("mutation_id") for response in responses] != asked or "new_state" not in told:
        raise Offline("an answer that is not the service's")
    return responses
