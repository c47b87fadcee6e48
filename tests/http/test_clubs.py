"""Clubs through the service: members and roles, invitations, what is offered and taken, standings and spares."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.clubs.actions import standings
from service.clubs.tables import club_consent, club_standing
from service.evaluation import places
from tests.conftest import Running
from tests.http.club_consent import NOTHING
from tests.http.clubhouse import Clubhouse, Headers, coin, founded, published
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio

WORN, SHARP = {"denomination": "crown", "grade": 20}, {"denomination": "crown", "grade": 60}
SHARPER: dict[str, Any] = {
    **DOCUMENT,
    "slots": [
        *DOCUMENT["slots"],
        {"id": "finest", "label": "Finest", "accepts": "denomination = 'crown' AND grade >= 65"},
    ],
}


async def test_the_founder_is_a_steward_and_the_others_are_what_their_invitation_says(service: Running) -> None:
    club = await founded(service)
    member, deputy = await club.newcomer(name="Ida Lund"), await club.newcomer("steward")
    seen = await club.get("", member)
    assert (seen["role"], seen["own_name"]) == ("member", "Ida Lund")
    assert (await club.get("", deputy))["role"] == "steward"
    listed = (await club.get("/members", member))["items"]
    assert [entry["role"] for entry in listed] == ["steward", "member", "steward"]
    assert [entry["is_you"] for entry in listed] == [False, True, False]
    mine = (await service.client.get("/v1/clubs", headers=member)).json()["items"]
    assert [entry["id"] for entry in mine] == [seen["id"]]
    assert (await service.client.get("/v1/clubs", headers=service.collector())).json()["items"] == []


async def test_members_are_not_recognised_across_clubs(service: Running) -> None:
    one, other, who = await founded(service), await founded(service), service.collector()
    await one.newcomer(who=who)
    first = one.id_of(who)
    await other.newcomer(who=who)
    assert first != other.id_of(who)
    account = (await service.client.get("/v1/account", headers=who)).json()
    told = str(await one.get("/members", one.steward)) + str(await other.get("/members", who))
    assert account["id"] not in told
    assert account["name"] not in told


async def test_the_clubs_words_are_changed_by_stewards_who_saw_them(service: Running) -> None:
    club = await founded(service)
    client, seen = service.client, await service.client.get(club.address, headers=club.steward)
    known = await client.get(club.address, headers={**club.steward, "If-None-Match": seen.headers["etag"]})
    assert known.status_code == 304
    fresh = {**club.steward, "If-Match": seen.headers["etag"], "Content-Type": "application/merge-patch+json"}
    done = await client.patch(club.address, json={"note": "By the fountain."}, headers=fresh)
    assert (done.status_code, done.json()["note"], done.json()["name"]) == (
        200,
        "By the fountain.",
        "Friends of the Ambrian Crown",
    )
    assert (await client.patch(club.address, json={"note": None}, headers=fresh)).status_code == 412
    renewed = {**fresh, "If-Match": done.headers["etag"]}
    assert (await client.patch(club.address, json={"name": None}, headers=renewed)).status_code == 422
    assert (await client.patch(club.address, json={"note": None}, headers=renewed)).json()["note"] is None


# --- invitations -------------------------------------------------------------------------------------------------------


async def test_an_invitation_is_used_once(service: Running) -> None:
    club = await founded(service)
    made, first, second = await club.invitation(), service.collector(), service.collector()
    assert made["invitation"].startswith("swc_")
    joined = await club.join(first, made["invitation"])
    assert joined.status_code == 201
    assert (await club.join(second, made["invitation"])).status_code == 403
    (listed,) = (await club.get("/invitations", club.steward))["items"]
    assert (listed["status"], listed["used_by"]) == ("used", joined.json()["member_id"])
    assert "invitation" not in listed


async def test_an_invitation_expires_or_is_revoked(service: Running) -> None:
    club = await founded(service)
    short, taken_back, who = await club.invitation(expires_in_seconds=60), await club.invitation(), service.collector()
    where = f"{club.address}/invitations/{taken_back['id']}"
    assert (await service.client.delete(where, headers=club.steward)).status_code == 204
    assert (await service.client.delete(where, headers=club.steward)).status_code == 404
    assert (await club.join(who, taken_back["invitation"])).status_code == 403
    service.app.state.clock = lambda: datetime.now(UTC) + timedelta(seconds=61)
    late = await club.join(who, short["invitation"])
    assert late.status_code == 403
    assert late.json()["detail"] == (await club.join(who, "swc_nothing")).json()["detail"]
    statuses = {entry["status"] for entry in (await club.get("/invitations", club.steward))["items"]}
    assert statuses == {"expired", "revoked"}
    service.app.state.clock = lambda: datetime.now(UTC)
    assert (await club.join(who, short["invitation"])).status_code == 201


async def test_a_name_that_is_taken_and_a_second_membership_leave_the_invitation_open(service: Running) -> None:
    club = await founded(service)
    await club.newcomer(name="Ida Lund")
    text, who = (await club.invitation())["invitation"], service.collector()
    assert (await club.join(who, text, "IDA LUND")).status_code == 409
    assert (await club.join(club.steward, text)).status_code == 409
    assert (await club.join(who, text, "Ida Lind")).status_code == 201


async def test_joining_is_repeated_safely(service: Running) -> None:
    club, who = await founded(service), service.collector()
    body = {"invitation": (await club.invitation())["invitation"], "name": "Ida Lund"}
    headers = {**who, "Idempotency-Key": "join-1"}
    answers = [await service.client.post("/v1/club-memberships", json=body, headers=headers) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].content == answers[1].content
    assert len((await club.get("/members", who))["items"]) == 2


# --- handing over, leaving, removing -----------------------------------------------------------------------------------


async def set_role(club: Clubhouse, by: Headers, whom: Headers, role: str) -> int:
    headers = {**by, "If-Match": "*", "Content-Type": "application/merge-patch+json"}
    where = f"{club.address}/members/{club.id_of(whom)}"
    return (await club.service.client.patch(where, json={"role": role}, headers=headers)).status_code


async def leave(club: Clubhouse, who: Headers) -> int:
    return (await club.service.client.delete(f"{club.address}/membership", headers=who)).status_code


async def test_handing_over_is_making_a_steward_and_stepping_down(service: Running) -> None:
    club = await founded(service)
    heir = await club.newcomer()
    assert await set_role(club, club.steward, club.steward, "member") == 409
    assert await leave(club, club.steward) == 409
    assert await set_role(club, club.steward, heir, "steward") == 200
    assert await set_role(club, club.steward, club.steward, "member") == 200
    assert await set_role(club, club.steward, heir, "member") == 403
    assert await leave(club, club.steward) == 204
    await club.get("", club.steward, 404)
    assert (await club.get("", heir))["role"] == "steward"
    told = [entry["what"] for entry in (await club.get("/audit", heir))["items"]]
    assert told == ["founded", "invited", "changed-role", "changed-role"]


async def test_a_club_ends_with_its_last_member_and_not_before(service: Running) -> None:
    club = await founded(service)
    await club.newcomer()
    headers = {**club.steward, "If-Match": "*"}
    refused = await service.client.delete(club.address, headers=headers)
    assert refused.status_code == 409
    assert "hand it over" in refused.json()["detail"]
    other = await founded(service)
    assert (await service.client.delete(other.address, headers={**other.steward, "If-Match": "*"})).status_code == 204
    last = await founded(service)
    assert await leave(last, last.steward) == 204
    for gone in (other, last):
        await gone.get("", gone.steward, 404)


async def test_who_is_removed_is_a_stranger_with_the_next_request(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer(name="Ida Lund"), await club.offered()
    await club.shows(member, offer, standing=True, spares=True)
    await club.get(f"{offer}/standings", member)
    where = f"{club.address}/members/{club.id_of(member)}"
    assert (await service.client.delete(where, headers=club.steward)).status_code == 204
    for path in ("", "/members", offer, f"{offer}/standings", "/audit"):
        await club.get(path, member, 404)
    assert (await club.get(f"{offer}/standings", club.steward))["items"] == []
    assert (await service.client.delete(where, headers=club.steward)).status_code == 404
    deed = (await club.get("/audit", club.steward))["items"][-1]
    assert (deed["what"], deed["whom"]["name"], deed["by"]["name"]) == ("removed-member", "Ida Lund", "The founder")
    # Coming back, nothing is shown that was shown before.
    await club.newcomer(who=member)
    assert await club.get(f"{offer}/consent", member) == NOTHING


async def test_leaving_takes_ones_data_along(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer("steward"), await club.offered()
    await coin(service, member, **WORN)
    await club.shows(member, offer, standing=True, spares=True)
    await club.get(f"{offer}/standings", member)
    own = (await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)).json()
    mine = await published(service, member, SHARPER)
    sent = await service.client.post(f"{club.address}/definitions", json={"definition_id": mine}, headers=member)
    assert sent.status_code == 201

    def left(connection: Any) -> list[int]:
        tables = (club_consent, club_standing)
        return [sum(str(row.owner_id) == account for row in connection.execute(table.select())) for table in tables]

    account = (await service.client.get("/v1/account", headers=member)).json()["id"]
    assert service.app.state.database.read(left) == [1, 1]
    assert await leave(club, member) == 204
    assert service.app.state.database.read(left) == [0, 0]
    # The copy is the member's own; what was offered as a steward stays with the club.
    assert (await service.client.get(f"/v1/definitions/{own['definition_id']}", headers=member)).status_code == 200
    assert len((await club.get("/definitions", club.steward))["items"]) == 2


async def test_a_standing_that_is_not_shown_any_more_is_not_remembered(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer(), await club.offered()
    account = (await service.client.get("/v1/account", headers=member)).json()["id"]

    def remembered(connection: Any) -> int:
        return sum(str(row.owner_id) == account for row in connection.execute(club_standing.select()))

    for consent, kept in (({"standing": True, "display": True}, 1), ({"spares": True}, 1), ({"display": True}, 0)):
        await club.shows(member, offer, **consent)
        for what in ("standings", "spares", "display"):
            await club.get(f"{offer}/{what}", club.steward)
        assert service.app.state.database.read(remembered) == kept


async def test_stewards_who_step_down_together_leave_one_who_steers(service: Running) -> None:
    for _ in range(5):
        club = await founded(service)
        others = [await club.newcomer("steward") for _ in range(2)]
        everybody = [club.steward, *others]
        done = await asyncio.gather(
            *(set_role(club, who, who, "member") for who in everybody[:2]), leave(club, everybody[2])
        )
        assert sorted(done)[2] == 409
        roles = [entry["role"] for entry in (await club.get("/members", club.steward))["items"] if entry]
        assert roles.count("steward") == 1


async def test_of_several_who_come_with_one_invitation_one_gets_in(service: Running) -> None:
    club = await founded(service)
    text, people = (await club.invitation())["invitation"], [service.collector() for _ in range(5)]
    done = await asyncio.gather(*(club.join(who, text) for who in people))
    assert sorted(answer.status_code for answer in done) == [201, 403, 403, 403, 403]
    assert len((await club.get("/members", club.steward))["items"]) == 2


async def test_consents_and_standings_at_the_same_time_never_fail(service: Running) -> None:
    club, member, offer = await a_shown_club(service)

    async def change() -> None:
        for number in range(12):
            await club.shows(member, offer, standing=number % 3 > 0, spares=number % 2 > 0)

    async def look() -> None:
        for number in range(12):
            if number % 4 == 0:
                await coin(service, member, **WORN)
            await club.get(f"{offer}/standings", club.steward)

    await asyncio.gather(change(), look(), look())
    await club.shows(member, offer)
    assert (await club.get(f"{offer}/standings", club.steward))["items"] == []


# --- what is offered ---------------------------------------------------------------------------------------------------


async def test_a_definition_is_offered_taken_and_revised(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer(), await club.offered()
    seen = await club.get(offer, member)
    assert (seen["revision"], seen["document"], seen["copy"]) == (1, DOCUMENT, None)
    taken = await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)
    assert taken.status_code == 201, taken.text
    mine = await service.client.get(taken.headers["location"], headers=member)
    assert (mine.json()["status"], mine.json()["digest"]) == ("published", seen["digest"])
    assert (await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)).status_code == 409
    # A newer revision is announced; the member's own set stays as it is.
    newer = await published(service, club.steward, SHARPER)
    body = {"definition_id": newer, "note": "One place more."}
    for status in (201, 409):
        sent = await service.client.post(f"{club.address}{offer}/revisions", json=body, headers=club.steward)
        assert sent.status_code == status, sent.text
    told = (await club.get("/announcements", member))["items"]
    assert [(entry["kind"], entry["revision"], entry["note"]) for entry in told] == [
        ("offered", 1, None),
        ("revised", 2, "One place more."),
    ]
    now = await club.get(offer, member)
    assert (now["revision"], now["copy"]) == (2, {"definition_id": mine.json()["id"], "revision": 1})
    assert (await club.get(f"{offer}?revision=1", member))["document"] == DOCUMENT
    await club.get(f"{offer}?revision=3", member, 404)
    again = await service.client.get(taken.headers["location"], headers=member)
    assert again.content == mine.content


async def test_an_offer_that_is_withdrawn_is_gone_and_copies_stay(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer(), await club.offered()
    await club.shows(member, offer, standing=True)
    taken = await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)
    headers = {**club.steward, "If-Match": "*"}
    assert (await service.client.delete(club.address + offer, headers=headers)).status_code == 204
    for path in (offer, f"{offer}/standings", f"{offer}/consent"):
        await club.get(path, member, 404)
    assert (await service.client.get(taken.headers["location"], headers=member)).status_code == 200
    assert (await club.get("/announcements", member))["items"][-1]["kind"] == "withdrawn"


async def test_only_ones_own_published_definitions_are_offered(service: Running) -> None:
    club, other = await founded(service), service.collector()
    theirs = await published(service, other)
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=club.steward)
    for own, status in ((theirs, 404), (made.json()["id"], 409)):
        body = {"definition_id": own}
        sent = await service.client.post(f"{club.address}/definitions", json=body, headers=club.steward)
        assert sent.status_code == status


# --- standings and spares ----------------------------------------------------------------------------------------------


async def a_shown_club(service: Running) -> tuple[Clubhouse, Headers, str]:
    """A member with both places filled and three coins over, two of them in one holding."""
    club = await founded(service)
    member, offer = await club.newcomer(), await club.offered()
    for facts in (WORN, SHARP, {**SHARP, "grade": 50}, {"denomination": "florin"}):
        await coin(service, member, **facts)
    twice = {"facts": {**WORN, "grade": 10}, "quantity": 2}
    assert (await service.client.post("/v1/holdings", json=twice, headers=member)).status_code == 201
    await club.shows(member, offer, standing=True, spares=True)
    return club, member, offer


async def test_a_standing_tells_places_and_nothing_of_coins(service: Running) -> None:
    club, member, offer = await a_shown_club(service)
    listed = await club.get(f"{offer}/standings", club.steward)
    (entry,) = listed["items"]
    assert entry["counts"] == {"places": 2, "filled": 2, "tentative": 0, "empty": 0, "proven_optimal": True}
    assert entry["member"]["id"] == club.id_of(member)
    whole = await club.get(f"{offer}/standings/{club.id_of(member)}", club.steward)
    assert [(place["place"], place["status"]) for place in whole["places"]] == [("worn", "filled"), ("sharp", "filled")]
    assert {"member", "counts", "places", "definition", "evaluated_on", "reference_edition", "engine_version"} == set(
        whole
    )


async def test_spares_tell_the_places_that_they_fit(service: Running) -> None:
    club, member, offer = await a_shown_club(service)
    (entry,) = (await club.get(f"{offer}/spares", club.steward))["items"]
    assert (entry["holdings"], entry["pieces"]) == (2, 3)
    (sharp,) = (await club.get(f"{offer}/spares?place=sharp", club.steward))["items"]
    assert (sharp["holdings"], sharp["pieces"]) == (1, 1)
    coins = (await club.get(f"{offer}/spares/{club.id_of(member)}", club.steward))["items"]
    assert sorted((entry["pieces"], entry["places"]) for entry in coins) == [(1, ["sharp"]), (2, ["worn"])]
    kept = (await service.client.get("/v1/holdings", headers=member)).text
    assert all(entry["id"] not in kept and set(entry) == {"id", "pieces", "places"} for entry in coins)
    first = await club.get(f"{offer}/spares/{club.id_of(member)}?limit=1", club.steward)
    second = (await service.client.get(first["next"], headers=club.steward)).json()
    assert [*first["items"], *second["items"]] == coins
    assert second["next"] is None


async def test_each_consent_shows_its_own_and_ends_at_once(service: Running) -> None:
    club, member, offer = await a_shown_club(service)
    mine = club.id_of(member)
    await club.get(f"{offer}/standings", club.steward)
    for standing, spares in ((True, False), (False, True), (False, False)):
        await club.shows(member, offer, standing=standing, spares=spares)
        given = {"standing": standing, "spares": spares, "display": False, "photos": False}
        assert await club.get(f"{offer}/consent", member) == given
        for what, shown in (("standings", standing), ("spares", spares)):
            assert len((await club.get(f"{offer}/{what}", club.steward))["items"]) == shown
            await club.get(f"{offer}/{what}/{mine}", club.steward, 200 if shown else 404)


async def test_a_consent_is_for_one_definition(service: Running) -> None:
    club, _, offer = await a_shown_club(service)
    other = await club.offered(SHARPER)
    assert len((await club.get(f"{offer}/standings", club.steward))["items"]) == 1
    assert (await club.get(f"{other}/standings", club.steward))["items"] == []


async def test_a_standing_follows_the_coins_the_revision_and_the_members_decisions(service: Running) -> None:
    club, member, offer = await a_shown_club(service)

    async def counts() -> Any:
        return (await club.get(f"{offer}/standings", club.steward))["items"][0]["counts"]

    assert (await counts())["filled"] == 2
    taken = await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)
    held = (await service.client.get("/v1/holdings", headers=member)).json()["items"]
    never = [{"holding": entry["id"], "place": "sharp"} for entry in held]
    headers = {**member, "If-Match": "*"}
    pins = f"{taken.headers['location']}/pins"
    assert (await service.client.put(pins, json={"pins": [], "nevers": never}, headers=headers)).status_code == 200
    assert (await counts())["filled"] == 1
    assert (await service.client.put(pins, json={"pins": [], "nevers": []}, headers=headers)).status_code == 200
    newer = await published(service, club.steward, SHARPER)
    body = {"definition_id": newer}
    sent = await service.client.post(f"{club.address}{offer}/revisions", json=body, headers=club.steward)
    assert sent.status_code == 201
    assert await counts() == {"places": 3, "filled": 2, "tentative": 0, "empty": 1, "proven_optimal": True}
    await coin(service, member, denomination="crown", grade=66)
    assert (await counts())["filled"] == 3


async def test_a_standing_is_evaluated_once_and_known_by_its_tag(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, member, offer = await a_shown_club(service)
    made, real = [], standings.stand

    def counted(request: Any) -> Any:
        made.append(request)
        return real(request)

    monkeypatch.setattr(standings, "stand", counted)
    first = await service.client.get(f"{club.address}{offer}/standings", headers=club.steward)
    again = await service.client.get(f"{club.address}{offer}/standings", headers=club.steward)
    assert (len(made), again.content) == (1, first.content)
    headers = {**club.steward, "If-None-Match": first.headers["etag"]}
    assert (await service.client.get(f"{club.address}{offer}/standings", headers=headers)).status_code == 304
    # One spare coin more is evaluated, and changes nothing of what the standings show.
    await coin(service, member, **WORN)
    assert (await service.client.get(f"{club.address}{offer}/standings", headers=headers)).status_code == 304
    assert len(made) == 2
    assert (await club.get(f"{offer}/spares", club.steward))["items"][0]["pieces"] == 4
    assert len(made) == 2


async def test_a_consent_that_ends_while_it_is_computed_is_kept_to(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, member, offer = await a_shown_club(service)
    real, database = standings.stand, service.app.state.database

    def interrupted(request: Any) -> Any:
        database.write(lambda connection: connection.execute(club_consent.delete()))
        return real(request)

    monkeypatch.setattr(standings, "stand", interrupted)
    assert (await club.get(f"{offer}/standings", club.steward))["items"] == []
    await club.shows(member, offer, standing=True)
    await club.get(f"{offer}/standings/{club.id_of(member)}", club.steward, 404)
    assert database.read(lambda c: c.execute(club_standing.select()).all()) == []


async def test_a_cold_page_ends_early_and_goes_on(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standings, "MOST_NEW", 2)
    club = await founded(service)
    offer = await club.offered()
    for _ in range(5):
        await club.shows(await club.newcomer(), offer, standing=True)
    for sizes in ([2, 2, 1], [5]):
        where, found = f"{club.address}{offer}/standings", []
        while where:
            answer = (await service.client.get(where, headers=club.steward)).json()
            found.append(len(answer["items"]))
            where = answer["next"]
        assert found == sizes


async def test_one_whose_coins_cannot_be_evaluated_does_not_hide_the_others(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(places, "MOST_PLACES", 2)
    club = await founded(service)
    open_ended = {
        "format": "set-definition/1",
        "title": "One of each value",
        "one_per": [{"id": "value", "attribute": "denomination", "keys": {"from": "holdings"}}],
    }
    offer, member, other = await club.offered(open_ended), await club.newcomer(), await club.newcomer()
    for value in ("crown", "florin", "penny"):
        await coin(service, member, denomination=value)
    await coin(service, other, denomination="crown")
    for who in (member, other):
        await club.shows(who, offer, standing=True, spares=True)
    items = (await club.get(f"{offer}/standings", club.steward))["items"]
    assert [entry["counts"] and entry["counts"]["filled"] for entry in items] == [None, 1]
    assert (await club.get(f"{offer}/spares", club.steward))["items"][0]["pieces"] is None
    assert (await club.get(f"{offer}/standings/{club.id_of(member)}", other))["places"] == []
