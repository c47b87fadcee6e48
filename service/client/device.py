"""A device of one owner: what it shows, what it queues, how it syncs.

`from` is fixed when the owner edits and never recomputed when sending: it says whose value the owner was looking at, the
device's own pending edit before the service's. One request is in flight at a time, and one program at a time sends from a file.
Nothing is dropped on a refusal, a lost answer, a fresh start.
"""

from __future__ import annotations

import hashlib
import time
from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from service.client.model import Mutation, as_json, by_name, flat, from_json, is_whole, named, new_id
from service.client.store import LocalStore
from service.client.transport import MOST_TRIES, HistoryGone, Offline, RefusedRequest, Transport

MOST_SENT = 500
MOST_TAKEN = 500
UNSENT = "unsent-edits/1"
_MOST_ROUNDS = 4
_SYNC, _CHANGES = "/v1/holdings/sync", "/v1/holdings/changes"
Values = Mapping[str, Any]


class OtherAccount(Exception):
    """The file, or the edits in a file, belong to another account."""


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
        self._token = hashlib.sha256(token.encode()).hexdigest()
        self._name, self._now, self._journal_kept = name, now, journal_kept
        self._sent = self._taken = 0

    def close(self) -> None:
        self._transport.close()
        self.store.close()

    # -- what the owner sees

    def holdings(self) -> dict[str, dict[str, Any]]:
        """Every holding as the owner sees it: by id, names and values, the pending edits on top."""
        with self.store.view():
            records, pending = self.store.records(), self._pending()
        found = {record["id"]: flat(record) for record in records if not record["destroyed"]}
        for mutation in pending:
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

    def refused_photos(self) -> list[tuple[str, Values]]:
        """Photos (their SHA-256) that the service does not take, with its reason; their bytes are still here."""
        return self.store.refused_photos()

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
        kind = conflict["kind"]
        if take_other and kind not in ("value", "destroy", "invalid_merge"):
            # It is kept and shown; what its other side is, only a newer client knows.
            raise ValueError(f"a conflict of kind '{kind}' can only be decided for what is shown")
        with self.store.step():
            if take_other and kind == "destroy":
                self._delete(identity)
                return
            changes: Values = {}
            if take_other:
                changes = {conflict["attribute"]: conflict["value"]} if kind == "value" else conflict["patch"]
            self._edit(identity, changes, resolves=[conflict["id"]])

    def dismiss(self, mutation_id: str) -> None:
        """The owner has dealt with a refusal."""
        with self.store.step():
            self.store.dismiss(mutation_id)

    def send_again(self, mutation_id: str) -> None:
        """What was refused goes back to the outbox as it was, for a service that may take it by now."""
        with self.store.step():
            self.store.send_again(mutation_id)

    def add_photo(self, identity: str, content: bytes, side: str, kind: str, taken_at: datetime | None = None) -> str:
        """A photo of a holding, by its media type; its SHA-256. The bytes are sent by themselves."""
        sha256 = hashlib.sha256(content).hexdigest()
        moment = None if taken_at is None else taken_at.astimezone(UTC).isoformat().replace("+00:00", "Z")
        with self.store.step():
            self.store.keep_photo(sha256, kind, content)
            there = self.holdings()[identity].get("photos", [])
            added = {"sha256": sha256, "side": side, "taken_at": moment}
            if added not in there:
                self._edit(identity, {"photos": [*there, added]})
        return sha256

    # -- unsent edits as a file

    def save_unsent(self, path: Path | str) -> int:
        """Writes what waits here, photos too, to a file that any device of the account can take in; how many edits."""
        with self.store.step():
            waiting = self.store.outbox()
            photos = {sha256: self.store.photo(sha256) for sha256 in self.store.unsent_photos()}
        told = {
            "format": UNSENT,
            "account": self.store.note("account"),
            "mutations": waiting,
            "photos": [
                {"sha256": sha256, "media_type": photo[0], "base64": b64encode(photo[1]).decode()}
                for sha256, photo in photos.items()
                if photo is not None
            ],
        }
        Path(path).write_bytes(as_json(told))
        return len(waiting)

    def take_in(self, path: Path | str) -> int:
        """Puts the edits of such a file behind those that wait here, unless they are known; how many. Their ids make it harmless
        that two devices send them. Raises OtherAccount, ValueError for what is no such file."""
        told = from_json(Path(path).read_bytes())
        if not isinstance(told, dict) or told.get("format") != UNSENT:
            raise ValueError(f"{path} is no file of unsent edits")
        photos = [(photo["media_type"], b64decode(photo["base64"])) for photo in told["photos"]]
        with self.store.step():
            mine = self.store.note("account")
            if None not in (mine, told["account"]) and mine != told["account"]:
                raise OtherAccount("these edits were made for another account")
            new = [mutation for mutation in told["mutations"] if not self.store.knows(mutation["mutation_id"])]
            for mutation in new:
                self.store.enqueue(mutation)
            for kind, content in photos:
                self.store.keep_photo(hashlib.sha256(content).hexdigest(), kind, content)
        return len(new)

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
        self._transport.tries = MOST_TRIES
        with self.store.sending() as is_mine:
            if not is_mine:
                return Report(0, 0, False, "another program sends from this file now")
            for _ in range(_MOST_ROUNDS):
                problem: Exception | None = None
                try:
                    self._ensure_account()
                    # Neither waits for the other: what cannot be sent does not keep others' changes away.
                    for half in (self._send_all, self._take_all, self._send_photos):
                        try:
                            half()
                        except (Offline, RefusedRequest) as met:
                            problem = problem or met
                            # The others may be as badly off: they are not to take as long again.
                            self._transport.tries = 1
                except HistoryGone:
                    self._start_over()
                except (Offline, RefusedRequest, OtherAccount) as met:
                    problem = met
                if problem is not None:
                    return Report(self._sent, self._taken, False, str(problem))
                if not self.store.outbox(1) and self.store.note("since") is not None:
                    return Report(self._sent, self._taken, True)
        return Report(self._sent, self._taken, False, "the service's history does not stay")

    def _ensure_account(self) -> None:
        """An outbox belongs to one account. Asked once for each token, before anything is sent with it."""
        if self.store.note("token") == self._token:
            return
        told = self._transport.get(_SYNC)
        account = told.get("account")
        if not isinstance(account, str):
            raise Offline("an answer that is not the service's")
        with self.store.step():
            if self.store.note("account") not in (None, account):
                raise OtherAccount("this file belongs to another account: nothing was sent")
            self.store.set_note("account", account)
            self.store.set_note("token", self._token)
            self.store.set_note("coding", "gzip" if "gzip" in told.get("content_encodings", []) else None)

    def _send_all(self) -> None:
        size = MOST_SENT
        is_compressed = self.store.note("coding") == "gzip"
        while batch := self.store.outbox(size):
            known = self.store.note("known")

            def body(batch: list[Mutation] = batch, known: str | None = known) -> Mapping[str, Any]:
                about = {"client_id": self._name, "known_state": known, "sent_at": self._now().isoformat()}
                return {**about, "mutations": batch}

            try:
                told = self._transport.post(_SYNC, body, is_compressed=is_compressed, writers="grouped")
            except RefusedRequest as refused:
                if refused.problem["status"] == 415 and is_compressed:
                    with self.store.step():
                        self.store.set_note("coding", None)
                    is_compressed = False
                    continue
                if refused.problem["status"] == 415 or refused.is_about_the_frame:
                    raise
                # Too large, or one that the service cannot even read: the others must not wait for it for ever.
                if len(batch) == 1:
                    with self.store.step():
                        self.store.refuse(batch[0], refused.problem)
                size = max(1, len(batch) // 2)
                continue
            with self.store.step():
                for mutation, response in zip(batch, _responses(told, batch), strict=True):
                    self._answered(mutation, response)
                self.store.note_known(told["new_state"])
                for sha256 in told.get("missing_photos", ()):
                    # The service may have lost what it had: it is sent again.
                    self.store.note_missing(sha256)
            self._sent += len(batch)
            size = min(2 * size, MOST_SENT)

    def _send_photos(self) -> None:
        for sha256 in self.store.unsent_photos():
            photo = self.store.photo(sha256)
            assert photo is not None, "it was listed just now"
            try:
                self._transport.put_photo(sha256, photo[1], photo[0])
            except RefusedRequest as refused:
                with self.store.step():
                    self.store.note_photo(sha256, is_sent=False, problem=refused.problem)
                continue
            with self.store.step():
                self.store.note_photo(sha256, is_sent=True)

    def _answered(self, mutation: Mutation, response: Values) -> None:
        if response["status"] != "rejected":
            self.store.acknowledge(mutation, self._transport.service_time)
            return
        error = response.get("error") or {}
        is_copied = (
            error.get("type") == "not-found"
            and is_whole(self.store.copy_of(mutation["id"]) or {})
            and self.store.enqueue_copy(self._whole_copy(mutation), mutation["mutation_id"])
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
            page = self._transport.get(_CHANGES, since=since, known_state=known, limit=MOST_TAKEN, writers="grouped")
            if not {"list", "new_state", "has_more_changes"} <= set(page):
                raise Offline("an answer that is not the service's")
            has_more = page["has_more_changes"]
            with self.store.step():
                self.store.keep_records(map(by_name, page["list"]))
                self.store.set_note("since", page["new_state"])
                self.store.note_known(page["new_state"])
                if not has_more:
                    self.store.nothing_is_recent(self._transport.service_time, self._journal_kept)
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
