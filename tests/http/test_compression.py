"""Compressed answers: the same once unpacked, told apart by their tags, never where a secret is."""

from __future__ import annotations

import gzip
import random
import time
import zlib
from typing import Any

import brotli
import httpx
import pytest
import zstandard

from service.http.compression import LEAST_BYTES, coding_of, in_coding
from service.http.responses import Reply
from tests.conftest import Running
from tests.http import doors
from tests.http.test_shares import path_of

pytestmark = pytest.mark.anyio
CODINGS = ("zstd", "br", "gzip")


def unpacked(coding: str, body: bytes) -> bytes:
    if coding == "zstd":
        return zstandard.ZstdDecompressor().decompressobj().decompress(body)
    return brotli.decompress(body) if coding == "br" else gzip.decompress(body)


async def sent(service: Running, path: str, coding: str | None, **headers: str) -> tuple[httpx.Response, bytes]:
    """An answer and its bytes as they were sent."""
    asked = {**headers, "Accept-Encoding": coding or "identity"}
    async with service.client.stream("GET", path, headers=asked) as answer:
        raw = b"".join([part async for part in answer.aiter_raw()])
    return answer, raw


async def collection(service: Running) -> tuple[dict[str, str], str]:
    """An owner with a published definition and some coins; the path of the definition."""
    owner = service.collector()
    path = f"/v1/definitions/{await doors.published(service, owner)}"
    for number in range(30):
        made = await service.client.post(
            "/v1/holdings", json={"facts": {"denomination": "crown"}, "number": f"no. {number}"}, headers=owner
        )
        assert made.status_code == 201, made.text
    return owner, path


@pytest.mark.parametrize(
    ("header", "coding"),
    [
        ("", None),
        ("identity", None),
        ("gzip", "gzip"),
        ("GZIP;q=0.5", "gzip"),
        ("gzip, deflate, br, zstd", "zstd"),
        ("gzip, br;q=0.1", "br"),
        ("zstd;q=0, br;q=0, *", "gzip"),
        ("*;q=0", None),
        ("deflate", None),
        ("gzip;q=0", None),
        ("*", "zstd"),
    ],
)
def test_the_coding_is_one_that_the_caller_takes(header: str, coding: str | None) -> None:
    assert coding_of([(b"accept-encoding", header.encode())]) == coding
    assert coding_of([]) is None


async def test_an_answer_is_the_same_in_every_coding(service: Running) -> None:
    owner, definition = await collection(service)
    paths = (
        "/v1/holdings",
        f"{definition}/evaluation",
        "/openapi.json",
        "/problems",
        "/docs/assets/swagger-ui-bundle.js",
    )
    for path in paths:
        # Twice: what is kept is given before the framework is asked.
        for _ in range(2):
            plain, whole = await sent(service, path, None, **owner)
            assert "content-encoding" not in plain.headers
            assert "Accept-Encoding" in plain.headers["vary"], path
            tags = {plain.headers.get("etag")}
            for coding in CODINGS:
                answer, raw = await sent(service, path, coding, **owner)
                assert answer.headers["content-encoding"] == coding, path
                assert unpacked(coding, raw) == whole, (path, coding)
                assert len(raw) < len(whole) / 2
                assert answer.headers["content-type"] == plain.headers["content-type"]
                assert "Accept-Encoding" in answer.headers["vary"]
                assert int(answer.headers.get("content-length", len(raw))) == len(raw)
                tags.add(answer.headers.get("etag"))
            # A strong tag is of one sequence of bytes.
            assert len(tags) == (1 if tags == {None} else 4), (path, tags)


async def test_what_is_known_in_a_coding_is_not_sent_again(service: Running) -> None:
    owner, definition = await collection(service)
    # Of these the definition is told in words, by language.
    for path, varies in (
        (f"{definition}/evaluation", "Accept-Encoding"),
        (definition, "Accept-Language, Accept-Encoding"),
    ):
        for coding in (*CODINGS, None):
            answer, _ = await sent(service, path, coding, **owner)
            tag = answer.headers["etag"]
            # By any coding's tag one has this version; a weak one and a list of them say the same.
            for known in (tag, f"W/{tag}", f'"other", {tag}'):
                again, nothing = await sent(service, path, coding, **owner, **{"If-None-Match": known})
                assert (again.status_code, nothing) == (304, b""), (path, coding, known)
                assert again.headers["etag"] == tag
                assert again.headers["vary"] == varies
            other, _ = await sent(service, path, coding, **owner, **{"If-None-Match": '"other-gzip"'})
            assert other.status_code == 200


