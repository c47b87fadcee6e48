"""Any story of recording, changing, finding and deleting coins, with what should be refused in between, told against a plain
dict: the service has what the dict has after each step, never fails, and both engines answer alike."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from service.database.ids import new_id
from service.holdings import actions
from tests.conftest import Running, running, settings_for
from tests.promises.plugin import Promise

NAME = "any story of coins"
EXAMPLES, STEPS = 12, 25
MERGE_PATCH = "application/merge-patch+json"

GRADES = st.one_of(st.integers(1, 70), st.just({"from": 20, "to": 40}))
FACTS = st.fixed_dictionaries(
    {},
    optional={
        "grade": GRADES,
        "denomination": st.sampled_from(["crown", "florin"]),
        "mintmark": st.just({"none": True}),
    },
)
HOLDINGS = st.fixed_dictionaries(
    {"facts": FACTS},
    optional={
        "number": st.text("ABC-1 é", min_size=1, max_size=5),
        "note": st.text("fine, 1/2 \n\u00e9\u20ac\U0001f600", max_size=10),
        "tags": st.lists(st.sampled_from(["silver", "fair", "box 2"]), unique=True, max_size=3),
        "quantity": st.integers(1, 4),
    },
)
PATCHES = st.fixed_dictionaries(
    {},
    optional={
        "facts": st.fixed_dictionaries(
            {}, optional={"grade": st.none() | GRADES, "denomination": st.none() | st.just("penny")}
        ),
        "number": st.none() | st.just("B-2"),
        "tags": st.none() | st.just(["sold?"]),
        "quantity": st.integers(1, 9),
    },
)
# What no operation takes, as a body, an id or a question.
BODIES = st.sampled_from(
    [b"", b"{", b"null", b"[]", b'"\xff"', b'{"facts":1e999}', b'{"facts":{"grade":"\\u0000"}}', b'{"quantity":0}']
) | st.binary(max_size=20).filter(lambda body: not body.strip().startswith(b"{"))
IDS = st.sampled_from(["nothing", "%00", "..%2f", "018f0000-0000-7000-8000-000000000000", "0" * 300, "é"])
QUESTIONS = st.sampled_from(
    [
        "filter=grade%20%3E",
        "limit=0",
        "limit=x",
        "cursor=zzz",
        "sort=no",
        "filter=%00",
        "unknown=1",
        "filter=grade%3E%27a%27",
    ]
)


def merged(target: Any, patch: Any) -> Any:
    """RFC 7396, section 2, as its pseudocode says."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


class Caller:
    """A collector of a service, by requests that are waited for."""

    def __init__(self, portal: BlockingPortal, service: Running) -> None:
        self._portal, self._service = portal, service
        self.headers = service.collector()
        self.statuses: list[str] = []

    def begin(self) -> None:
        """Another collector, with nothing yet."""
        self.headers = self._service.collector()

    def __call__(self, method: str, path: str, **sent: Any) -> httpx.Response:
        headers = {**self.headers, **sent.pop("headers", {})}

        async def ask() -> httpx.Response:
            return await self._service.client.request(method, path, headers=headers, **sent)

        answer = self._portal.call(ask)
        assert answer.status_code < 500, (method, path, sent, answer.text)
        self.statuses.append(f"{method} {answer.status_code}")
        return answer


