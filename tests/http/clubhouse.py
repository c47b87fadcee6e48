"""Clubs for tests: founded, joined, with something offered, all through the service."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

from tests.conftest import Running
from tests.http.examples import DOCUMENT
from tests.pictures import photo_upload

Headers = dict[str, str]


@dataclass
class Clubhouse:
    """A club and its founder. `address` is where it is kept."""

    service: Running
    steward: Headers
    address: str
    ids: dict[str, str] = field(default_factory=dict)
    """Members' ids by the authorization that they send."""

    async def get(self, path: str, who: Headers, status: int = 200) -> Any:
        answer = await self.service.client.get(self.address + path, headers=who)
        assert answer.status_code == status, answer.text
        return answer.json()

    async def invitation(self, role: str = "member", **more: Any) -> dict[str, Any]:
        answer = await self.service.client.post(
            f"{self.address}/invitations", json={"role": role, **more}, headers=self.steward
        )
        assert answer.status_code == 201, answer.text
        made: dict[str, Any] = answer.json()
        return made

    async def newcomer(self, role: str = "member", who: Headers | None = None, name: str | None = None) -> Headers:
        """Somebody with a membership."""
        who = who or self.service.collector()
        text = (await self.invitation(role))["invitation"]
        answer = await self.join(who, text, name)
        assert answer.status_code == 201, answer.text
        self.ids[who["Authorization"]] = answer.json()["member_id"]
        return who

    async def join(self, who: Headers, text: str, name: str | None = None) -> Any:
        body = {"invitation": text, "name": name or f"Member {uuid4()}"}
        return await self.service.client.post("/v1/club-memberships", json=body, headers=who)

    def id_of(self, who: Headers) -> str:
        return self.ids[who["Authorization"]]

    async def offered(self, document: dict[str, Any] = DOCUMENT) -> str:
        """The address, within the club, of a definition that the founder offers."""
        own = await published(self.service, self.steward, document)
        answer = await self.service.client.post(
            f"{self.address}/definitions", json={"definition_id": own}, headers=self.steward
        )
        assert answer.status_code == 201, answer.text
        return f"/definitions/{answer.json()['id']}"

    async def swappers(self, one: Headers, other: Headers, offer: str) -> dict[str, Any]:
        """Two members who each have what the other lacks of Two crowns, and share it: the body that proposes their swap."""
        for who, grades in ((one, (10, 20)), (other, (45, 60))):
            for grade in grades:
                await coin(self.service, who, denomination="crown", grade=grade)
            await self.shows(who, offer, standing=True, spares=True)
        (swap,) = (await self.get(f"{offer}/swaps", one))["items"]
        return {"definition_id": offer.rsplit("/", 1)[1], "swap": swap["key"]}

    async def proposed(self, one: Headers, other: Headers, offer: str) -> str:
        """Where the swap is kept that the first of two proposed to the other."""
        body = await self.swappers(one, other, offer)
        answer = await self.service.client.post(f"{self.address}/swaps", json=body, headers=one)
        assert answer.status_code == 201, answer.text
        return answer.headers["location"]

    async def photographed(self, who: Headers, offer: str) -> str:
        """The address of a photo in the display: each of the member's coins gets one, and the member shows everything."""
        for held in (await self.service.client.get("/v1/holdings", headers=who)).json()["items"]:
            added = await self.service.client.post(
                f"/v1/holdings/{held['id']}/photos?side=obverse", **photo_upload(who)
            )
            assert added.status_code == 201, added.text
        await self.shows(who, offer, standing=True, spares=True, display=True, photos=True)
        exhibits = (await self.get(f"{offer}/display", who))["exhibits"]
        found: str = next(photo["image"] for exhibit in exhibits for photo in exhibit["photos"])
        return found

    async def shows(
        self,
        who: Headers,
        offer: str,
        *,
        standing: bool = False,
        spares: bool = False,
        display: bool = False,
        photos: bool = False,
    ) -> None:
        body = {"standing": standing, "spares": spares, "display": display, "photos": photos}
        answer = await self.service.client.put(f"{self.address}{offer}/consent", json=body, headers=who)
        assert (answer.status_code, answer.json()) == (200, body)


async def founded(service: Running, steward: Headers | None = None) -> Clubhouse:
    steward = steward or service.collector()
    body = {"name": "Friends of the Ambrian Crown", "own_name": "The founder"}
    answer = await service.client.post("/v1/clubs", json=body, headers=steward)
    assert answer.status_code == 201, answer.text
    ids = {steward["Authorization"]: answer.json()["member_id"]}
    return Clubhouse(service, steward, answer.headers["location"], ids)


async def published(service: Running, owner: Headers, document: dict[str, Any] = DOCUMENT) -> str:
    """The id of a definition of the owner's with one published revision."""
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=owner)
    assert made.status_code == 201, made.text
    done = await service.client.post(
        f"{made.headers['location']}/revisions?acknowledged=true", headers={**owner, "If-Match": "*"}
    )
    assert done.status_code == 201, done.text
    identity: str = made.json()["id"]
    return identity


async def coin(service: Running, owner: Headers, **facts: Any) -> str:
    answer = await service.client.post("/v1/holdings", json={"facts": facts}, headers=owner)
    assert answer.status_code == 201, answer.text
    identity: str = answer.json()["id"]
    return identity
