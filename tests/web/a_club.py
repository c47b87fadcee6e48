"""A club of three with a set that each has some of: the demo's people, coins and set (service/demo/circle.py)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
from msgspec import json

from service.demo.circle import CLUB, READER, SET, STEWARD, coins_of, revised
from tests.pictures import coin, picture

THIRD = "Cosmo Wick"
ANY = {"If-Match": "*"}
ALL = {"standing": True, "spares": True, "display": True}


class Member:
    """Somebody with an account and the coins of one of the demo's people; in the club once `joined`."""

    def __init__(self, client: httpx.Client, token: str, name: str) -> None:
        self.name, self.token, self._client = name, token, client
        for held in coins_of(name):
            self.ask("POST", "/v1/holdings", held)

    def request(self, method: str, path: str, body: Any = None, **headers: str) -> httpx.Response:
        sent = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json", **ANY, **headers}
        return self._client.request(method, path, headers=sent, content=None if body is None else json.encode(body))

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        answer = self.request(method, path, body)
        assert answer.is_success, answer.text
        return answer.json() if answer.content else None

    def photograph(self, holding: str, side: str = "obverse", content: bytes = b"") -> None:
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "image/jpeg"}
        photo = content or picture(image=coin(400, 300))
        answer = self._client.post(f"/v1/holdings/{holding}/photos?side={side}", headers=headers, content=photo)
        assert answer.is_success, answer.text

    def published(self, document: Any) -> str:
        """The id of a definition of the member's own with one revision."""
        made: str = self.ask("POST", "/v1/definitions", {"document": document})["id"]
        self.ask("POST", f"/v1/definitions/{made}/revisions?acknowledged=true")
        return made

    def revised(self, definition: str, document: Any) -> None:
        self.ask("PUT", f"/v1/definitions/{definition}", {"document": document})
        self.ask("POST", f"/v1/definitions/{definition}/revisions?acknowledged=true")


class Circle:
    """The club: founded by its steward, who offers the set; the others have an invitation. `own` is the steward's definition."""

    def __init__(self, client: httpx.Client, newcomer: Callable[[], tuple[str, str]]) -> None:
        self.steward, self.reader, self.third = (
            Member(client, newcomer()[1], name) for name in (STEWARD, READER, THIRD)
        )
        self.club = self.steward.ask("POST", "/v1/clubs", CLUB)["id"]
        self.api = f"/v1/clubs/{self.club}"
        self.own = self.steward.published(SET)
        self.offer = self.steward.ask("POST", f"{self.api}/definitions", {"definition_id": self.own})["id"]
        self.set = f"{self.api}/definitions/{self.offer}"

    def invitation(self) -> str:
        made: str = self.steward.ask("POST", f"{self.api}/invitations", {})["invitation"]
        return made

    def joined(self, member: Member, **consent: bool) -> None:
        member.ask("POST", "/v1/club-memberships", {"invitation": self.invitation(), "name": member.name})
        self.shows(member, **consent)

    def id_of(self, member: Member) -> str:
        """The member's id in this club."""
        found: str = member.ask("GET", self.api)["member_id"]
        return found

    def shows(self, member: Member, **consent: bool) -> None:
        member.ask("PUT", f"{self.set}/consent", {"standing": False, "spares": False, "display": False, **consent})

    def offers_revised(self) -> None:
        """The second revision, by the interface."""
        self.steward.revised(self.own, revised())
        self.steward.ask("POST", f"{self.set}/revisions", {"definition_id": self.own})

    def page(self) -> str:
        return f"/app/clubs/{self.club}"

    def set_page(self) -> str:
        return f"{self.page()}/sets/{self.offer}"
