"""What the transcripts are about: what the owner does, what others do meanwhile, what becomes of requests."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from tests.client.transcripts.recording import identity
from tests.http.test_photos import another

BEGINS = "2026-11-25T10:00:00+00:00"
COIN, OTHER = identity(1), identity(2)
_PROBLEM = {"content-type": "application/problem+json"}


def m(number: int) -> str:
    """The id of a mutation of the device."""
    return identity(100 + number)


def l(number: int) -> str:  # noqa: E743
    """The id of a mutation of the laptop."""
    return identity(200 + number)


def owner(action: str, *ids: str, **more: Any) -> dict[str, Any]:
    return {"step": "owner", "action": action, "ids": list(ids), **more}


def record(coin: str, *ids: str, facts: Mapping[str, Any], **fields: Any) -> dict[str, Any]:
    return owner("record", coin, *ids, holding=coin, facts=facts, fields=fields)


def edit(coin: str, *ids: str, **changes: Any) -> dict[str, Any]:
    return owner("edit", *ids, holding=coin, changes=changes)


def sync(*faults: Any, ids: tuple[str, ...] = ()) -> dict[str, Any]:
    return {"step": "sync", "faults": list(faults), "ids": list(ids)}


def elsewhere(*mutations: dict[str, Any]) -> dict[str, Any]:
    return {"step": "elsewhere", "mutations": list(mutations)}


def by_laptop(number: int, op: str, coin: str, **more: Any) -> dict[str, Any]:
    return {"mutation_id": l(number), "op": op, "id": coin, **more}


def refusal(status: int, name: str) -> dict[str, Any]:
    about = {"type": f"http://setwright.test/problems/{name}", "title": "No", "status": status, "detail": "no"}
    return {"status": status, "headers": _PROBLEM, "body": about}


def _newer(page: dict[str, Any]) -> None:
    """A page of changes of a service that knows more."""
    (whole,) = page["list"]
    (writer,) = whole["writers"]
    whole["writers"][writer].append("provenance")
    whole |= {"provenance": {"from": "a fair"}, "shape": [Decimal("1.50")]}
    whole["conflicts"].append({"id": "c", "kind": "half_coin", "halves": [1, 2]})


PHOTO = {"base64": base64.b64encode(another(1)).decode(), "media_type": "image/png", "side": "edge"}

SCENARIOS: Mapping[str, Mapping[str, Any]] = {
    "a-day-offline": {
        "title": "Recorded, edited and deleted without a network; then all of it is sent in one batch.",
        "steps": [
            record(COIN, m(1), facts={"grade": 40, "denomination": "crown", "number": 7}, number="B-3", tags=["silver"]),
            edit(COIN, m(2), grade=None, mintmark={"none": True}),
            record(OTHER, m(3), facts={"weight": 1}),
            owner("delete", m(4), holding=OTHER),
            sync(*["lost"] * 7),
            sync(),
        ],
    },
    "from-is-fixed": {
        "title": "`from` says what the owner saw: the device's own pending edit, not what came meanwhile. Both values stand.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            edit(COIN, m(2), grade=31),
            edit(COIN, m(3), grade=32, note="n"),
            elsewhere(by_laptop(1, "update", COIN, patch={"grade": 33}, **{"from": {"grade": m(1)}})),
            sync(),
            owner("resolve", m(4), holding=COIN, kind="value", take_other=True),
            sync(),
        ],
    },
    "a-lost-answer": {
        "title": "The service did it, and the answer was lost: the same is sent again, and happens once.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            edit(COIN, m(2), grade=31),
            sync(*["cut"] * 6, "lost"),
            edit(COIN, m(3), grade=32),
            sync("cut"),
        ],
    },
    "a-delete-meets-an-edit": {
        "title": "A delete that had not seen an edit asks the owner, who wants it gone; a delete that was seen is undone.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            elsewhere(by_laptop(1, "update", COIN, patch={"note": "n"}, **{"from": {"note": None}})),
            owner("delete", m(2), holding=COIN),
            sync(),
            owner("resolve", m(3), holding=COIN, kind="destroy", take_other=True),
            sync(),
            owner("revive", m(4), holding=COIN, changes={"grade": 31}),
            sync(),
        ],
    },
    "a-restored-backup": {
        "title": "410: the states are forgotten, the journal is sent again before the outbox, everything is taken anew.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            edit(COIN, m(2), grade=31),
            sync(),
            {"step": "elsewhere", "restored": True},
            edit(COIN, m(3), note="n"),
            sync(),
        ],
    },
    "a-copy-is-wanted": {
        "title": "`not-found` is no verdict: the whole copy is sent with its writers, then the same mutation again.",
        "steps": [
            elsewhere(by_laptop(1, "create", COIN, patch={"grade": 30, "tags": ["a"]})),
            sync(),
            {"step": "elsewhere", "restored": True},
            edit(COIN, m(1), grade=31),
            sync(ids=(m(2),)),
        ],
    },
    "tags-of-two-devices": {
        "title": "Lists of terms merge term by term.",
        "steps": [
            record(COIN, m(1), facts={}, tags=["a", "b"]),
            sync(),
            edit(COIN, m(2), tags=["a", "c"]),
            elsewhere(by_laptop(1, "update", COIN, patch={"tags": ["a", "b", "d"]}, **{"from": {"tags": m(1)}})),
            sync(),
        ],
    },
    "a-refused-mutation": {
        "title": "What the service rejects needs attention with its reason; the others are done.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            edit(COIN, m(2), grade=400),
            edit(COIN, m(3), note="still sent"),
            sync(),
            owner("dismiss", mutation_id=m(2)),
        ],
    },
    "a-refused-batch": {
        "title": "400, 413 and 422 with a problem document are verdicts: the batch is halved until one is left, which needs "
        "attention.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            edit(COIN, m(2), note="x"),
            edit(COIN, m(3), location="tray 1"),
            sync(refusal(413, "body-too-large"), refusal(400, "unreadable-body")),
        ],
    },
    "no-answer-of-the-service": {
        "title": "401, 403, a café's page, a 400 without a problem document: nothing is dropped, nothing blamed.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(refusal(401, "unwelcome")),
            sync(),
            edit(COIN, m(2), grade=31),
            sync(refusal(403, "forbidden"), refusal(403, "forbidden")),
            sync({"status": 200, "headers": {"content-type": "text/html"}, "body": "Pay for the network"}, "lost"),
            sync({"status": 400, "headers": {"content-type": "text/html"}, "body": "cut"}),
        ],
    },
    "sending-fails-taking-goes-on": {
        "title": "The service has no room to write, and others' changes are taken all the same.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            elsewhere(by_laptop(1, "update", COIN, patch={"note": "n"}, **{"from": {"note": None}})),
            edit(COIN, m(2), grade=31),
            sync(refusal(507, "storage-full")),
            sync(),
        ],
    },
    "another-account": {
        "title": "The file belongs to one account: with a token of another nothing is sent.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            edit(COIN, m(2), grade=31),
            {**sync([lambda session: session.update(account=identity(9))]), "token": "another"},
            {**sync(), "token": "a newer one of the same account"},
        ],
    },
    "a-clock-that-is-ahead": {
        "title": "The device's clock is a day ahead; `sent_at` says so, and the younger edit is shown.",
        "device_is_ahead_seconds": 86_400,
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            sync(),
            edit(COIN, m(2), grade=31),
            elsewhere(
                by_laptop(
                    1, "update", COIN, patch={"grade": 32}, **{"from": {"grade": m(1)}}, edited_at="2026-11-25T10:02:30Z"
                )
            ),
            sync(),
        ],
    },
    "a-photo": {
        "title": "The edit names the photo, the bytes are sent by themselves; one that the service has not got is sent again.",
        "steps": [
            record(COIN, m(1), facts={"grade": 30}),
            owner("add_photo", m(2), holding=COIN, **PHOTO),
            sync(None, None, None, "lost"),
            sync(),
            {"step": "elsewhere", "photos_lost": True},
            edit(COIN, m(3), grade=31),
            sync(),
        ],
    },
    "a-newer-service": {
        "title": "Fields and conflicts that the client does not know are kept, and go back with a copy; numbers exactly.",
        "steps": [
            elsewhere(by_laptop(1, "create", COIN, patch={"weight": Decimal("7.9880")})),
            sync(None, [_newer]),
            {"step": "elsewhere", "restored": True},
            edit(COIN, m(1), grade=31),
            sync(ids=(m(2),)),
        ],
    },
}  # fmt: skip
SCENARIOS = {name: {"begins": BEGINS, **scenario} for name, scenario in SCENARIOS.items()}
