"""Photos over HTTP: kept once, shown to their owner, gone with their holding, and nothing left behind."""

from __future__ import annotations

import hashlib
import io
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from PIL import Image
from pydantic import SecretStr
from sqlalchemy import delete

from service.__main__ import main
from service.accounts.model import Owner
from service.accounts.tables import account
from service.blobs.folder import FolderStore
from service.blobs.s3 import S3Store
from service.database.engine import Database
from service.database.errors import StorageFull, Unreachable
from service.database.ids import new_id
from service.errors import Stale
from service.holdings.photos import actions
from service.holdings.photos.images import JPEG, PHOTO_TYPES, PNG, prepare_photo
from service.holdings.photos.store import PhotoStore, StoredPhoto
from service.http.dependencies import context_of
from service.worker import maintain
from tests.blobs.bucket import KEY, SECRET, Bucket, files_in, serving_bucket
from tests.conftest import Running, running, settings_for
from tests.http.examples import HOLDING
from tests.owners import recognise
from tests.pictures import coin, exif, picture

pytestmark = pytest.mark.anyio

BIG = 10 * 1024 * 1024
# Later than whatever a test does.
NOW = datetime.now(UTC) + timedelta(days=1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where `service` keeps photos."""
    return tmp_path / "photos"


async def held(service: Running, mine: dict[str, str]) -> str:
    """The address of a new holding."""
    made = await service.client.post("/v1/holdings", json=HOLDING, headers=mine)
    return str(made.headers["location"])


async def send(
    service: Running, mine: dict[str, str], where: str, raw: bytes, side: str = "obverse", kind: str = JPEG, **more: str
) -> Any:
    headers = {**mine, "Content-Type": kind, **more}
    return await service.client.post(f"{where}/photos?side={side}", content=raw, headers=headers)


async def added(
    service: Running, mine: dict[str, str], where: str, raw: bytes, side: str = "obverse"
) -> dict[str, Any]:
    answer = await send(service, mine, where, raw, side)
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


async def listed(service: Running, mine: dict[str, str], where: str) -> list[dict[str, Any]]:
    answer = await service.client.get(f"{where}/photos", headers=mine)
    assert answer.status_code == 200
    assert answer.json()["next"] is None
    items: list[dict[str, Any]] = answer.json()["items"]
    return items


def parts(service: Running, mine: dict[str, str]) -> tuple[Database, Owner]:
    database: Database = service.app.state.database
    token = mine["Authorization"].removeprefix("Bearer ")
    return database, database.read(lambda connection: recognise(connection, token))


def another(number: int) -> bytes:
    """A picture that no other number has."""
    return picture(PNG, Image.new("RGB", (20 + number, 20), (number, 0, 0)))


# --- added and looked at -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", PHOTO_TYPES)
async def test_a_photo_is_kept_and_shown_in_three_sizes(service: Running, kind: str) -> None:
    mine = service.collector()
    where = await held(service, mine)
    raw = picture(kind, coin(900, 700), exif=exif(6))
    answer = await send(service, mine, where, raw, "reverse", kind)
    assert answer.status_code == 201, answer.text
    shown = answer.json()
    assert answer.headers["location"] == f"{where}/photos/{shown['id']}"
    assert (shown["side"], shown["media_type"], shown["width"], shown["height"]) == ("reverse", kind, 700, 900)
    again = await service.client.get(answer.headers["location"], headers=mine)
    assert again.json() == shown
    assert again.headers["etag"] == answer.headers["etag"]
    same = {**mine, "If-None-Match": again.headers["etag"]}
    assert (await service.client.get(answer.headers["location"], headers=same)).status_code == 304
    assert await listed(service, mine, where) == [shown]
    for query, size in (
        ("", (700, 900)),
        ("?size=full", (700, 900)),
        ("?size=640", (498, 640)),
        ("?size=160", (124, 160)),
    ):
        image = await service.client.get(shown["image"] + query, headers=mine)
        assert (image.status_code, image.headers["content-type"]) == (200, kind)
        opened = Image.open(io.BytesIO(image.content))
        assert opened.size == size
        assert not dict(opened.getexif())
        assert b"canary" not in image.content


async def test_an_image_may_be_kept_for_good_by_its_owner_and_its_tag_is_its_digest(service: Running) -> None:
    mine = service.collector()
    shown = await added(service, mine, await held(service, mine), picture(JPEG, coin(900, 700)))
    image = await service.client.get(shown["image"], headers=mine)
    assert hashlib.sha256(image.content).hexdigest() == shown["sha256"]
    assert len(image.content) == shown["bytes"]
    assert image.headers["etag"] == f'"{shown["sha256"]}"'
    assert image.headers["cache-control"] == "private, max-age=31536000, immutable"
    small = await service.client.get(f"{shown['image']}?size=160", headers=mine)
    assert small.headers["etag"] == f'"{shown["sha256"]}-160"'
    for query, tag in (("", image.headers["etag"]), ("?size=160", small.headers["etag"])):
        answer = await service.client.get(shown["image"] + query, headers={**mine, "If-None-Match": tag})
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)
    # One size is not another.
    crossed = {**mine, "If-None-Match": image.headers["etag"]}
    assert (await service.client.get(f"{shown['image']}?size=160", headers=crossed)).status_code == 200


async def test_sides_and_sizes_that_are_none_are_refused(service: Running) -> None:
    mine = service.collector()
    where = await held(service, mine)
    shown = await added(service, mine, where, picture())
    headers = {**mine, "Content-Type": JPEG}
    for query in ("", "?side=", "?side=front", "?side=edge&colour=red"):
        answer = await service.client.post(f"{where}/photos{query}", content=picture(), headers=headers)
        assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (422, "invalid-query"), query
    for query in ("?size=", "?size=161", "?size=../full", "?colour=red"):
        assert (await service.client.get(shown["image"] + query, headers=mine)).status_code == 422, query
    assert len(await listed(service, mine, where)) == 1


@pytest.mark.parametrize(
    "kind", ["image/gif", "image/svg+xml", "application/json", "image/*", "", "multipart/form-data"]
)
async def test_other_types_are_not_taken(service: Running, kind: str) -> None:
    mine = service.collector()
    answer = await send(service, mine, await held(service, mine), picture(), kind=kind)
    assert answer.status_code == 415
    assert answer.headers["accept-post"] == "image/jpeg, image/png, image/webp"


async def test_a_body_past_the_limit_is_refused(service: Running, folder: Path) -> None:
    mine = service.collector()
    where = await held(service, mine)
    # What comes behind a picture is dropped, so this one is sound but for its length.
    raw = picture()
    assert (await send(service, mine, where, raw + bytes(BIG - len(raw)))).status_code == 201
    answer = await send(service, mine, where, raw + bytes(BIG + 1 - len(raw)), "edge")
    assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (413, "body-too-large")


async def test_whether_the_holding_is_there_comes_first(service: Running) -> None:
    mine = service.collector()
    for raw in (picture(), b"no picture"):
        assert (await send(service, mine, f"/v1/holdings/{uuid4()}", raw)).status_code == 404
    assert (await send(service, mine, "/v1/holdings/x", picture())).status_code == 404
    for path in ("photos", f"photos/{uuid4()}", f"photos/{uuid4()}/image", "photos/x", "photos/..%2f/image"):
        assert (await service.client.get(f"/v1/holdings/{uuid4()}/{path}", headers=mine)).status_code == 404
        if path != "photos":
            assert (await service.client.get(f"{await held(service, mine)}/{path}", headers=mine)).status_code == 404


async def test_a_photo_is_not_found_under_another_holding_nor_by_another_collector(service: Running) -> None:
    mine, stranger = service.collector(), service.collector()
    first, second, theirs = await held(service, mine), await held(service, mine), await held(service, stranger)
    shown = await added(service, mine, first, picture())
    for where, who in ((second, mine), (first, stranger), (theirs, stranger)):
        headers = {**who, "If-Match": "*"}
        for method, path in (("GET", ""), ("GET", "/image"), ("DELETE", "")):
            answer = await service.client.request(method, f"{where}/photos/{shown['id']}{path}", headers=headers)
            assert answer.status_code == 404, (where, method, path)
    assert len(await listed(service, mine, first)) == 1
    # The same picture is theirs as well once they add it, and stays so when the first is gone.
    same = await added(service, stranger, theirs, picture())
    assert same["sha256"] == shown["sha256"]
    gone = await service.client.delete(f"{first}/photos/{shown['id']}", headers={**mine, "If-Match": "*"})
    assert gone.status_code == 204
    assert (await service.client.get(same["image"], headers=stranger)).status_code == 200


# --- kept once, up to a quota --------------------------------------------------------------------------------------------


async def test_the_same_photo_is_stored_once_for_each_owner(service: Running, folder: Path) -> None:
    mine = service.collector()
    first, second = await held(service, mine), await held(service, mine)
    shown = await added(service, mine, first, picture())
    before = files_in(folder)
    assert len(before) == 3
    others = [await added(service, mine, first, picture(), "edge"), await added(service, mine, second, picture())]
    # What the file said besides its pixels makes no other photo.
    clash = await send(service, mine, second, picture(exif=exif()))
    assert clash.status_code == 409
    assert others[1]["id"] in clash.json()["detail"]
    assert {photo["sha256"] for photo in others} == {shown["sha256"]}
    assert files_in(folder) == before
    # The bytes go with the last photo that has them.
    for number, photo in enumerate([shown, *others]):
        where = photo["image"].removesuffix("/image")
        tag = (await service.client.get(where, headers=mine)).headers["etag"]
        assert (await service.client.delete(where, headers={**mine, "If-Match": tag})).status_code == 204
        assert files_in(folder) == ([] if number == 2 else before)
        assert (await service.client.get(photo["image"], headers=mine)).status_code == 404


async def test_a_delete_needs_the_version_that_was_read(service: Running, folder: Path) -> None:
    mine = service.collector()
    where = await held(service, mine)
    shown = await added(service, mine, where, picture())
    address = f"{where}/photos/{shown['id']}"
    assert (await service.client.delete(address, headers=mine)).status_code == 428
    assert (await service.client.delete(address, headers={**mine, "If-Match": '"other"'})).status_code == 412
    assert len(await listed(service, mine, where)) == 1
    assert len(files_in(folder)) == 3


async def test_a_photo_that_is_sent_again_with_its_key_is_added_once(service: Running, folder: Path) -> None:
    mine = service.collector()
    where = await held(service, mine)
    key = {"Idempotency-Key": str(uuid4())}
    first = await send(service, mine, where, picture(), **key)
    again = await send(service, mine, where, picture(), **key)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert again.headers["location"] == first.headers["location"]
    assert (await send(service, mine, where, picture(), "edge", **key)).status_code == 422
    assert (await send(service, mine, where, picture(image=coin(50, 50)), **key)).status_code == 422
    assert len(await listed(service, mine, where)) == 1
    assert len(files_in(folder)) == 3
    # After a delete the old answer comes again, and brings no bytes back.
    address = f"{where}/photos/{first.json()['id']}"
    assert (await service.client.delete(address, headers={**mine, "If-Match": "*"})).status_code == 204
    assert (await send(service, mine, where, picture(), **key)).status_code == 201
    assert files_in(folder) == []


async def test_past_twelve_photos_of_one_holding_there_is_no_room(service: Running, folder: Path) -> None:
    mine = service.collector()
    where = await held(service, mine)
    for number in range(12):
        assert (await send(service, mine, where, another(number), kind=PNG)).status_code == 201
    answer = await send(service, mine, where, another(12), kind=PNG)
    assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (507, "quota-full")
    assert "the limit is 12" in answer.json()["detail"]
    assert len(files_in(folder)) == 36
    assert (await send(service, mine, await held(service, mine), another(12), kind=PNG)).status_code == 201


async def test_past_the_quota_in_bytes_there_is_no_room_and_a_delete_makes_some(
    database_url: str, folder: Path
) -> None:
    takes = [prepare_photo(another(number), PNG).stored_bytes for number in range(3)]
    # Room for the first two, to the byte.
    quota = max(sum(takes[:2]), 1024)
    filler = picture(PNG, Image.effect_noise((12, 12), 80))
    async with running(settings_for(database_url, photos_dir=folder, photos_quota_bytes=quota)) as service:
        mine, other = service.collector(), service.collector()
        where, second = await held(service, mine), await held(service, mine)
        first = await send(service, mine, where, another(0), kind=PNG)
        used = takes[0]
        while used + prepare_photo(filler, PNG).stored_bytes <= quota:
            assert (await send(service, mine, where, filler, kind=PNG)).status_code == 201
            used += prepare_photo(filler, PNG).stored_bytes
            filler = picture(PNG, Image.effect_noise((12, 12), 80))
        answer = await send(service, mine, where, filler, kind=PNG)
        assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (507, "quota-full")
        assert f"take {used} bytes" in answer.json()["detail"]
        before = len(files_in(folder))
        # What is there already takes nothing more, and one owner's quota is not another's.
        assert (await send(service, mine, second, another(0), kind=PNG)).status_code == 201
        assert (await send(service, other, await held(service, other), filler, kind=PNG)).status_code == 201
        assert len(files_in(folder)) == before + 3
        for address in (first.headers["location"], (await listed(service, mine, second))[0]["image"][: -len("/image")]):
            assert (await service.client.delete(address, headers={**mine, "If-Match": "*"})).status_code == 204
        assert (await send(service, mine, where, another(1), kind=PNG)).status_code == 201


async def test_the_quota_is_sharp_and_a_photo_of_several_pieces_counts_once(service: Running) -> None:
    mine = service.collector()
    first, second = [(await held(service, mine)).rsplit("/", 1)[1] for _ in range(2)]
    database, owner = parts(service, mine)
    blobs, photo = service.app.state.blobs, prepare_photo(picture(), JPEG)

    def keep(holding: str, side: str, quota: int) -> None:
        with actions.bytes_kept(database, blobs, owner, photo):
            database.write(lambda c: actions.add(c, owner, blobs, holding, side, photo, actions.Quota(quota, 12), NOW))

    with pytest.raises(actions.QuotaFull):
        keep(first, "edge", photo.stored_bytes - 1)
    keep(first, "edge", photo.stored_bytes)
    keep(second, "edge", photo.stored_bytes)
    keep(second, "obverse", photo.stored_bytes)
    assert database.read(lambda c: PhotoStore(c, owner).used_bytes()) == photo.stored_bytes


# --- gone with the holding ---------------------------------------------------------------------------------------------


async def told(service: Running, mine: dict[str, str], op: str, identity: str, **more: Any) -> None:
    """A mutation that a device sends, and that is applied."""
    mutation = {"mutation_id": new_id(), "op": op, "id": identity, "edited_at": "2026-11-25T10:00:00Z", **more}
    sent = {"client_id": "phone", "mutations": [mutation]}
    answer = await service.client.post("/v1/holdings/sync", json=sent, headers=mine)
    assert [entry["status"] for entry in answer.json()["responses"]] == ["applied"]


async def test_photos_go_with_their_holding_and_come_back_with_it(service: Running, folder: Path) -> None:
    mine = service.collector()
    first, second = await held(service, mine), await held(service, mine)
    both = picture()
    alone = await added(service, mine, first, picture(image=coin(80, 80)))
    await added(service, mine, first, both, "edge")
    kept = await added(service, mine, second, both)
    assert (await service.client.delete(first, headers={**mine, "If-Match": "*"})).status_code == 204
    assert (await service.client.get(alone["image"], headers=mine)).status_code == 404
    assert (await service.client.get(f"{first}/photos", headers=mine)).status_code == 404
    assert (await service.client.get(kept["image"], headers=mine)).status_code == 200
    database, _ = parts(service, mine)
    assert actions.sweep(database, service.app.state.blobs, NOW - timedelta(days=2)) == 0
    assert len(files_in(folder)) == 6, "a delete may be undone"
    await told(service, mine, "update", first.rpartition("/")[2], revive=True, patch={})
    assert (await service.client.get(alone["image"], headers=mine)).status_code == 200


async def test_a_coin_that_was_photographed_since_its_import_stays_when_the_import_is_undone(service: Running) -> None:
    mine = service.collector()
    sheet = {"holdings": [{"number": "C-1"}, {"number": "C-2"}]}
    brought = (await service.client.post("/v1/holdings/imports", json=sheet, headers=mine)).json()
    one, _ = (await service.client.get("/v1/holdings", headers=mine)).json()["items"]
    shown = await added(service, mine, f"/v1/holdings/{one['id']}", picture())
    undone = await service.client.post(f"/v1/holdings/imports/{brought['import_id']}/undo", headers=mine)
    assert undone.status_code == 200
    assert (await service.client.get(shown["image"], headers=mine)).status_code == 200
    assert len((await service.client.get("/v1/holdings", headers=mine)).json()["items"]) == 1


@pytest.mark.parametrize("how", ["device", "delete"])
async def test_photos_of_a_holding_that_was_deleted_long_ago_are_swept(
    service: Running, folder: Path, how: str
) -> None:
    mine = service.collector()
    where = await held(service, mine)
    await added(service, mine, where, picture())
    (one,) = (await service.client.get("/v1/holdings/changes", headers=mine)).json()["list"]
    stays = await added(service, mine, await held(service, mine), picture(image=coin(80, 80)))
    if how == "device":
        await told(service, mine, "destroy", one["id"], **{"from": one["writers"]})
    else:
        assert (await service.client.delete(where, headers={**mine, "If-Match": "*"})).status_code == 204
    database, _ = parts(service, mine)
    assert len(files_in(folder)) == 6
    assert actions.sweep(database, service.app.state.blobs, NOW) == 1
    assert len(files_in(folder)) == 3
    assert (await service.client.get(stays["image"], headers=mine)).status_code == 200


async def test_photos_of_deleted_holdings_make_room_for_others(database_url: str, folder: Path) -> None:
    quota = max(prepare_photo(another(number), PNG).stored_bytes for number in range(2)) + 10
    async with running(settings_for(database_url, photos_dir=folder, photos_quota_bytes=max(quota, 1024))) as service:
        mine = service.collector()
        first, second = await held(service, mine), await held(service, mine)
        number = 0
        while (await send(service, mine, first, another(number), kind=PNG)).status_code == 201:
            number += 1
        assert number > 0
        assert (await send(service, mine, second, another(number), kind=PNG)).status_code == 507
        assert (await service.client.delete(first, headers={**mine, "If-Match": "*"})).status_code == 204
        assert (await send(service, mine, second, another(number), kind=PNG)).status_code == 201


async def test_answers_for_requests_that_are_sent_again_are_forgotten_in_the_end(
    service: Running, folder: Path
) -> None:
    mine = service.collector()
    where = await held(service, mine)
    again = {"Idempotency-Key": "a-day-at-the-fair"}
    first = await send(service, mine, where, picture(), **again)
    for now, known in ((datetime.now(UTC), True), (datetime.now(UTC) + timedelta(days=31), False)):
        maintain(replace(context_of(service.app), clock=lambda now=now: now))
        answer = await send(service, mine, where, picture(), **again)
        assert answer.status_code == (201 if known else 409)
        assert not known or answer.json() == first.json()


# --- when something is in the way ----------------------------------------------------------------------------------------


async def test_no_row_is_written_for_a_photo_whose_bytes_cannot_be_kept(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = service.collector()
    where = await held(service, mine)
    for trouble, status in ((StorageFull("no room"), 507), (Unreachable("away"), 503)):

        def fail(*_: object, trouble: Exception = trouble) -> None:
            raise trouble

        with monkeypatch.context() as patched:
            patched.setattr(service.app.state.blobs, "put", fail)
            assert (await send(service, mine, where, picture())).status_code == status
        assert await listed(service, mine, where) == []
    assert (await send(service, mine, where, picture())).status_code == 201


async def test_bytes_whose_row_could_not_be_written_are_taken_away(
    service: Running, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = service.collector()
    where = await held(service, mine)
    seen: list[int] = []

    def fail(*_: object) -> None:
        seen.append(len(files_in(folder)))
        raise StorageFull("the database has no room left")

    with monkeypatch.context() as patched:
        patched.setattr("service.holdings.photos.store.PhotoStore.add_file", fail)
        assert (await send(service, mine, where, picture())).status_code == 507
    assert seen == [3], "the bytes are there before the row"
    assert files_in(folder) == []


async def test_a_photo_is_deleted_even_while_its_bytes_cannot_be_reached_and_the_sweep_finds_them(
    service: Running, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = service.collector()
    where = await held(service, mine)
    kept = await added(service, mine, where, picture())
    gone = await added(service, mine, where, picture(image=coin(70, 70)))
    database, _ = parts(service, mine)

    def fail(*_: object) -> None:
        raise Unreachable("away")

    with monkeypatch.context() as patched:
        patched.setattr(service.app.state.blobs, "remove", fail)
        address = gone["image"].removesuffix("/image")
        assert (await service.client.delete(address, headers={**mine, "If-Match": "*"})).status_code == 204
        assert (await service.client.delete(where, headers={**mine, "If-Match": "*"})).status_code == 204
    assert len(files_in(folder)) == 6
    assert (await service.client.get(kept["image"], headers=mine)).status_code == 404
    assert actions.sweep(database, service.app.state.blobs, NOW) == 2
    assert files_in(folder) == []


async def test_the_sweep_takes_what_no_row_names_and_nothing_else(service: Running, folder: Path) -> None:
    mine = service.collector()
    shown = await added(service, mine, await held(service, mine), picture())
    database, owner = parts(service, mine)
    blobs, lost = FolderStore(folder), prepare_photo(another(1), PNG)
    named = files_in(folder)
    # A server that ended between the bytes and the row; an account that is gone; something that others put there.
    for who in (owner.id, str(uuid4())):
        blobs.put(who, f"{lost.digest[:2]}/{lost.digest[2:4]}/{lost.digest}-full", b"left behind")
    blobs.put("lost+found", "a/b/c", b"not ours")
    assert actions.sweep(database, blobs, NOW) == 2
    assert files_in(folder) == sorted([*named, "lost+found/a/b/c"])
    assert actions.sweep(database, blobs, NOW) == 0
    assert (await service.client.get(shown["image"], headers=mine)).status_code == 200


async def test_a_sweep_that_saw_an_older_state_takes_nothing_that_is_named_by_now(
    service: Running, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = service.collector()
    await added(service, mine, await held(service, mine), picture())
    database, _ = parts(service, mine)
    monkeypatch.setattr(actions, "_named", lambda *_, **__: frozenset())
    assert actions.sweep(database, service.app.state.blobs, NOW) == 0
    assert len(files_in(folder)) == 3


async def test_the_command_sweeps(
    service: Running,
    database_url: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    mine = service.collector()
    await added(service, mine, await held(service, mine), picture())
    _, owner = parts(service, mine)
    FolderStore(folder).put(owner.id, "ab/cd/abcd-full", b"left behind")
    monkeypatch.setenv("SETWRIGHT_DATABASE_URL", database_url)
    monkeypatch.setenv("SETWRIGHT_PHOTOS_DIR", str(folder))
    assert main(["tidy"]) == 0
    assert capsys.readouterr().out == (
        "Removed: 1 photos that nothing named, 0 remembered answers, 0 entries of logs of sync, what was recorded of 0 deleted "
        "holdings, 0 jobs that are over, 0 files of answers.\n"
    )
    assert len(files_in(folder)) == 3


async def test_photos_of_an_account_that_is_gone_are_swept(service: Running, folder: Path) -> None:
    mine = service.collector()
    await added(service, mine, await held(service, mine), picture())
    database, owner = parts(service, mine)
    database.write(lambda connection: connection.execute(delete(account).where(account.c.id == owner.id)))
    assert actions.sweep(database, service.app.state.blobs, NOW) == 1
    assert files_in(folder) == []


async def test_bytes_that_are_swept_between_put_and_row_are_put_again(service: Running, folder: Path) -> None:
    mine = service.collector()
    holding = (await held(service, mine)).rsplit("/", 1)[1]
    database, owner = parts(service, mine)
    blobs, photo = service.app.state.blobs, prepare_photo(picture(), JPEG)
    with actions.bytes_kept(database, blobs, owner, photo):
        assert len(files_in(folder)) == 3
        assert actions.sweep(database, blobs, NOW) == 1
        quota = actions.Quota(10**9, 12)
        database.write(lambda c: actions.add(c, owner, blobs, holding, "edge", photo, quota, NOW))
    assert len(files_in(folder)) == 3


async def test_adding_and_removing_one_photo_at_once_never_leaves_a_row_without_bytes(
    service: Running, folder: Path
) -> None:
    """Two holdings share a photo; one thread adds it here, another removes it there, again and again."""
    mine = service.collector()
    first, second = [(await held(service, mine)).rsplit("/", 1)[1] for _ in range(2)]
    database, owner = parts(service, mine)
    blobs, photo, quota = service.app.state.blobs, prepare_photo(picture(), JPEG), actions.Quota(10**9, 12)
    start, faults = threading.Barrier(2), list[BaseException]()

    def run(holding: str) -> None:
        try:
            start.wait()
            for _ in range(12):
                with actions.bytes_kept(database, blobs, owner, photo):
                    kept = database.write(lambda c: actions.add(c, owner, blobs, holding, "edge", photo, quota, NOW))
                # While the row is there, its bytes are.
                assert blobs.get(owner.id, f"{photo.digest[:2]}/{photo.digest[2:4]}/{photo.digest}-160") is not None
                actions.remove(database, blobs, owner, holding, kept.id, NOW, expect=lambda _: None)
        except BaseException as fault:  # Told by the test, in its own thread.
            faults.append(fault)

    threads = [threading.Thread(target=run, args=(holding,)) for holding in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert faults == []
    actions.sweep(database, blobs, NOW)
    assert files_in(folder) == []


async def test_a_delete_that_is_refused_removes_nothing(service: Running, folder: Path) -> None:
    mine = service.collector()
    where = await held(service, mine)
    shown = await added(service, mine, where, picture())
    database, owner = parts(service, mine)

    def refuse(_: StoredPhoto) -> None:
        raise Stale("it changed")

    with pytest.raises(Stale):
        identity = where.rsplit("/", 1)[1]
        actions.remove(database, service.app.state.blobs, owner, identity, shown["id"], NOW, expect=refuse)
    assert len(files_in(folder)) == 3


async def test_photos_may_lie_in_a_store_that_speaks_s3(database_url: str, folder: Path) -> None:
    bucket = Bucket("coins")
    with serving_bucket(bucket) as address:
        s3 = {"s3_endpoint": address, "s3_bucket": "coins", "s3_key": KEY, "s3_secret": SecretStr(SECRET)}
        async with running(settings_for(database_url, photos_dir=folder, **s3)) as service:
            assert isinstance(service.app.state.blobs, S3Store)
            mine = service.collector()
            where = await held(service, mine)
            shown = await added(service, mine, where, picture(image=coin(700, 500)))
            assert len(bucket.objects) == 3
            image = await service.client.get(shown["image"], headers=mine)
            assert hashlib.sha256(image.content).hexdigest() == shown["sha256"]
            bucket.fails = 100
            assert (await service.client.get(shown["image"], headers=mine)).status_code == 503
            assert (await send(service, mine, where, picture(), "edge")).status_code == 503
            bucket.fails = 0
            address = shown["image"].removesuffix("/image")
            assert (await service.client.delete(address, headers={**mine, "If-Match": "*"})).status_code == 204
            assert bucket.objects == {}
    assert not folder.exists()
