"""A blob store keeps what it is given, in a folder and in an S3-compatible store alike, and says so only when it is durable."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr, ValidationError

from service.blobs import blob_store_of, job_files_of
from service.blobs.folder import FolderStore
from service.blobs.s3 import S3Store
from service.blobs.store import PIECE_BYTES, BlobStore
from service.database.errors import ReadOnly, StorageFull, Unreachable
from service.settings import Settings, setting_lines
from tests.blobs.bucket import KEY, SECRET, Bucket, files_in, serving_bucket, signature

OWNER, ANOTHER = "01939f6e-0000-7000-8000-00000000000a", "01939f6e-0000-7000-8000-00000000000b"
NAME, OTHER = "ab/cd/abcd-full", "ab/ce/abce-160"


@pytest.fixture
def bucket() -> Bucket:
    return Bucket("coins")


@pytest.fixture
def address(bucket: Bucket) -> Iterator[str]:
    with serving_bucket(bucket) as address:
        yield address


@pytest.fixture(params=["folder", "bucket"])
def blobs(request: pytest.FixtureRequest, tmp_path: Path) -> BlobStore:
    if request.param == "folder":
        return FolderStore(tmp_path / "photos")
    return S3Store(request.getfixturevalue("address"), "coins", KEY, SECRET, "us-east-1")


def test_what_is_put_is_there_until_it_is_removed(blobs: BlobStore) -> None:
    assert not blobs.has(OWNER, NAME)
    assert blobs.get(OWNER, NAME) is None
    blobs.put(OWNER, NAME, b"light and shade")
    assert blobs.has(OWNER, NAME)
    assert blobs.get(OWNER, NAME) == b"light and shade"
    blobs.put(OWNER, NAME, b"light and shade")
    blobs.remove(OWNER, NAME)
    assert not blobs.has(OWNER, NAME)
    assert blobs.get(OWNER, NAME) is None
    # Whoever removes it a second time wanted it gone, and gone it is.
    blobs.remove(OWNER, NAME)


def test_owners_are_kept_apart(blobs: BlobStore) -> None:
    assert list(blobs.owners()) == list(blobs.names(OWNER)) == []
    blobs.put(OWNER, NAME, b"a")
    blobs.put(OWNER, OTHER, b"b")
    blobs.put(ANOTHER, NAME, b"c")
    assert list(blobs.owners()) == [OWNER, ANOTHER]
    assert list(blobs.names(OWNER)) == [NAME, OTHER]
    assert list(blobs.names(ANOTHER)) == [NAME]
    blobs.remove(OWNER, NAME)
    assert blobs.get(ANOTHER, NAME) == b"c"
    blobs.clear_abandoned()
    assert list(blobs.names(OWNER)) == [OTHER]


def test_more_images_than_one_answer_lists_are_all_found(blobs: BlobStore) -> None:
    # The store of these tests lists five at a time.
    names = [f"ab/cd/{number:02}-full" for number in range(17)]
    for name in names:
        blobs.put(OWNER, name, b"x")
    assert list(blobs.names(OWNER)) == names


def test_large_images_and_empty_ones_come_back_whole(blobs: BlobStore) -> None:
    for content in (b"", os.urandom(7_000_001)):
        blobs.put(OWNER, NAME, content)
        assert blobs.get(OWNER, NAME) == content


def a_file(folder: Path, content: bytes) -> Path:
    made = folder / "source"
    made.write_bytes(content)
    return made


def test_a_file_is_kept_whole_and_read_in_pieces(blobs: BlobStore, tmp_path: Path) -> None:
    assert blobs.pieces(OWNER, NAME) is None
    for content in (b"", b"light and shade", os.urandom(3 * PIECE_BYTES + 1)):
        blobs.put_file(OWNER, NAME, a_file(tmp_path, content))
        assert blobs.get(OWNER, NAME) == content
        pieces = blobs.pieces(OWNER, NAME)
        assert pieces is not None
        found = list(pieces)
        assert b"".join(found) == content
        assert all(len(piece) <= PIECE_BYTES for piece in found)
        assert len(found) == -(-len(content) // PIECE_BYTES)
    assert list(blobs.names(OWNER)) == [NAME]


def test_what_is_removed_while_it_is_read_is_read_to_its_end(blobs: BlobStore, tmp_path: Path) -> None:
    content = os.urandom(3 * PIECE_BYTES)
    blobs.put_file(OWNER, NAME, a_file(tmp_path, content))
    pieces = blobs.pieces(OWNER, NAME)
    assert pieces is not None
    first = next(pieces)
    blobs.remove(OWNER, NAME)
    assert first + b"".join(pieces) == content
    assert not blobs.has(OWNER, NAME)


@pytest.mark.parametrize("kind", ["folder", "bucket"])
def test_answers_of_jobs_and_photos_lie_apart(kind: str, bucket: Bucket, address: str, tmp_path: Path) -> None:
    where = {**S3, "s3_endpoint": address} if kind == "bucket" else {"photos_dir": tmp_path / "photos"}
    told = settings(**where)
    photos, answers = blob_store_of(told), job_files_of(told)
    photos.put(OWNER, NAME, b"a photo")
    answers.put_file(ANOTHER, NAME, a_file(tmp_path, b"an answer"))
    assert (list(photos.owners()), list(answers.owners())) == ([OWNER], [ANOTHER])
    assert (list(photos.names(ANOTHER)), list(answers.names(OWNER))) == ([], [])
    assert list(answers.names(ANOTHER)) == [NAME]
    assert (photos.get(ANOTHER, NAME), answers.get(ANOTHER, NAME)) == (None, b"an answer")
    answers.remove(ANOTHER, NAME)
    assert not answers.has(ANOTHER, NAME)


# --- the folder --------------------------------------------------------------------------------------------------------


def test_a_file_appears_under_its_name_only_after_it_is_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[str, bool]] = []
    real_sync, real_replace = os.fsync, Path.replace

    def sync(number: int) -> None:
        kind = "folder" if Path(f"/proc/self/fd/{number}").is_dir() else "file"
        told.append((kind, (tmp_path / OWNER / NAME).exists()))
        real_sync(number)

    def replace(self: Path, target: Path) -> Path:
        told.append(("rename", (tmp_path / OWNER / NAME).exists()))
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "replace", replace)
    FolderStore(tmp_path).put(OWNER, NAME, b"x")
    last = told[-3:]
    assert last == [("file", False), ("rename", False), ("folder", True)]
    # Every new folder is brought to the disk in the one above it: the owner, two levels, and where files come in.
    assert told[:-3] == [("folder", False)] * 4
    told.clear()
    FolderStore(tmp_path).put(OWNER, NAME, b"x")
    assert [kind for kind, _ in told] == ["file", "rename", "folder"]


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (errno.ENOSPC, StorageFull),
        (errno.EDQUOT, StorageFull),
        (errno.EROFS, ReadOnly),
        (errno.EIO, Unreachable),
        (errno.EACCES, Unreachable),
    ],
)
def test_a_write_that_fails_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, expected: type[Exception]
) -> None:
    blobs = FolderStore(tmp_path)
    blobs.put(OWNER, OTHER, b"old")

    def fail(_: int) -> None:
        raise OSError(code, "canary-path")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", fail)
        with pytest.raises(expected) as caught:
            blobs.put(OWNER, OTHER.replace("160", "640"), b"new")
        with pytest.raises(expected):
            blobs.try_write()
    blobs.try_write()
    assert "canary" not in str(caught.value)
    assert files_in(tmp_path) == [f"{OWNER}/{OTHER}"]


def test_what_a_server_left_half_written_is_no_image_and_goes_after_a_day(tmp_path: Path) -> None:
    blobs = FolderStore(tmp_path)
    blobs.put(OWNER, NAME, b"x")
    coming = tmp_path / ".coming"
    for name, age in (("old", 90_000), ("new", 10)):
        (coming / name).write_bytes(b"half")
        os.utime(coming / name, (time.time() - age,) * 2)
    assert list(blobs.owners()) == [OWNER]
    blobs.clear_abandoned()
    assert files_in(tmp_path) == [".coming/new", f"{OWNER}/{NAME}"]


def test_only_the_servers_user_may_look_into_the_folders(tmp_path: Path) -> None:
    FolderStore(tmp_path / "photos").put(OWNER, NAME, b"x")
    for folder in ("photos", f"photos/{OWNER}", f"photos/{OWNER}/ab/cd"):
        assert (tmp_path / folder).stat().st_mode & 0o077 == 0


# --- the store ---------------------------------------------------------------------------------------------------------


def test_the_stand_in_checks_signatures_as_the_published_example_says() -> None:
    """The example "GET Object" of the signing guide for S3 (AWS Signature Version 4, header-based auth), written down from
    memory; botocore gives the same signature for it."""
    headers = {
        "host": "examplebucket.s3.amazonaws.com",
        "range": "bytes=0-9",
        "x-amz-content-sha256": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
        "x-amz-date": "20130524T000000Z",
    }
    found = signature(
        "wJalrXUtnFEMI/K7MDENG/bPxRfiCYEXAMPLEKEY",
        "20130524/us-east-1/s3/aws4_request",
        "GET",
        "/test.txt",
        "",
        headers,
    )
    assert found == "f0e8bdb87c964420e857bd35b5d6ed310bd44f0170aba48dd91039c6036bdb41"


@pytest.mark.parametrize("what", ["key", "secret", "bucket"])
def test_wrong_credentials_reach_nothing(bucket: Bucket, address: str, what: str) -> None:
    told = {"key": KEY, "secret": SECRET, "bucket": "coins", what: "another"}
    blobs = S3Store(address, told["bucket"], told["key"], told["secret"], "us-east-1")
    attempts: list[Callable[[], object]] = [
        lambda: blobs.put(OWNER, NAME, b"x"),
        lambda: blobs.get(OWNER, NAME),
        # An answer to HEAD has no body, so that of a bucket which is not there looks like that of an image which is not.
        *([] if what == "bucket" else [lambda: blobs.has(OWNER, NAME)]),
        lambda: blobs.remove(OWNER, NAME),
        lambda: list(blobs.names(OWNER)),
        lambda: list(blobs.owners()),
    ]
    for attempt in attempts:
        with pytest.raises(Unreachable, match="cannot be reached"):
            attempt()
    assert bucket.objects == {}
    assert bucket.refused >= len(attempts)


def test_a_body_that_was_changed_on_the_way_is_not_kept(bucket: Bucket, address: str) -> None:
    bucket.garbles = True
    with pytest.raises(Unreachable):
        S3Store(address, "coins", KEY, SECRET, "us-east-1").put(OWNER, NAME, b"light and shade")
    assert bucket.objects == {}


def test_a_file_that_was_changed_on_the_way_is_not_kept(bucket: Bucket, address: str, tmp_path: Path) -> None:
    blobs, source = S3Store(address, "coins", KEY, SECRET, "us-east-1"), a_file(tmp_path, b"light and shade")
    bucket.garbles = True
    with pytest.raises(Unreachable):
        blobs.put_file(OWNER, NAME, source)
    assert bucket.objects == {}
    bucket.garbles, bucket.fails = False, 1
    # Asked again it begins anew.
    blobs.put_file(OWNER, NAME, source)
    assert bucket.objects == {f"{OWNER}/{NAME}": b"light and shade"}


def test_a_file_for_which_there_is_no_room_or_no_right(bucket: Bucket, address: str, tmp_path: Path) -> None:
    source = a_file(tmp_path, b"x")
    with pytest.raises(Unreachable):
        S3Store(address, "coins", KEY, "another", "us-east-1").put_file(OWNER, NAME, source)
    bucket.is_full = True
    with pytest.raises(StorageFull):
        S3Store(address, "coins", KEY, SECRET, "us-east-1").put_file(OWNER, NAME, source)
    assert bucket.objects == {}


def test_a_store_that_fails_once_is_asked_again(bucket: Bucket, address: str) -> None:
    blobs = S3Store(address, "coins", KEY, SECRET, "us-east-1")
    bucket.fails = 1
    blobs.put(OWNER, NAME, b"x")
    assert bucket.objects == {f"{OWNER}/{NAME}": b"x"}
    bucket.fails = 100
    with pytest.raises(Unreachable):
        blobs.get(OWNER, NAME)


def test_a_store_without_room_and_one_that_is_not_there(bucket: Bucket, address: str) -> None:
    bucket.is_full = True
    with pytest.raises(StorageFull):
        S3Store(address, "coins", KEY, SECRET, "us-east-1").put(OWNER, NAME, b"x")
    with serving_bucket(bucket) as gone:
        pass
    with pytest.raises(Unreachable):
        S3Store(gone, "coins", KEY, SECRET, "us-east-1").has(OWNER, NAME)


# --- which of them -----------------------------------------------------------------------------------------------------

S3 = {"s3_endpoint": "http://127.0.0.1:1", "s3_bucket": "coins", "s3_key": KEY, "s3_secret": SecretStr(SECRET)}


def settings(url: str = "sqlite:////somewhere/coins.sqlite3", **more: object) -> Settings:
    return Settings(database_url=SecretStr(url), **more)  # type: ignore[arg-type]


def test_photos_lie_beside_a_database_file_unless_told_otherwise() -> None:
    assert settings().photos_folder == Path("/somewhere/photos")
    assert settings(photos_dir=Path("/elsewhere")).photos_folder == Path("/elsewhere")
    assert settings("postgresql://me@127.0.0.1/coins").photos_folder.name == "photos"
    assert isinstance(blob_store_of(settings()), FolderStore)
    assert isinstance(blob_store_of(settings(**S3)), S3Store)


@pytest.mark.parametrize("left_out", S3)
def test_half_of_the_settings_for_s3_is_a_mistake(left_out: str) -> None:
    with pytest.raises(ValidationError, match="together"):
        settings(**{name: value for name, value in S3.items() if name != left_out})
    with pytest.raises(ValidationError):
        settings(**{**S3, "s3_endpoint": "127.0.0.1:1"})


def test_the_secret_is_never_shown() -> None:
    shown = {entry.variable: entry.current for entry in setting_lines(settings(**S3))}
    assert shown["SETWRIGHT_S3_SECRET"] == "***"
    assert {entry.variable: entry.current for entry in setting_lines(settings())}["SETWRIGHT_S3_SECRET"] == "(empty)"
    assert SECRET not in repr(settings(**S3)) + str(list(shown.values()))