async def test_a_version_that_was_read_compressed_may_be_changed(service: Running) -> None:
    owner = service.collector()
    made = await service.client.post(
        "/v1/holdings", json={"facts": {"denomination": "crown"}, "note": "long " * 400}, headers=owner
    )
    path = made.headers["location"]
    for coding in CODINGS:
        answer, _ = await sent(service, path, coding, **owner)
        tag = answer.headers["etag"]
        assert tag.endswith(f'-{coding}"')
        headers = {**owner, "If-Match": tag, "Content-Type": "application/merge-patch+json"}
        changed = await service.client.patch(path, json={"number": coding}, headers=headers)
        assert changed.status_code == 200, changed.text
        late = await service.client.patch(path, json={"number": "x"}, headers=headers)
        assert late.status_code == 412


async def test_no_secret_is_compressed(service: Running) -> None:
    owner = service.collector()
    asked = {**owner, "Accept-Encoding": "gzip, br, zstd"}
    share = await doors.shared(service, owner)
    made = await service.client.post("/v1/account/tokens", json={"label": "x" * 90}, headers=asked)
    shown = await service.client.get(path_of(share), headers={**asked, "Accept": "text/html"})
    answers: list[Any] = [shown, made]
    # A page that is not to be stored, beside one that is; both are long.
    control = await service.client.get("/problems", headers=asked)
    assert min(len(shown.content), len(control.content)) > LEAST_BYTES
    for answer in (*answers, await service.client.get("/pair?user_code=BCDF-GHJK", headers=asked)):
        assert "no-store" in answer.headers["cache-control"]
        assert "content-encoding" not in answer.headers
    assert control.headers["content-encoding"] == "zstd"


async def test_short_answers_and_pictures_are_sent_as_they_are(service: Running) -> None:
    for path in ("/health/live", "/", "/nowhere"):
        answer, _ = await sent(service, path, "gzip")
        assert "content-encoding" not in answer.headers


async def test_an_answer_that_is_kept_is_compressed_once(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, definition = await collection(service)
    answers, path = service.app.state.answers, f"{definition}/evaluation"
    await sent(service, path, None, **owner)
    before = answers.counts.bytes
    first = await sent(service, path, "br", **owner)
    # The compressed bytes are counted with the others.
    assert answers.counts.bytes >= before + len(first[1])

    def never(*_: object, **__: object) -> bytes:
        raise AssertionError("compressed again")

    monkeypatch.setattr(brotli, "compress", never)
    monkeypatch.setattr(brotli, "Compressor", never)
    again = await sent(service, path, "br", **owner)
    assert again[1] == first[1]
    assert again[0].headers["content-length"] == str(len(first[1]))
    # The control: another answer cannot be compressed now.
    with pytest.raises(AssertionError, match="compressed again"):
        await in_coding(Reply({"x": "y" * 2_000}).response(), "br")
    # What is let go of gives all its bytes back.
    for address in list(answers._kept):
        answers._drop(address)
    assert (answers.counts.bytes, answers._coded) == (0, {})


async def test_what_is_as_long_compressed_is_compressed_all_the_same(anyio_backend: str) -> None:
    lengths = set()
    for zeros in range(60):
        body = random.Random(5).randbytes(1_000) + bytes(zeros)
        coded = await in_coding(Reply(None, encoded=body).response(), "br")
        assert coded.headers["content-encoding"] == "br"
        assert brotli.decompress(coded.body) == body
        lengths.add(len(coded.body) - len(body))
    # The control: there is one that is as long.
    assert 0 in lengths


async def test_long_answers_let_others_in_between(anyio_backend: str) -> None:
    """20 MB are compressed in pieces; what else is to be done gets its turn after each."""
    import asyncio

    answer = Reply(None, encoded=zlib.compress(b"x") + bytes(range(256)) * 80_000).response()
    longest, last, going = 0.0, time.perf_counter(), True

    async def others() -> int:
        nonlocal longest, last
        turns = 0
        while going:
            await asyncio.sleep(0)
            now = time.perf_counter()
            longest, last, turns = max(longest, now - last), now, turns + 1
        return turns

    task = asyncio.create_task(others())
    coded = await in_coding(answer, "zstd")
    going = False
    assert unpacked("zstd", coded.body) == answer.body
    assert await task > 200
    print(f"the longest turn of compressing 20 MB: {longest * 1000:.1f} ms")
