"""What is kept of a photo: its pixels, upright and in plain colours, and nothing else that the file said."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps
from PIL.PngImagePlugin import PngInfo

from service.errors import Invalid, OverLimit
from service.holdings.photos.images import (
    FULL,
    JPEG,
    LARGE,
    PHOTO_TYPES,
    PNG,
    SMALL,
    WEBP,
    name_of,
    photo_type_of,
    prepare_photo,
)
from tests.pictures import PLACE, chunk, coin, exif, jpeg_of, picture, png_of, webp_of
from tests.strategies import examples

# Pillow warns of what it cannot read in a file; that is no fault of the program.
pytestmark = pytest.mark.filterwarnings("ignore::UserWarning:PIL")

# Its date (bytes 24 to 35 of a profile's head, ICC.1, section 7.2.8) is that of the run; here it is always the same.
_MADE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
PROFILE = _MADE[:24] + bytes(12) + _MADE[36:]
XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><canary-xmp/></x:xmpmeta>"


def opened(raw: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(raw))
    image.load()
    return image


def codes(refusal: pytest.ExceptionInfo[Invalid]) -> list[str]:
    return [fault.code for fault in refusal.value.faults]


@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_a_photo_is_kept_whole_and_in_two_small_sizes(kind: str) -> None:
    photo = prepare_photo(picture(kind, coin(1000, 700)), kind)
    assert (photo.kind, photo.width, photo.height) == (kind, 1000, 700)
    sizes = {size: opened(image).size for size, image in photo.images.items()}
    assert sizes == {FULL: (1000, 700), LARGE: (640, 448), SMALL: (160, 112)}
    assert {photo_type_of(image) for image in photo.images.values()} == {kind}
    assert photo.digest == hashlib.sha256(photo.images[FULL]).hexdigest()
    assert photo.stored_bytes == sum(len(image) for image in photo.images.values())
    assert name_of(photo.digest, SMALL) == f"{photo.digest[:2]}/{photo.digest[2:4]}/{photo.digest}-160"


def test_a_small_photo_is_not_blown_up_and_a_thin_one_keeps_a_pixel() -> None:
    photo = prepare_photo(picture(PNG, coin(40, 30)), PNG)
    assert {opened(image).size for image in photo.images.values()} == {(40, 30)}
    thin = prepare_photo(picture(PNG, Image.new("RGB", (5000, 1))), PNG)
    assert opened(thin.images[SMALL]).size == (160, 1)


@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_the_same_file_gives_the_same_bytes(kind: str) -> None:
    raw = picture(kind)
    assert prepare_photo(raw, kind).images == prepare_photo(raw, kind).images


def test_pixels_of_a_png_are_kept_exactly() -> None:
    noise = Image.fromarray(np.random.default_rng(1).integers(0, 256, (50, 70, 3), dtype=np.uint8))
    kept = opened(prepare_photo(picture(PNG, noise), PNG).images[FULL])
    assert np.array_equal(np.asarray(kept), np.asarray(noise))


@pytest.mark.parametrize("kind", [JPEG, WEBP])
def test_pixels_of_the_others_are_kept_nearly(kind: str) -> None:
    first = coin(200, 150)
    kept = opened(prepare_photo(picture(kind, first, quality=95), kind).images[FULL]).convert("RGB")
    difference = np.abs(np.asarray(kept, dtype=int) - np.asarray(first, dtype=int))
    # Both formats lose a little at sharp edges; a hundredth on the whole is far below what an eye sees.
    assert difference.mean() < 2.55


@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_nothing_that_the_file_said_besides_survives(kind: str) -> None:
    options: dict[str, Any] = {"exif": exif(), "xmp": XMP}
    options["icc_profile"] = PROFILE.replace(b"sRGB built-in", b"canary-colour")
    if kind == PNG:
        texts = PngInfo()
        texts.add_text("Comment", "canary-text")
        texts.add_text("Description", "canary-zipped" * 50, zip=True)
        texts.add_itxt("XML:com.adobe.xmp", XMP.decode())
        options = {"exif": exif(), "icc_profile": options["icc_profile"], "pnginfo": texts, "dpi": (300, 300)}
    if kind == JPEG:
        options["comment"] = b"canary-comment"
    # What comes behind the image's end is kept by many programs, and opened as another file by some.
    raw = picture(kind, coin(800, 600), **options) + b"PK\x03\x04canary-behind"
    before = opened(raw)
    assert before.getexif().get_ifd(0x8825)[2] == PLACE, "the control: the place is in what was sent"
    assert before.getexif()[0x010F] == "canary-camera"
    assert "icc_profile" in before.info
    assert b"canary" in raw
    for image in prepare_photo(raw, kind).images.values():
        after = opened(image)
        assert not dict(after.getexif())
        assert not after.getexif().get_ifd(0x8825)
        assert not after.info.keys() & {"exif", "xmp", "XML:com.adobe.xmp", "icc_profile", "comment", "Comment"}
        assert not getattr(after, "text", {})
        for word in (
            b"canary",
            b"Exif",
            b"GPS",
            b"xmpmeta",
            b"EXIF",
            b"eXIf",
            b"iCCP",
            b"ICC_PROFILE",
            b"ICCP",
            b"tEXt",
        ):
            assert word not in image, word
        if kind == PNG:
            assert [name for name in chunks_of(image) if name not in ("IHDR", "IDAT", "IEND")] == []


def chunks_of(png: bytes) -> list[str]:
    names, at = [], 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        names.append(png[at + 4 : at + 8].decode())
        at += 12 + length
    return names


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_the_orientation_is_applied_and_then_forgotten(kind: str, orientation: int) -> None:
    raw = picture(kind, coin(96, 64), exif=exif(orientation))
    expected = ImageOps.exif_transpose(opened(raw)).convert("RGB")
    # Orientations from 5 on lie on their side (Exif, tag 0x0112).
    assert expected.size == ((64, 96) if orientation >= 5 else (96, 64))
    photo = prepare_photo(raw, kind)
    kept = opened(photo.images[FULL]).convert("RGB")
    assert kept.size == (photo.width, photo.height) == expected.size
    assert np.abs(np.asarray(kept, dtype=int) - np.asarray(expected, dtype=int)).mean() < 4


def test_exif_that_cannot_be_read_says_nothing() -> None:
    assert prepare_photo(picture(JPEG, exif=b"Exif\0\0MM\0*\xff\xff\xff\xff"), JPEG).width == 64


def test_a_colour_profile_is_applied_before_it_is_dropped() -> None:
    """In a profile whose red and green are exchanged, red stands for green."""
    profile = bytearray(PROFILE)
    entries = {bytes(profile[at : at + 4]): at for at in range(132, 132 + 12 * profile[131], 12)}
    red, green = entries[b"rXYZ"] + 4, entries[b"gXYZ"] + 4
    profile[red : red + 8], profile[green : green + 8] = profile[green : green + 8], profile[red : red + 8]
    image = Image.new("RGB", (10, 10), (255, 0, 0))
    kept = opened(prepare_photo(picture(PNG, image, icc_profile=bytes(profile)), PNG).images[FULL])
    assert np.abs(np.array(kept.getpixel((5, 5))) - (0, 255, 0)).max() <= 2
    broken = picture(PNG, image, icc_profile=b"no profile at all")
    assert opened(prepare_photo(broken, PNG).images[FULL]).getpixel((5, 5)) == (255, 0, 0)


def test_a_colour_profile_of_which_a_part_is_missing_is_dropped() -> None:
    """In JPEG a profile comes in numbered parts (ICC.1, annex B; from memory): the part's number and how many there are."""
    plain = picture(JPEG, icc_profile=PROFILE)
    head = b"ICC_PROFILE\0\x01"
    assert plain.count(head + b"\x01") == 1
    torn = plain.replace(head + b"\x01", head + b"\x02")
    whole, kept = (opened(prepare_photo(raw, JPEG).images[FULL]) for raw in (plain, torn))
    assert kept.size == whole.size
    assert "icc_profile" not in kept.info


