"""Photos as a part of sync: merged one by one, sent under the SHA-256 of their file, asked for while they are missing.

SHA-256 is that of FIPS 180-4, as `hashlib` has it; the known digest of "abc" is from its examples (by memory)."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from service.database.ids import new_id
from service.holdings.photos import actions
from service.holdings.photos.images import JPEG, PNG, prepare_photo
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.field_names import as_taken, as_told
from service.holdings.sync.verify import differences
from service.http.dependencies import context_of
from service.worker import maintain
from tests.blobs.bucket import files_in
from tests.conftest import Running, running, settings_for
from tests.http.test_photos import NOW, another, parts
from tests.pictures import coin, exif, picture

pytestmark = pytest.mark.anyio


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where `service` keeps photos."""
    return tmp_path / "photos"


def sha256_of(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def named(raw: bytes, side: str = "obverse", taken_at: str | None = None) -> dict[str, Any]:
    return {"sha256": sha256_of(raw), "side": side, "taken_at": taken_at}


async def sent(service: Running, mine: dict[str, str], *mutations: dict[str, Any]) -> dict[str, Any]:
    """The answer to a batch; ids and times are put in."""
    common = {"op": "update", "edited_at": "2026-11-25T10:00:00Z"}
    batch = [{"mutation_id": new_id(), **common, **mutation} for mutation in mutations]
    answer = await service.client.post("/v1/holdings/sync", json={"client_id": "p", "mutations": batch}, headers=mine)
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


async def put(service: Running, mine: dict[str, str], raw: bytes, kind: str = PNG, name: str | None = None) -> Any:
    address = f"/v1/photos/{name or sha256_of(raw)}"
    return await service.client.put(address, content=raw, headers={**mine, "Content-Type": kind})


def code_of(answer: Any) -> str:
    kind: str = answer.json()["type"].rsplit("/", 1)[1]
    return kind


def verified(service: Running, mine: dict[str, str]) -> list[str]:
    database, owner = parts(service, mine)
    return database.read(lambda connection: list(differences(connection, owner)))


async def test_a_photo_that_was_taken_offline_arrives_with_its_coin(service: Running) -> None:
    mine, coin_id, raw = service.collector(), new_id(), picture(JPEG, coin(90, 70), exif=exif(6))
    photo = named(raw, taken_at="2026-11-25T11:00:00+01:00")
    told = await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": [photo]}})
    as_kept = {**photo, "taken_at": "2026-11-25T10:00:00Z"}
    assert (told["responses"][0]["status"], told["list"][0]["photos"]) == ("applied", [as_kept])
    assert told["missing_photos"] == [photo["sha256"]]
    where = f"/v1/holdings/{coin_id}"
    # Named, and still to come.
    assert (await service.client.get(f"{where}/photos", headers=mine)).json()["items"] == []
    assert (await service.client.get(f"/v1/photos/{photo['sha256']}", headers=mine)).status_code == 404
    first, again = [await put(service, mine, raw, JPEG) for _ in range(2)]
    assert (first.status_code, again.status_code, first.json()) == (201, 200, again.json())
    assert first.json() == {
        "sha256": photo["sha256"],
        "media_type": JPEG,
        "width": 70,
        "height": 90,
        "bytes": first.json()["bytes"],
        "image": f"/v1/photos/{photo['sha256']}",
    }
    assert (await sent(service, mine))["missing_photos"] == []
    (shown,) = (await service.client.get(f"{where}/photos", headers=mine)).json()["items"]
    assert (shown["side"], shown["width"]) == ("obverse", 70)
    images = [await service.client.get(path, headers=mine) for path in (shown["image"], first.json()["image"])]
    assert images[0].content == images[1].content
    assert sha256_of(images[1].content) == shown["sha256"] == images[1].headers["etag"].strip('"')
    assert b"canary" not in images[1].content
    assert (await service.client.get(where, headers=mine)).json()["photos"] == [as_kept]
    small = await service.client.get(f"/v1/photos/{photo['sha256'].upper()}?size=160", headers=mine)
    assert small.status_code == 200
    # It is one's own.
    assert (await service.client.get(f"/v1/photos/{photo['sha256']}", headers=service.collector())).status_code == 404
    assert verified(service, mine) == []


async def test_two_phones_that_add_one_each_and_one_that_takes_one_off_lose_nothing(service: Running) -> None:
    mine, coin_id = service.collector(), new_id()
    old, first, second = (named(another(number)) for number in range(3))
    made = await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": [old]}})
    seen = {"photos": made["list"][0]["writers"]["photos"]}
    one = {"id": coin_id, "patch": {"photos": [old, first]}, "from": seen}
    two = {"id": coin_id, "patch": {"photos": [second]}, "from": seen}
    told = await sent(service, mine, one, two)
    assert [answer["status"] for answer in told["responses"]] == ["applied", "merged"]
    (record,) = told["list"]
    assert sorted(record["photos"], key=str) == sorted([first, second], key=str)
    assert record["conflicts"] == []
    # The same from the other side, with what is there already.
    again = await sent(service, mine, {"id": coin_id, "patch": {"photos": [second, first]}, "from": seen})
    assert sorted(again["list"][0]["photos"], key=str) == sorted([first, second], key=str)
    assert verified(service, mine) == []


@pytest.mark.parametrize(
    ("photos", "pointer"),
    [
        ([{"sha256": "A" * 64, "side": "edge"}], "/photos/0/sha256"),
        ([{"sha256": "a" * 63, "side": "edge"}], "/photos/0/sha256"),
        ([{"sha256": "a" * 64, "side": "front"}], "/photos/0/side"),
        ([{"sha256": "a" * 64}], "/photos/0/side"),
        ([{"sha256": "a" * 64, "side": "edge"}, {"sha256": "b" * 64, "side": "edge", "taken_at": "2026"}], "/photos/1/taken_at"),
        ([{"sha256": "a" * 64, "side": "edge", "shape": "round"}], "/photos/0/shape"),
        # The form that the service keeps is none to be sent.
        ([f"{'a' * 64} edge"], "/photos/0"),
        (["x"], "/photos/0"),
        ({"a": 1}, "/photos"),
        ([{"sha256": f"{number:064x}", "side": "edge"} for number in range(101)], "/photos"),
    ],
)  # fmt: skip
async def test_what_is_no_photo_is_refused_with_its_place(service: Running, photos: Any, pointer: str) -> None:
    mine, coin_id = service.collector(), new_id()
    told = await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": photos}})
    assert told["responses"][0]["status"] == "rejected"
    assert told["responses"][0]["error"]["pointers"][0] == pointer
    answer = await service.client.post("/v1/holdings", json={"photos": photos}, headers=mine)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, pointer)