class CoinsMachine(RuleBasedStateMachine):
    """The service beside a dict of what was recorded."""

    ask: Caller

    @initialize()
    def begin(self) -> None:
        self.ask.begin()
        self.coins: dict[str, dict[str, Any]] = {}
        self.tags: dict[str, str] = {}
        self.gone: list[str] = []

    def one(self, data: st.DataObject) -> str | None:
        return data.draw(st.sampled_from(list(self.coins))) if self.coins else None

    def has(self, coin: str, answer: httpx.Response) -> None:
        """That an answer tells the coin as the dict has it, and the defaults of what it does not have."""
        told, expected = answer.json(), self.coins[coin]
        assert told["id"] == coin
        assert told["facts"] == expected.get("facts", {})
        assert told["quantity"] == expected.get("quantity", 1)
        assert sorted(told["tags"]) == sorted(expected.get("tags", []))
        assert (told["number"] or "", told["note"] or "") == (expected.get("number", ""), expected.get("note", ""))
        self.tags[coin] = answer.headers["etag"]

    @rule(fields=HOLDINGS, is_sent_twice=st.booleans())
    def record(self, fields: dict[str, Any], is_sent_twice: bool) -> None:
        coin = new_id()
        headers = {"Idempotency-Key": f'"{coin}"'}
        answer = self.ask("POST", "/v1/holdings", json={"id": coin, **fields}, headers=headers)
        assert answer.status_code == 201, answer.text
        self.coins[coin] = fields
        self.has(coin, answer)
        if is_sent_twice:
            again = self.ask("POST", "/v1/holdings", json={"id": coin, **fields}, headers=headers)
            assert (again.status_code, again.content) == (201, answer.content)

    @rule(data=st.data())
    def record_under_an_id_that_there_is(self, data: st.DataObject) -> None:
        coin = self.one(data)
        if coin is not None:
            answer = self.ask("POST", "/v1/holdings", json={"id": coin, "facts": {"grade": 1}})
            assert answer.status_code == 409

    @rule(data=st.data(), patch=PATCHES, is_stale=st.booleans())
    def change(self, data: st.DataObject, patch: dict[str, Any], is_stale: bool) -> None:
        coin = self.one(data)
        if coin is None:
            return
        headers = {"If-Match": '"stale"' if is_stale else self.tags[coin], "Content-Type": MERGE_PATCH}
        answer = self.ask("PATCH", f"/v1/holdings/{coin}", json=patch, headers=headers)
        if is_stale:
            assert answer.status_code == 412, answer.text
            return
        assert answer.status_code == 200, answer.text
        self.coins[coin] = merged(self.coins[coin], patch)
        self.has(coin, answer)

    @rule(data=st.data())
    def delete(self, data: st.DataObject) -> None:
        coin = self.one(data)
        if coin is not None:
            assert self.ask("DELETE", f"/v1/holdings/{coin}", headers={"If-Match": "*"}).status_code == 204
            del self.coins[coin]
            self.gone.append(coin)

    @rule(data=st.data())
    def read_one(self, data: st.DataObject) -> None:
        coin = self.one(data)
        if coin is not None:
            self.has(coin, self.ask("GET", f"/v1/holdings/{coin}"))
        for lost in self.gone[-1:]:
            assert self.ask("GET", f"/v1/holdings/{lost}").status_code == 404

    @rule(bound=st.integers(1, 70))
    def find(self, bound: int) -> None:
        found = self.ask("GET", "/v1/holdings", params={"filter": f"grade >= {bound}", "limit": 200}).json()["items"]
        graded = {coin: fields["facts"].get("grade") for coin, fields in self.coins.items() if "facts" in fields}
        lowest = {coin: grade["from"] if isinstance(grade, dict) else grade for coin, grade in graded.items() if grade}
        assert {item["id"] for item in found} == {coin for coin, grade in lowest.items() if grade >= bound}

    @rule(body=BODIES, identity=IDS, question=QUESTIONS, data=st.data())
    def ask_what_should_be_refused(self, body: bytes, identity: str, question: str, data: st.DataObject) -> None:
        coin = self.one(data) or identity
        for method, path, content in (
            ("POST", "/v1/holdings", body),
            ("PATCH", f"/v1/holdings/{coin}", body),
            ("GET", f"/v1/holdings/{identity}", b""),
            ("DELETE", f"/v1/holdings/{identity}", b""),
            ("GET", f"/v1/holdings?{question}", b""),
        ):
            headers = {"Content-Type": MERGE_PATCH if method == "PATCH" else "application/json", "If-Match": "*"}
            answer = self.ask(method, path, content=content, headers=headers)
            assert 400 <= answer.status_code < 500, (method, path, content, answer.text)
            assert answer.headers["content-type"] == "application/problem+json"

    @invariant()
    def the_service_has_what_the_dict_has(self) -> None:
        if not hasattr(self, "coins"):
            return
        listed: list[str] = []
        address: str | None = "/v1/holdings?limit=3"
        while address is not None:
            page = self.ask("GET", address).json()
            listed += [item["id"] for item in page["items"]]
            address = page["next"]
        assert listed == sorted(self.coins)


@contextmanager
def asking(url: str, folder: Path) -> Iterator[Caller]:
    with (
        start_blocking_portal() as portal,
        portal.wrap_async_context_manager(running(settings_for(url, photos_dir=folder))) as service,
    ):
        yield Caller(portal, service)


def told(ask: Caller) -> None:
    machine = type("Machine", (CoinsMachine,), {"ask": ask})
    run = settings(
        max_examples=EXAMPLES,
        stateful_step_count=STEPS,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
    )
    run_state_machine_as_test(machine, settings=run)


def test_whatever_is_told_the_service_has_what_a_dict_has(database_url: str, tmp_path: Path, promise: Promise) -> None:
    with asking(database_url, tmp_path) as ask:
        told(ask)
        digest = hashlib.sha256(json.dumps(ask.statuses).encode()).hexdigest()
        assert len(set(ask.statuses)) > 8
        promise(
            6,
            NAME,
            kept=f"{EXAMPLES} stories, {len(ask.statuses)} requests, none failed, all as a dict has it",
            same={"statuses of all stories": digest},
        )


def test_a_service_that_forgets_a_change_is_seen(
    database_url: str, tmp_path: Path, promise: Promise, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The control: a delete that is acknowledged, and done to nothing.
    monkeypatch.setattr(actions, "destroy", lambda *_, **__: None)
    with asking(database_url, tmp_path) as ask, pytest.raises(AssertionError):
        told(ask)
    promise(6, NAME, control="deletes that are acknowledged and not done are seen")