@pytest.mark.parametrize(
    ("kind", "mode", "kept"),
    [
        (JPEG, "L", "L"),
        (JPEG, "CMYK", "RGB"),
        (PNG, "1", "L"),
        (PNG, "L", "L"),
        (PNG, "LA", "RGBA"),
        (PNG, "P", "RGB"),
        (PNG, "RGBA", "RGBA"),
        (WEBP, "RGBA", "RGBA"),
        (WEBP, "RGB", "RGB"),
    ],
)
def test_every_sort_of_pixels_becomes_a_plain_one(kind: str, mode: str, kept: str) -> None:
    first = coin(64, 48, mode)
    if mode == "RGBA":
        first.putalpha(Image.linear_gradient("L").resize(first.size))
    image = opened(prepare_photo(picture(kind, first), kind).images[FULL])
    assert image.mode == kept
    brightness = np.asarray(image.convert("L"), dtype=int)
    assert brightness[14:34, 10:24].mean() - brightness[:, 40:].mean() > 100


def test_sixteen_bits_become_eight_and_not_all_white() -> None:
    # Not multiples of 257 alone, whose low byte is the high one.
    deep = np.arange(0, 65_536, 256, dtype=np.uint16).repeat(16).reshape(256, 16) + np.uint16(255)
    kept = opened(prepare_photo(picture(PNG, Image.fromarray(deep)), PNG).images[FULL])
    assert kept.mode == "L"
    assert np.asarray(kept)[:, 0].tolist() == [int(value) // 257 for value in deep[:, 0]]


def test_of_a_file_with_several_pictures_the_first_is_the_photo() -> None:
    """Some phones put a second picture behind the first (CIPA DC-007)."""
    made = io.BytesIO()
    coin().save(made, "MPO", save_all=True, append_images=[Image.new("RGB", (30, 30), "red")])
    photo = prepare_photo(made.getvalue(), JPEG)
    assert (photo.width, photo.height) == (64, 48)
    assert opened(photo.images[FULL]).format == "JPEG"


@pytest.mark.parametrize("kind", [PNG, WEBP])
def test_a_picture_that_moves_is_refused(kind: str) -> None:
    raw = picture(kind, save_all=True, append_images=[Image.new("RGB", (64, 48), "red")], duration=100)
    with pytest.raises(Invalid) as refusal:
        prepare_photo(raw, kind)
    assert codes(refusal) == ["animated"]


@pytest.mark.parametrize("declared", PHOTO_TYPES)
@pytest.mark.parametrize("real", PHOTO_TYPES)
def test_a_declared_type_is_held_against_the_first_bytes(declared: str, real: str) -> None:
    if declared == real:
        assert prepare_photo(picture(real), declared).kind == declared
        return
    with pytest.raises(Invalid, match=f"declared as {declared}, but it is an image of type {real}"):
        prepare_photo(picture(real), declared)


@pytest.mark.parametrize("raw", [b"", b"\xff\xd8", b"GIF89a\1\0\1\0", b"<svg/>", b"BM", b"%PDF-1.7", b"\0" * 100])
def test_what_is_none_of_the_three_is_refused(raw: bytes) -> None:
    for kind in PHOTO_TYPES:
        with pytest.raises(Invalid) as refusal:
            prepare_photo(raw, kind)
        assert codes(refusal) == ["wrong-type"]


@pytest.mark.parametrize(
    ("kind", "raw"),
    [(PNG, png_of(60_000, 60_000)), (JPEG, jpeg_of(60_000, 60_000)), (WEBP, webp_of(60_000, 60_000))],
)
def test_too_many_pixels_are_refused_by_the_head_alone(kind: str, raw: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    def decoded(*_: object, **__: object) -> None:
        raise AssertionError("nothing is to be decoded")

    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", decoded)
    monkeypatch.setattr("PIL._webp.WebPAnimDecoder", decoded)
    with pytest.raises(OverLimit, match="60000 by 60000 pixels; the limit is 25000000"):
        prepare_photo(raw, kind)


@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_the_limit_of_pixels_is_sharp(kind: str) -> None:
    raw = picture(kind, coin(50, 40))
    assert prepare_photo(raw, kind, most_pixels=2000).width == 50
    with pytest.raises(OverLimit):
        prepare_photo(raw, kind, most_pixels=1999)


@pytest.mark.parametrize(
    ("what", "kind", "raw"),
    [
        ("a size of nothing", PNG, png_of(0, 10)),
        ("a JPEG of nothing", JPEG, jpeg_of(0, 0)),
        ("too few pixels", PNG, png_of(100, 100)),
        ("a text that unfolds", PNG, png_of(1, 1, chunk(b"zTXt", b"a\0\0" + zlib.compress(b"a" * 80_000_000)))),
        ("a head alone", WEBP, webp_of(10, 10)),
        ("a chunk of no image", WEBP, b"RIFF\x10\0\0\0WEBPABCD\4\0\0\0aaaa"),
        ("magic bytes alone", JPEG, b"\xff\xd8\xff\xe0"),
        ("a script", JPEG, b"\xff\xd8\xff/*<script>alert(1)</script>*/"),
    ],
)
def test_what_cannot_be_decoded_is_refused(what: str, kind: str, raw: bytes) -> None:
    with pytest.raises(Invalid) as refusal:
        prepare_photo(raw, kind)
    assert codes(refusal) == ["unreadable-image"], what


@pytest.mark.parametrize("kind", PHOTO_TYPES)
def test_a_file_that_ends_too_early_is_refused_wherever_it_ends(kind: str) -> None:
    noise = Image.fromarray(np.random.default_rng(2).integers(0, 256, (60, 60, 3), dtype=np.uint8))
    raw = picture(kind, noise)
    for end in range(12, len(raw) * 9 // 10, len(raw) // 40):
        with pytest.raises(Invalid) as refusal:
            prepare_photo(raw[:end], kind)
        assert codes(refusal) == ["unreadable-image"], end


@pytest.mark.parametrize("kind", PHOTO_TYPES)
@settings(max_examples=examples(60), deadline=None)
@given(data=st.data())
def test_whatever_the_bytes_it_is_a_photo_or_a_refusal(kind: str, data: st.DataObject) -> None:
    raw = bytearray(picture(kind, exif=exif(6), icc_profile=PROFILE))
    for at, value in data.draw(st.lists(st.tuples(st.integers(0, len(raw) - 1), st.integers(0, 255)), max_size=12)):
        raw[at] = value
    try:
        photo = prepare_photo(bytes(raw), kind, most_pixels=100_000)
    except Invalid as refusal:
        assert refusal.faults
    else:
        assert opened(photo.images[FULL]).size == (photo.width, photo.height)