async def test_a_body_that_is_not_of_its_name_is_refused_and_so_are_other_files(service: Running, folder: Path) -> None:
    mine, raw = service.collector(), another(1)
    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    wrong = await put(service, mine, raw[:-1], name=sha256_of(raw))
    assert (wrong.status_code, wrong.json()["errors"][0]["code"]) == (422, "wrong-digest")
    assert sha256_of(raw[:-1]) in wrong.json()["errors"][0]["message"]
    text_file = await put(service, mine, b"no picture")
    assert (text_file.status_code, text_file.json()["errors"][0]["code"]) == (422, "wrong-type")
    assert (await put(service, mine, raw, "image/gif")).status_code == 415
    large = raw + bytes(10 * 1024 * 1024 + 1 - len(raw))
    assert (await put(service, mine, large)).status_code == 413
    for name in ("x", "a" * 63, "g" * 64):
        assert (await put(service, mine, raw, name=name)).status_code == 404
    assert files_in(folder) == []


async def test_a_conflict_about_photos_tells_them_as_objects(service: Running) -> None:
    """A device that saw a list which the log does not have any more cannot be merged with: both stand."""
    mine, coin_id, other = service.collector(), new_id(), new_id()
    first, second = named(another(1)), named(another(2))
    await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": [first]}})
    told = await sent(service, mine, {"id": coin_id, "patch": {"photos": [second]}, "from": {"photos": other}})
    (record,) = told["list"]
    values = [record["photos"], *(conflict["value"] for conflict in record["conflicts"])]
    assert sorted(values, key=str) == sorted([[first], [second]], key=str)
    (item,) = (await service.client.get("/v1/holdings", headers=mine)).json()["items"]
    assert item["conflicts"] == record["conflicts"]


