"""Bodies of requests that are compressed: read in every coding that the service names, bounded in what they inflate to, and
refused with the reason. The encoders are those of the codings' own authors: zlib (RFC 1952), brotli (RFC 7932), libzstd (RFC
8878)."""

from __future__ import annotations

import gzip
import json
import tracemalloc
from collections.abc import Callable
from typing import Any

import brotli
import httpx
import pytest
import zstandard

from service.database.ids import new_id
from service.errors import Unreadable
from service.http.content_codings import CODINGS, InflatesTooFar, inflated
from service.http.preferences import MINIMAL
from tests.conftest import Running
from tests.http.test_sync import changed, create, statuses

pytestmark = pytest.mark.anyio
MEBIBYTE = 1024 * 1024
ENCODERS: dict[str, Callable[[bytes], bytes]] = {
    "zstd": zstandard.compress,
    "br": lambda raw: brotli.compress(raw, quality=4),
    "gzip": gzip.compress,
}


async def send_raw(service: Running, owner: dict[str, str], raw: bytes, coding: str) -> httpx.Response:
    headers = {**owner, "Content-Type": "application/json", "Content-Encoding": coding}
    return await service.client.post("/v1/holdings/sync", content=raw, headers=headers)


def batch(*mutations: dict[str, Any]) -> bytes:
    return json.dumps({"client_id": "phone", "mutations": mutations}).encode()


async def test_a_batch_is_the_same_in_every_coding(service: Running) -> None:
    owner = service.collector()
    assert set(ENCODERS) == set(CODINGS)
    for coding in (*CODINGS, "GZIP", "x-gzip", "identity"):
        encode = ENCODERS.get(coding.lower().removeprefix("x-"), bytes)
        raw = batch(create(new_id(), grade=40, note="é" * 900))
        answer = await send_raw(service, owner, encode(raw), coding)
        assert answer.status_code == 200, answer.text
        assert statuses(answer.json()) == ["applied"]
        again = await send_raw(service, owner, raw, "identity")
        assert again.json()["responses"][0]["replayed"] is True
    assert len((await changed(service, owner))["list"]) == 6


async def test_a_body_that_cannot_be_read_is_refused_with_the_reason(service: Running) -> None:
    owner = service.collector()
    whole = batch(create(new_id(), grade=40))
    for coding, encode in ENCODERS.items():
        raw = encode(whole)
        for wrong in (raw[:-1], raw[: len(raw) // 2], raw + b"more", whole, raw[1:]):
            answer = await send_raw(service, owner, wrong, coding)
            assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "content-encoding"), coding
            assert coding in answer.json()["errors"][0]["message"]
        empty = await send_raw(service, owner, encode(b""), coding)
        assert (empty.status_code, empty.json()["errors"][0]["code"]) == (400, "empty")
    for coding in ("deflate", "gzip, br", "snappy"):
        answer = await send_raw(service, owner, whole, coding)
        # RFC 7694, section 3: the answer says which codings it would have been.
        assert (answer.status_code, answer.headers["accept-encoding"]) == (415, "zstd, br, gzip")
    # Where no body may be compressed.
    headers = {**owner, "Content-Encoding": "gzip"}
    other = await service.client.post("/v1/holdings", content=gzip.compress(b"{}"), headers=headers)
    assert (other.status_code, other.headers["accept-encoding"]) == (415, "identity")
    assert (await changed(service, owner))["list"] == []


async def test_the_limit_holds_for_what_a_body_inflates_to(service: Running) -> None:
    owner = service.collector()
    head, tail = b'{"client_id": "phone", "mutations": [', b"]}"
    for coding, encode in ENCODERS.items():
        fits = head + b" " * (MEBIBYTE - len(head) - len(tail)) + tail
        assert (await send_raw(service, owner, encode(fits), coding)).status_code == 200
        answer = await send_raw(service, owner, encode(fits + b" "), coding)
        assert answer.status_code == 413, answer.text
        assert answer.json()["type"].endswith("/body-too-large")
        assert str(MEBIBYTE) in answer.json()["detail"]
        assert "inflates" in answer.json()["detail"]


async def test_what_inflates_to_a_large_body_is_read_in_another_process(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = service.app.state
    monkeypatch.setattr(state, "settings", state.settings.model_copy(update={"body_bytes": 4 * MEBIBYTE}))
    owner = {**service.collector(), "Prefer": MINIMAL}
    made = [create(new_id(), note="x" * 9_000) for _ in range(200)]
    raw = gzip.compress(batch(*made))
    assert len(raw) < 64 * 1024
    answer = await send_raw(service, owner, raw, "gzip")
    assert answer.status_code == 200, answer.text
    # All that the request says is said there too.
    assert [record["writer"] for record in answer.json()["list"]] == [one["mutation_id"] for one in made]
    too_long = await send_raw(service, owner, gzip.compress(bytes(4 * MEBIBYTE + 1)), "gzip")
    assert (too_long.status_code, "inflates" in too_long.json()["detail"]) == (413, True)


@pytest.mark.parametrize("coding", CODINGS)
def test_a_bomb_takes_no_more_memory_than_a_body_may(coding: str) -> None:
    bomb = ENCODERS[coding](bytes(32 * MEBIBYTE))
    assert len(bomb) < MEBIBYTE

    def peak(inflate: Callable[[], Any]) -> int:
        tracemalloc.start()
        try:
            inflate()
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    def bounded() -> None:
        with pytest.raises(InflatesTooFar):
            inflated(coding, bomb, MEBIBYTE)

    assert peak(bounded) < 6 * MEBIBYTE
    # The control: without a bound it is all there at once.
    assert peak(lambda: inflated(coding, bomb, 32 * MEBIBYTE)) > 28 * MEBIBYTE


def test_zstd_that_wants_a_large_window_is_refused() -> None:
    # RFC 9659, section 3: a content coding's window is at most 8 MiB.
    for power, fits in ((23, True), (24, False)):
        parameters = zstandard.ZstdCompressionParameters(window_log=power, write_content_size=False)
        encoder = zstandard.ZstdCompressor(compression_params=parameters).compressobj()
        raw = encoder.compress(b"{}" * 40_000) + encoder.flush()
        if fits:
            assert inflated("zstd", raw, MEBIBYTE) == b"{}" * 40_000
        else:
            with pytest.raises(Unreadable):
                inflated("zstd", raw, MEBIBYTE)
