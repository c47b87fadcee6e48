"""The transcripts that the reference client is recorded with, replayed by the app's device in Chromium."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from service.client.model import as_json, from_json
from tests.client.transcripts.recording import transcripts
from tests.web.browser import Page
from tests.web.modules import Modules, Planted, modules_served

pytestmark = [pytest.mark.browser, pytest.mark.process]
TRANSCRIPTS = transcripts()
# By the clock of the device, which browsers write in another form.
INSTANTS = {"edited_at", "sent_at"}


@pytest.fixture(scope="module")
def modules() -> Iterator[Modules]:
    with modules_served() as served:
        yield served


def as_instants(value: Any) -> Any:
    """The same moments in the same form; numbers with all their digits, of which 7.9880 has more than 7.988."""
    if isinstance(value, list):
        return [as_instants(one) for one in value]
    if isinstance(value, Decimal):
        return repr(value)
    if not isinstance(value, dict):
        return value
    return {
        name: datetime.fromisoformat(one).astimezone(UTC).isoformat() if name in INSTANTS else as_instants(one)
        for name, one in value.items()
    }


def replayed(
    page: Page, modules: Modules, variant: str, name: str, transcript: Mapping[str, Any] | None = None
) -> list[dict[str, Any]]:
    """What the device asked and has, step by step."""
    told = page.driver.execute_async_script(
        "const [variant, name, text, done] = arguments;"
        "import(`/${variant}/replay.js`).then(({replay}) => replay(name, text)).then(done, (error) => done(String(error)))",
        variant,
        f"{variant} {name}",
        as_json(transcript or TRANSCRIPTS[name]).decode(),
    )
    found: list[dict[str, Any]] = as_instants(from_json(told))
    return found


def differences(transcript: Mapping[str, Any], found: list[dict[str, Any]]) -> Iterator[str]:
    """Where the device does something else than the transcript says."""
    steps = [step for step in as_instants(transcript["steps"]) if step["step"] != "elsewhere"]
    for number, (step, told) in enumerate(zip(steps, found, strict=False)):
        if "error" in told:
            yield f"step {number}: {told['error']}"
            return
        asked = [exchange["request"] for exchange in step.get("exchanges", ())]
        if told["asked"] != asked:
            yield f"step {number}: asked {told['asked']}, not {asked}"
        if told.get("is_complete") != step.get("is_complete"):
            yield f"step {number}: is_complete is not {step['is_complete']}"
        for name, expected in step["store"].items():
            if told["store"][name] != expected:
                yield f"step {number}: {name} is {told['store'][name]}, not {expected}"


@pytest.mark.parametrize("name", TRANSCRIPTS)
def test_the_apps_device_asks_so_and_has_so(name: str, chromium: Page, modules: Modules) -> None:
    chromium.driver.get(modules.address)
    found = replayed(chromium, modules, "sound", name)
    assert list(differences(TRANSCRIPTS[name], found)) == []
    assert len(found) == len([step for step in TRANSCRIPTS[name]["steps"] if step["step"] != "elsewhere"])


COIN, MUTATION, COPY = "coin-1", "mutation-1", "copy-1"
AT = "2026-11-25T10:00:00+00:00"
ABOUT = {"step": "sync", "at": AT, "store": {}}


def told(method: str, path: str, query: Mapping[str, str], answer: Mapping[str, Any], **asked: Any) -> dict[str, Any]:
    request = {"method": method, "path": path, "query": query, **asked}
    return {"request": request, "answer": {"status": 200, "headers": {}, "body": answer}}


def changes(since: str | None, state: str, *records: Any, known: str | None = None) -> dict[str, Any]:
    query = {"limit": "500", "writers": "grouped", **({} if since is None else {"since": since})}
    query |= {} if known is None else {"known_state": known}
    return told(
        "GET", "/v1/holdings/changes", query, {"new_state": state, "has_more_changes": False, "list": [*records]}
    )


def batch(known: str, statuses: Mapping[str, Any], state: str, *mutations: Any) -> dict[str, Any]:
    responses = [{"mutation_id": name, **status} for name, status in statuses.items()]
    body = {"client_id": "phone", "known_state": known, "sent_at": AT, "mutations": [*mutations]}
    answer = {"new_state": state, "responses": responses}
    sync = ("POST", "/v1/holdings/sync", {"writers": "grouped"}, answer)
    return told(*sync, prefer="return=minimal", body=body)


def a_partial_copy(whole: list[Any]) -> dict[str, Any]:
    """A device that has a part of a record, of which the service says that it does not know it; `whole` is what it says when it
    is asked for the record."""
    part = {"id": COIN, "destroyed": False, "partial": True, "facts": {"grade": 30}, "conflicts": []}
    part |= {"writers": {"laptop-1": ["grade"]}}
    edit = {"mutation_id": MUTATION, "op": "update", "id": COIN, "patch": {"grade": 31}, "edited_at": AT}
    edit |= {"from": {"grade": "laptop-1"}}
    copy = {"mutation_id": COPY, "op": "create", "id": COIN, "edited_at": AT, "patch": {"grade": 30, "note": "n"}}
    copy |= {"writers": {"grade": "laptop-1", "note": "laptop-1"}}
    session = told("GET", "/v1/holdings/sync", {}, {"account": "a"})
    refused = {MUTATION: {"status": "rejected", "error": {"type": "not-found", "pointers": [], "messages": []}}}
    asked = told("GET", "/v1/holdings/sync/records", {"ids": COIN, "writers": "grouped"}, {"list": whole})
    done = {"status": "applied"}
    again = [batch("1.a", {COPY: done, MUTATION: done}, "2.b", copy, edit)] if whole else []
    known = "2.b" if whole else "1.a"
    # What the service refuses for lack of a whole copy needs attention; no part is sent.
    refusal = [] if whole else [{"mutation": edit, "error": refused[MUTATION]["error"]}]
    steps = [
        {**ABOUT, "exchanges": [session, changes(None, "1.a", part)], "is_complete": True},
        {**ABOUT, "step": "owner", "action": "edit", "holding": COIN, "changes": {"grade": 31}, "ids": [MUTATION]},
        {
            **ABOUT,
            "ids": [COPY],
            "exchanges": [batch("1.a", refused, "1.a", edit), asked, *again, changes("1.a", known, known=known)],
            "is_complete": True,
            "store": {"outbox": [], "attention": refusal},
        },
    ]
    return {"steps": steps}


WHOLE = {
    "id": COIN,
    "destroyed": False,
    "facts": {"grade": 30},
    "note": "n",
    "conflicts": [],
    "writers": {"laptop-1": ["grade", "note"]},
}


@pytest.mark.parametrize("whole", [[WHOLE], []], ids=["the service has it by now", "it has not"])
def test_a_part_of_a_record_is_never_sent_as_a_copy(whole: list[Any], chromium: Page, modules: Modules) -> None:
    transcript = a_partial_copy(whole)
    chromium.driver.get(modules.address)
    found = replayed(chromium, modules, "sound", "part", transcript)
    assert list(differences(transcript, found)) == []
    modules.variants["parts"] = {"kept/mutations.js": ("record !== undefined && record.partial !== true", "true")}
    modules.variants["parts"] |= {SYNC: ("copy?.partial === true", "false")}
    chromium.driver.get(modules.address)
    assert list(differences(transcript, replayed(chromium, modules, "parts", "part", transcript))) != []


DEVICE, STORE, SYNC = "kept/device.js", "kept/store.js", "kept/sync.js"
PLANTED: dict[str, Planted] = {
    "drops what was not answered, or answered by 401": {
        SYNC: (
            "        if (!(refused instanceof RefusedRequest)) throw refused;\n        if (refused.status === 415 && isC",
            "        if (!(refused instanceof RefusedRequest)) {\n"
            "          await this._step(async (w) => { for (const one of batch) await w.leaveOutbox(one.mutation_id); });\n"
            "          throw refused;\n        }\n        if (refused.status === 415 && isC",
        )
    },
    "drops what was refused": {STORE: ("    await this._attention.add({ mutation, error });\n", "")},
    "takes only when all was sent": {
        SYNC: (
            "  async _takeAll() {\n",
            "  async _takeAll() {\n    if ((await this.store.view((w) => w.outboxSize())) > 0) return;\n",
        )
    },
    "computes `from` when it sends": {
        SYNC: (
            "      let told;\n",
            "      let told;\n      for (const one of batch) {\n"
            "        const record = await this.store.view((w) => w.record(one.id));\n"
            "        for (const name of Object.keys(one.from)) one.from[name] = record?.writers[name] ?? null;\n      }\n",
        )
    },
    "forgets fields that it does not know": {
        STORE: (
            "      const kept = { id: content.id, content, is_current: true };\n",
            "      const { provenance, ...known } = content;\n"
            "      const kept = { id: content.id, content: known, is_current: true };\n",
        )
    },
    "keeps no journal": {
        STORE: ("    await this._journal.add({ mutation, is_recent: true, acknowledged_at: now });\n", "")
    },
    "does not send its journal again": {SYNC: ("        await within.sendAllAgain();\n", "")},
    "sends no copy": {SYNC: ("const isWanted = isNotFound(response) &&", "const isWanted = false &&")},
    "shows no pending edits": {
        DEVICE: ("await within.records(), await within.pending()));", "await within.records(), []));")
    },
    "asks for no account": {SYNC: ("        await this._ensureAccount();\n", "")},
    "sends to whatever account it is": {
        SYNC: ("if (before !== null && before !== told.account) throw", "if (false) throw"),
    },
    "sends no photos": {SYNC: ("[this._sendAll, this._takeAll, this._sendPhotos]", "[this._sendAll, this._takeAll]")},
    "does not look at missing photos": {
        SYNC: ("        for (const sha256 of told.missing_photos ?? []) await within.noteMissing(sha256);\n", "")
    },
    "is stopped by a batch that is refused": {SYNC: ("refused.isAboutTheFrame) throw", "true) throw")},
    "resolves no conflict by its id": {DEVICE: ("{ resolves: [conflict.id] });\n      await", "{});\n      await")},
    "rounds numbers": {"kept/exact.js": ("(isPlain(token) ?", "(true ?")},
    "says nothing of what it knows": {SYNC: ("query.set(\"known_state\", known)", "void known")},
}  # fmt: skip


@pytest.mark.parametrize("planted", PLANTED)
def test_a_device_with_a_mistake_does_not_pass(planted: str, chromium: Page, modules: Modules) -> None:
    """The controls of the replay."""
    variant = f"planted-{list(PLANTED).index(planted)}"
    modules.variants[variant] = PLANTED[planted]
    chromium.driver.get(modules.address)
    found = (differences(told, replayed(chromium, modules, variant, name)) for name, told in TRANSCRIPTS.items())
    assert any(next(one, None) is not None for one in found)