async def test_what_is_added_by_a_request_is_in_the_record_and_what_the_record_loses_is_gone(
    service: Running, folder: Path
) -> None:
    mine = service.collector()
    made = (await service.client.post("/v1/holdings", json={"facts": {"grade": 40}}, headers=mine)).json()
    where, raw = f"/v1/holdings/{made['id']}", another(3)
    before = await sent(service, mine)
    added = await service.client.post(f"{where}/photos?side=edge", content=raw, headers={**mine, "Content-Type": PNG})
    page = await service.client.get(f"/v1/holdings/changes?since={before['new_state']}", headers=mine)
    assert page.json()["updated"] == [made["id"]]
    (record,) = page.json()["list"]
    assert record["photos"] == [{"sha256": added.json()["sha256"], "side": "edge", "taken_at": None}]
    phone = named(another(4))
    told = await sent(
        service, mine,
        {"id": made["id"], "patch": {"photos": [*record["photos"], phone]}, "from": {"photos": record["writers"]["photos"]}},
    )  # fmt: skip
    assert (await put(service, mine, another(4))).status_code == 201
    listed = (await service.client.get(f"{where}/photos", headers=mine)).json()["items"]
    assert [photo["side"] for photo in listed] == ["edge", "obverse"]
    # Taken off by the request: the record names one.
    gone = f"{where}/photos/{added.json()['id']}"
    assert (await service.client.delete(gone, headers={**mine, "If-Match": "*"})).status_code == 204
    assert (await sent(service, mine))["missing_photos"] == []
    assert (await service.client.get(where, headers=mine)).json()["photos"] == [phone]
    assert len(files_in(folder)) == 3
    # Taken off by a device: not listed any more, and tidied in its time.
    (record,) = (await service.client.get("/v1/holdings/changes", headers=mine)).json()["list"]
    seen = {"photos": record["writers"]["photos"]}
    told = await sent(service, mine, {"id": made["id"], "patch": {"photos": None}, "from": seen})
    assert (told["responses"][0]["status"], told["list"][0]["photos"]) == ("applied", [])
    assert (await service.client.get(f"{where}/photos", headers=mine)).json()["items"] == []
    assert verified(service, mine) == []


async def test_a_file_that_comes_before_its_mutation_survives_and_one_that_nothing_names_is_tidied(
    service: Running, folder: Path
) -> None:
    mine, context = service.collector(), context_of(service.app)
    early, never = another(5), another(6)
    for raw in (early, never):
        assert (await put(service, mine, raw)).status_code == 201
    assert maintain(context).photos == 0
    coin_id = new_id()
    told = await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": [named(early)]}})
    assert told["missing_photos"] == []
    for days, gone in ((6, 0), (8, 1), (400, 0)):
        later = replace(context, clock=lambda days=days: datetime.now(UTC) + timedelta(days=days))
        assert maintain(later).photos == gone
    assert len(files_in(folder)) == 3
    assert (await service.client.get(f"/v1/photos/{sha256_of(early)}", headers=mine)).status_code == 200
    assert (await service.client.get(f"/v1/photos/{sha256_of(never)}", headers=mine)).status_code == 404
    # Deleted long ago: its file goes, and is asked for when the delete is undone.
    (record,) = told["list"]
    await sent(service, mine, {"op": "destroy", "id": coin_id, "from": record["writers"]})
    database, _ = parts(service, mine)
    assert actions.sweep(database, service.app.state.blobs, NOW) == 1
    assert (await sent(service, mine))["missing_photos"] == []
    back = await sent(service, mine, {"id": coin_id, "revive": True, "patch": {}})
    assert back["missing_photos"] == [sha256_of(early)]
    assert (await put(service, mine, early)).status_code == 201
    assert len((await service.client.get(f"/v1/holdings/{coin_id}/photos", headers=mine)).json()["items"]) == 1


