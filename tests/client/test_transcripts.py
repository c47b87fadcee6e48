"""Transcripts of a device and the service: the service still answers so, the reference client still asks so."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal

from service.client import Device
from service.client.store import LocalStore
from service.client.transport import RefusedRequest
from tests.client.transcripts.recording import FORMAT, NotAsTold, recorded, replay, transcripts
from tests.client.transcripts.scenarios import SCENARIOS
from tests.conftest import Running, running, settings_for

TRANSCRIPTS = transcripts()


@pytest.fixture
def portal() -> Iterator[BlockingPortal]:
    with start_blocking_portal() as started:
        yield started


@pytest.fixture
def server(portal: BlockingPortal, database_url: str, tmp_path: Path) -> Iterator[Running]:
    with portal.wrap_async_context_manager(running(settings_for(database_url, photos_dir=tmp_path / "photos"))) as made:
        yield made


def test_each_scenario_has_its_transcript() -> None:
    assert TRANSCRIPTS.keys() == SCENARIOS.keys()
    assert {told["format"] for told in TRANSCRIPTS.values()} == {FORMAT}


def test_the_service_still_answers_so(server: Running, portal: BlockingPortal, tmp_path: Path) -> None:
    """Where it does not, and that is meant: `python -m tests.client.transcripts`, and a look at what changed."""
    for name, scenario in SCENARIOS.items():
        made = recorded(server, portal, scenario, tmp_path / name)
        assert made == TRANSCRIPTS[name], name


@pytest.mark.parametrize("name", TRANSCRIPTS)
def test_the_reference_client_still_asks_so_and_has_so(name: str, tmp_path: Path) -> None:
    replay(TRANSCRIPTS[name], tmp_path / "device")


def _drops_what_was_not_answered(patched: pytest.MonkeyPatch) -> None:
    real = Device._send_all

    def send(self: Device) -> None:
        try:
            real(self)
        except BaseException:
            for mutation in self.store.outbox():
                self.store._connection.execute("DELETE FROM outbox WHERE mutation_id = ?", (mutation["mutation_id"],))
            raise

    patched.setattr(Device, "_send_all", send)


def _drops_what_was_refused(patched: pytest.MonkeyPatch) -> None:
    patched.setattr(
        LocalStore,
        "refuse",
        lambda self, mutation, _: self._connection.execute(
            "DELETE FROM outbox WHERE mutation_id = ?", (mutation["mutation_id"],)
        ),
    )


def _takes_only_when_all_was_sent(patched: pytest.MonkeyPatch) -> None:
    real = Device._take_all

    def take(self: Device) -> None:
        if not self.store.outbox(1):
            real(self)

    patched.setattr(Device, "_take_all", take)


def _says_from_when_it_sends(patched: pytest.MonkeyPatch) -> None:
    real = Device._send_all

    def send(self: Device) -> None:
        for mutation in self.store.outbox():
            record = self.store.record(mutation["id"])
            seen = {name: (record or {"writers": {}})["writers"].get(name) for name in mutation["from"]}
            text = '{"from": ' + str(seen).replace("'", '"').replace("None", "null") + "}"
            self.store._connection.execute(
                "UPDATE outbox SET content = json_patch(content, ?) WHERE mutation_id = ?",
                (text, mutation["mutation_id"]),
            )
        real(self)

    patched.setattr(Device, "_send_all", send)


def _forgets_unknown_fields(patched: pytest.MonkeyPatch) -> None:
    real = LocalStore.keep_records

    def keep(self: LocalStore, records: Any) -> None:
        real(self, [{key: value for key, value in record.items() if key != "provenance"} for record in records])

    patched.setattr(LocalStore, "keep_records", keep)


def _replace(of: Any, name: str, by: Any) -> Callable[[pytest.MonkeyPatch], None]:
    return lambda patched: patched.setattr(of, name, by)


PLANTED: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "drops what was not answered": _drops_what_was_not_answered,
    "drops what was refused": _drops_what_was_refused,
    "takes only when all was sent": _takes_only_when_all_was_sent,
    "says `from` when it sends": _says_from_when_it_sends,
    "forgets fields that it does not know": _forgets_unknown_fields,
    "does not send its journal again": _replace(LocalStore, "send_all_again", lambda _: None),
    "sends no copy": _replace(LocalStore, "enqueue_copy", lambda *_: False),
    "shows no pending edits": _replace(Device, "_pending", lambda _: []),
    "asks for no account": _replace(Device, "_ensure_account", lambda _: None),
    "sends no photos": _replace(Device, "_send_photos", lambda _: None),
    "does not look at missing photos": _replace(LocalStore, "note_missing", lambda *_: None),
    "is stopped by a batch that is refused": _replace(RefusedRequest, "is_about_the_frame", True),
}


@pytest.mark.parametrize("planted", PLANTED)
def test_a_client_with_a_mistake_does_not_pass(planted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The controls of the replay.
    PLANTED[planted](monkeypatch)
    passed = []
    for name, told in TRANSCRIPTS.items():
        with suppress(NotAsTold):
            replay(told, tmp_path / name)
            passed.append(name)
    assert len(passed) < len(TRANSCRIPTS)
