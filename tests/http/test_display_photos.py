"""Photos in a club's display: by a consent of their own, for as long as it lasts, and for nobody else."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest
from sqlalchemy import Connection, update

from service.clubs.actions import displays
from service.clubs.tables import club_consent
from tests.conftest import Running
from tests.http.club_consent import told_beyond
from tests.http.clubhouse import Clubhouse, Headers, founded
from tests.http.test_club_display import crown, holding, two_lenders
from tests.pictures import coin, picture

pytestmark = pytest.mark.anyio


async def photographed(service: Running, owner: Headers, held: str, side: str, shade: int) -> None:
    """A photo of its own for a side of a coin, larger than what is shown of it."""
    image = coin(800, 600)
    image.putpixel((0, 0), (shade, 0, 0))
    headers = {**owner, "Content-Type": "image/png"}
    answer = await service.client.post(
        f"/v1/holdings/{held}/photos?side={side}", content=picture("image/png", image), headers=headers
    )
    assert answer.status_code == 201, answer.text


async def with_photos(service: Running) -> tuple[Clubhouse, str, Headers, Headers, list[str]]:
    """Two lenders: of Ada's coin of 1887 there are three photos, of her crown of 1892 one, and one of each of Ben's."""
    club, offer, ada, ben, ids = await two_lenders(service)
    for at, side in enumerate(("reverse", "obverse", "edge")):
        await photographed(service, ada, ids[0], side, at)
    for at, (who, held) in enumerate(((ada, ids[1]), *((ben, one) for one in ids[2:])), start=10):
        await photographed(service, who, held, "obverse", at)
    return club, offer, ada, ben, ids


async def seen(club: Clubhouse, offer: str, who: Headers) -> dict[str, list[dict[str, Any]]]:
    """The photos in the display by place."""
    exhibits = (await club.get(f"{offer}/display", who))["exhibits"]
    return {exhibit["place"]: exhibit["photos"] for exhibit in exhibits}


async def test_photos_are_seen_by_members_with_a_consent_of_their_own(service: Running) -> None:
    club, offer, ada, ben, _ = await with_photos(service)
    assert await seen(club, offer, ben) == {"1902": [], "1887": [], "1892": []}, "the display alone shows none"
    await club.shows(ada, offer, display=True, photos=True)
    shown = await seen(club, offer, ben)
    assert [photo["side"] for photo in shown["1887"]] == ["obverse", "reverse", "edge"]
    assert (len(shown["1892"]), shown["1902"]) == (1, []), "of Ada's coins, and of Ben's none"
    assert {(photo["width"], photo["height"]) for photo in shown["1887"]} == {(800, 600)}
    where = shown["1887"][0]["image"]
    for who in (ben, club.steward, ada):
        large, small = [await service.client.get(f"{where}?size={size}", headers=who) for size in ("640", "160")]
        assert (large.status_code, large.headers["content-type"]) == (200, "image/png")
        assert len(small.content) < len(large.content)
        # Whether it may still be seen is asked each time.
        assert large.headers["cache-control"] == "private, no-cache"
        again = await service.client.get(where, headers={**who, "If-None-Match": large.headers["etag"]})
        assert again.status_code == 304
    # The whole image is its owner's alone.
    assert (await service.client.get(f"{where}?size=full", headers=ben)).status_code == 422
    page = await service.client.get(f"{club.address}{offer}/display?format=html", headers=ben)
    assert "<img" not in page.text, "nothing to take along"


async def test_a_photo_is_reached_by_members_alone_and_while_the_consent_lasts(service: Running) -> None:
    club, offer, ada, ben, _ = await with_photos(service)
    await club.shows(ada, offer, display=True, photos=True)
    where = (await seen(club, offer, ben))["1887"][0]["image"]
    tag = (await service.client.get(where, headers=ben)).headers["etag"]

    async def status(who: Headers, address: str = where, **more: str) -> int:
        return (await service.client.get(address, headers={**who, **more})).status_code

    assert await status(ben) == 200
    assert await status({}) == 401
    assert await status(service.collector()) == 404, "who is no member"
    # At another member, under another name, in another set of the club's, in another club.
    own = club.id_of(ada)
    assert await status(ben, where.replace(own, club.id_of(ben))) == 404
    assert await status(ben, where[:-32] + "0" * 32) == 404
    assert await status(ben, where[:-32] + "x") == 404
    other = await club.offered({**await document(club, offer), "title": "The same once more"})
    await club.shows(ada, other, display=True, photos=True)
    assert await status(ben, where.replace(offer, other)) == 404
    elsewhere = await founded(service, ben)
    assert await status(ben, where.replace(club.address, elsewhere.address)) == 404
    for consent in (
        {"display": True},
        {"standing": True, "spares": True, "display": True},
        {"standing": True, "spares": True},
        {},
    ):
        await club.shows(ada, offer, **consent)
        assert await status(ben) == 404, consent
        # Who knows the image is not told that it is the same still.
        assert await status(ben, **{"If-None-Match": tag}) == 404
        assert not any((await seen(club, offer, ben)).values())
        await club.shows(ada, offer, display=True, photos=True)
        assert await status(ben) == 200, "the control: it is the consent that it depends on"
    # Leaving takes the photos along, and whoever was removed sees none.
    removed = await service.client.delete(f"{club.address}/members/{club.id_of(ben)}", headers=club.steward)
    assert removed.status_code == 204
    assert (await status(ben), await status(club.steward)) == (404, 200)
    assert (await service.client.delete(f"{club.address}/membership", headers=ada)).status_code == 204
    assert await status(club.steward) == 404


async def document(club: Clubhouse, offer: str) -> dict[str, Any]:
    found: dict[str, Any] = (await club.get(offer, club.steward))["document"]
    return found


async def test_photos_go_with_the_coin(service: Running) -> None:
    club, offer, ada, ben, ids = await with_photos(service)
    for who in (ada, ben):
        await club.shows(who, offer, display=True, photos=True)
    shown = await seen(club, offer, club.steward)
    assert [len(shown[place]) for place in ("1887", "1892", "1902")] == [3, 1, 1]

    async def status(address: str) -> int:
        return (await service.client.get(address, headers=club.steward)).status_code

    # Of Ben's coins one is sold, and one fits nothing: both have a photo, and neither is told of.
    told = [coin["description"] for coin in (await club.get(f"{offer}/consent/preview", ben))["display"]]
    assert told == ["1892 crown", "1902 crown"] or told == ["1902 crown", "1892 crown"]
    obverse, edge = shown["1887"][0]["image"], shown["1887"][2]["image"]
    headers = {**ada, "If-Match": "*"}
    patch = {**headers, "Content-Type": "application/merge-patch+json"}
    photos = (await service.client.get(f"/v1/holdings/{ids[0]}/photos", headers=ada)).json()["items"]
    gone = next(photo for photo in photos if photo["side"] == "edge")
    assert (
        await service.client.delete(f"/v1/holdings/{ids[0]}/photos/{gone['id']}", headers=headers)
    ).status_code == 204
    assert (await status(edge), await status(obverse)) == (404, 200)
    # A coin that is sold is not the club's to look at any more, nor one that fits no place.
    for change in ({"status": "sold"}, {"status": "held", "facts": {"denomination": "florin"}}):
        patched = await service.client.patch(f"/v1/holdings/{ids[0]}", json=change, headers=patch)
        assert patched.status_code == 200, patched.text
        assert await status(obverse) == 404, change
    back = {"facts": crown(1887, 30)}
    assert (await service.client.patch(f"/v1/holdings/{ids[0]}", json=back, headers=patch)).status_code == 200
    assert await status(obverse) == 200
    assert (await service.client.delete(f"/v1/holdings/{ids[0]}", headers=headers)).status_code == 204
    assert await status(obverse) == 404


async def test_photos_are_shown_with_their_coins_alone(service: Running) -> None:
    club, offer, ada, _, _ = await with_photos(service)
    where = f"{club.address}{offer}/consent"
    nothing = {"standing": False, "spares": False, "display": False, "photos": False}
    both = {**nothing, "display": True, "photos": True}
    for sent, kept in (
        ({"standing": False, "spares": False, "photos": True}, nothing),
        (both, both),
        # As somebody sends it who knows three consents.
        ({"standing": False, "spares": False, "display": True}, {**nothing, "display": True}),
        (both, both),
        ({**both, "display": False}, nothing),
        ({**nothing, "display": True}, {**nothing, "display": True}),
    ):
        answer = await service.client.put(where, json=sent, headers=ada)
        assert (answer.status_code, answer.json()) == (200, kept), sent
        assert await club.get(f"{offer}/consent", ada) == kept


async def test_the_preview_tells_each_photo_beforehand(service: Running) -> None:
    club, offer, ada, ben, _ = await with_photos(service)
    before = await club.get(f"{offer}/consent/preview", ada)
    photos = [photo for coin in before["display"] for photo in coin["photos"]]
    assert len(photos) == 4
    for photo in photos:
        # Before anybody else may: at the owner's own address, which is nobody else's.
        assert (await service.client.get(photo["image"], headers=ada)).status_code == 200
        assert (await service.client.get(photo["image"], headers=ben)).status_code == 404
    await club.shows(ada, offer, display=True, photos=True)
    exhibits = (await club.get(f"{offer}/display", ben))["exhibits"]
    mine = [exhibit for exhibit in exhibits if exhibit["owner"] == "Ada Fern"]
    assert sum(len(exhibit["photos"]) for exhibit in mine) == 4
    assert told_beyond(before, exhibits=mine) == []
    assert await club.get(f"{offer}/consent/preview", ada) == before
    # The control: a photo that was not told of is seen.
    (untold,) = [{**exhibit, "photos": [{**exhibit["photos"][0], "side": "edge"}]} for exhibit in mine[1:]]
    assert told_beyond(before, exhibits=[untold]) == ["a photo"]


def without_photos(connection: Connection, owner: str) -> None:
    connection.execute(update(club_consent).where(club_consent.c.owner_id == owner).values(photos=False))


async def test_who_ceases_to_consent_meanwhile_shows_no_photo(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, offer, ada, ben, _ = await with_photos(service)
    await club.shows(ada, offer, display=True, photos=True)
    where = (await seen(club, offer, ben))["1887"][0]["image"]
    account = (await service.client.get("/v1/account", headers=ada)).json()["id"]
    ends = partial(service.app.state.database.write, partial(without_photos, owner=account))

    def ending(real: Any) -> Any:
        def meanwhile(*parts: Any, **more: Any) -> Any:
            made = real(*parts, **more)
            ends()
            return made

        return meanwhile

    with monkeypatch.context() as patched:
        patched.setattr(displays, "_displayed", ending(displays._displayed))
        shown = await seen(club, offer, ben)
    assert shown["1887"] == [], "the coin is lent still, and its photo is not"
    await club.shows(ada, offer, display=True, photos=True)
    with monkeypatch.context() as patched:
        patched.setattr(displays, "lendable_coins", ending(displays.lendable_coins))
        assert (await service.client.get(where, headers=ben)).status_code == 404


async def test_a_coin_of_which_nothing_is_shown_has_no_address(service: Running) -> None:
    """A coin that another member's better one keeps out of the display."""
    club, offer, ada, ben, ids = await with_photos(service)
    for who in (ada, ben):
        await club.shows(who, offer, display=True, photos=True)
    text = str(await club.get(f"{offer}/display", club.steward))
    assert text.count("/photos/") == 5, "three and one of Ada's, one of Ben's two"
    better = await holding(service, ben, facts=crown(1892, 60))
    await photographed(service, ben, better, "obverse", 99)
    assert (await seen(club, offer, ada))["1892"][0]["image"].split("/")[-3] == club.id_of(ben)
    assert ids[1] not in str(await club.get(f"{offer}/display", ada))