async def test_sending_again_keeps_a_file_from_being_tidied_and_brings_lost_images_back(
    service: Running, folder: Path
) -> None:
    mine, raw = service.collector(), another(7)
    first = await put(service, mine, raw)
    database, owner = parts(service, mine)
    week_ago = datetime.now(UTC) - timedelta(days=9)
    database.write(lambda c: PhotoStore(c, owner).touch_file(sha256_of(raw), week_ago))
    assert (await put(service, mine, raw)).json() == first.json()
    assert maintain(context_of(service.app)).photos == 0
    files_in(folder)
    for path in folder.glob("*/*/*/*-640"):
        path.unlink()
    assert (await put(service, mine, raw)).status_code == 201
    assert len(files_in(folder)) == 3


async def test_the_quota_counts_files_that_are_sent_and_two_files_with_one_picture_once(
    database_url: str, folder: Path
) -> None:
    takes = [prepare_photo(another(number), PNG).stored_bytes for number in range(8, 10)]
    async with running(settings_for(database_url, photos_dir=folder, photos_quota_bytes=max(*takes, 1024))) as service:
        mine, raw = service.collector(), another(8)
        filler = [another(number) for number in range(9, 9 + 1024 // min(takes))]
        assert (await put(service, mine, raw)).status_code == 201
        # What comes behind a picture is no part of it: another file, the same picture.
        assert (await put(service, mine, raw + b"\0")).status_code == 201
        assert len(files_in(folder)) == 3
        refused = [(await put(service, mine, each)) for each in filler][-1]
        assert (refused.status_code, code_of(refused)) == (507, "quota-full")
        # What nothing named for a day makes room.
        database, owner = parts(service, mine)
        day_ago = datetime.now(UTC) - timedelta(days=2)
        database.write(lambda c: c.execute(text("UPDATE photo_file SET added_at = :then"), {"then": day_ago}))
        assert (await put(service, mine, filler[-1])).status_code == 201
        assert database.read(lambda c: PhotoStore(c, owner).kept()) == {prepare_photo(filler[-1], PNG).digest}


async def test_verify_sees_a_photo_that_only_one_of_both_has(service: Running) -> None:
    mine, coin_id = service.collector(), new_id()
    await sent(service, mine, {"op": "create", "id": coin_id, "patch": {"photos": [named(another(1))]}})
    database, owner = parts(service, mine)
    database.write(lambda c: PhotoStore(c, owner).put(coin_id, [], NOW))
    assert verified(service, mine) == [f"holding {coin_id}: its photos are not those that the table of photos has"]


async def test_of_very_many_missing_photos_some_are_asked_for(service: Running) -> None:
    mine = service.collector()
    photos = [{"sha256": f"{number:064x}", "side": "edge"} for number in range(600)]
    batch = [{"op": "create", "id": new_id(), "patch": {"photos": photos[at : at + 100]}} for at in range(0, 600, 100)]
    missing = (await sent(service, mine, *batch))["missing_photos"]
    assert (len(missing), missing) == (500, sorted(missing))


def test_photos_are_texts_among_flat_values_and_objects_elsewhere() -> None:
    photos = [named(b"a", "edge", "2026-11-25T10:00:00Z"), named(b"b")]
    assert as_told("photos", as_taken("photos", photos)) == photos
    assert as_taken("photos", [photos[0], {**photos[0], "taken_at": "2026-11-25T11:00:00+01:00"}]) == [
        f"{sha256_of(b'a')} edge 2026-11-25T10:00:00Z"
    ]
    assert as_taken("tags", photos) == photos
