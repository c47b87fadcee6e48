"""A deleted account leaves nothing behind but what the documentation names, and takes nothing along that is not its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import Connection, MetaData, inspect, select, text

from service.account_data import deletion
from service.account_data.contents import owned_tables
from service.clubs.swaps.actions import proposals
from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.http.crowded_house import Person, Rows
from tests.http.house_writes import Neighbours, name_of, some
from tests.owners import recognise

pytestmark = pytest.mark.anyio

# A member's id and name in one club, where that club's own records say what somebody did there.
DOCUMENTED = {("club_audit", "by_id"), ("club_audit", "whom_id"), ("club_invitation", "used_by")}


def left_behind(connection: Connection, owner: str) -> list[str]:
    """Where the owner's id still is, in any column of any table that the database itself says it has, and as part of any text."""
    found, forms = MetaData(), (owner, owner.replace("-", ""))
    found.reflect(connection)
    where = []
    for table in found.sorted_tables:
        for row in connection.execute(select(table)):
            for column, value in row._mapping.items():
                if any(form in str(value) for form in forms):
                    where.append(f"{table.name}.{column}")
    return sorted(set(where))


async def fill_the_rest(at: Neighbours) -> None:
    """Rows in the tables of which no request makes any."""
    ada = {"owner": at.ada.id if at.house.service.app.state.database.is_sqlite is False else at.ada.id.replace("-", "")}
    plant = (
        "INSERT INTO password_reset SELECT :owner, 'digest', created_at, created_at FROM account WHERE id = :owner",
        "INSERT INTO past_mutation SELECT owner_id, id, id, 'print', 'applied' FROM holding WHERE owner_id = :owner",
    )
    for statement in plant:
        at.house.service.app.state.database.write(lambda c, s=statement: c.execute(text(s), ada))


async def gone(at: Neighbours, who: Person, rows: Rows, **more: Any) -> Any:
    return await at.house.ask("DELETE", "/v1/account", who.headers, json={"name": name_of(rows, who), **more})


@pytest.mark.parametrize("at_once", [2, 5_000])
async def test_no_row_and_no_image_of_it_remains(at: Neighbours, monkeypatch: pytest.MonkeyPatch, at_once: int) -> None:
    monkeypatch.setattr(deletion, "_ROWS_AT_ONCE", at_once)
    await fill_the_rest(at)
    before, images = at.house.rows(), at.house.blobs()
    own = {table.name for table in owned_tables()}
    # Each table that could keep something of her does so, or this test would not see that it is forgotten.
    for name in own - {"account"}:
        assert list(some(before, name, {"owner_id": at.ada.id})), name
    database = at.house.service.app.state.database
    assert len(database.read(lambda c: left_behind(c, at.ada.id))) > 30
    answer = await gone(at, at.ada, before)
    assert (answer.status_code, answer.content) == (204, b"")
    assert database.read(lambda c: left_behind(c, at.ada.id)) == []
    after = at.house.rows()
    assert at.house.blobs() == {key: image for key, image in images.items() if key[0] != at.ada.id}
    assert len(images) > len(at.house.blobs())
    _nothing_of_others_is_touched(at, before, after)
    # Her id in a club is there only where the club's records name who did what.
    for member in (at.house.members[club, at.ada.id] for club in at.house.clubs):
        where = {
            (name, column)
            for name, table in after.items()
            for row in table.values()
            for column, value in row.items()
            if member in str(value)
        }
        assert where <= DOCUMENTED


def _nothing_of_others_is_touched(at: Neighbours, before: Rows, after: Rows) -> None:
    owned = {table.name for table in owned_tables()} - {"account"}
    dissolved = set(at.ada.ids["club"][2:])
    for name, rows in before.items():
        for key, row in rows.items():
            if name in owned and row["owner_id"] != at.ada.id:
                # Also the answers of her partners: their swaps tell that they are over.
                assert after[name].get(key) == row, (name, row)
            elif name.startswith("club") and "owner_id" not in row:
                club = row["id"] if name == "club" else row["club_id"]
                assert (key in after[name]) is (club not in dissolved), (name, row)
    added = [row for name in after for key, row in after[name].items() if key not in before[name]]
    assert [row["what"] for row in added] == ["left"] * len(at.house.clubs)


async def test_the_check_sees_what_is_forgotten(at: Neighbours, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above: a table that nobody told the deletion of, and swaps that it leaves as they are.
    rows, database = at.house.rows(), at.house.service.app.state.database
    database.write(lambda c: c.execute(text("CREATE TABLE planted (owner_id VARCHAR(36), note TEXT)")))
    planted = {"owner": at.ada.id}
    try:
        database.write(lambda c: c.execute(text("INSERT INTO planted VALUES (:owner, 'x')"), planted))
        monkeypatch.setattr(proposals, "end", lambda *_: None)
        assert (await gone(at, at.ada, rows)).status_code == 204
        left = database.read(lambda c: left_behind(c, at.ada.id))
        assert left == ["planted.owner_id", "swap_proposal.legs", "swap_proposal.proposed_by"]
    finally:
        database.write(lambda c: c.execute(text("DROP TABLE planted")))


def test_every_table_of_an_owner_is_known_to_the_deletion(database: Any) -> None:
    def told(connection: Connection) -> Iterator[str]:
        found = inspect(connection)
        for name in found.get_table_names():
            if any(column["name"] == "owner_id" for column in found.get_columns(name)):
                yield name

    assert database.read(lambda c: set(told(c))) == {table.name for table in owned_tables()} - {"account"}


async def test_the_other_side_of_a_swap_is_told(at: Neighbours) -> None:
    rows, swap = at.house.rows(), f"/v1/clubs/{at.club}/swaps/{at.swap}"
    partner = next(person for person in at.house.people[1:] if at.swap in {
        row["proposal_id"] for row in some(rows, "swap_answer", {"owner_id": person.id})
    })  # fmt: skip
    before = (await at.house.done("GET", swap, partner)).json()
    assert before["state"] == "proposed"
    assert (await gone(at, at.ada, rows)).status_code == 204
    after = (await at.house.done("GET", swap, partner)).json()
    assert (after["state"], after["reason"]) == ("overtaken", "the account of a side was deleted")
    assert after["proposed_by"] == {"member_id": "00000000-0000-0000-0000-000000000000", "name": "deleted account"}
    assert [side["is_you"] for side in after["sides"]] == [True]
    mine = next(leg for leg in after["legs"] if leg["giver"]["name"] == partner.name)
    assert mine["coin"] == next(leg for leg in before["legs"] if leg["giver"]["name"] == partner.name)["coin"]
    assert (mine["place"], mine["receiver"]["name"]) == ("", "deleted account")
    theirs = next(leg for leg in after["legs"] if leg["receiver"]["name"] == partner.name)
    assert theirs["coin"] == {"label": "a coin of an account that was deleted", "issue": None, "grade": None}
    assert "Ada" not in str(after)
    listed = (await at.house.done("GET", f"/v1/clubs/{at.club}/swaps?limit=200", partner)).json()["items"]
    assert after in listed
    # It is over, whatever is answered.
    for accepts in (True, False):
        answer = await at.house.ask("PUT", f"{swap}/answer", partner.headers, json={"accepts": accepts})
        assert answer.status_code == 409, answer.text
    # And goes with the partner, who makes others stewards first.
    for club in at.house.clubs:
        where = f"/v1/clubs/{club}/members/{at.house.members[club, at.dot.id]}"
        patch = {"Content-Type": "application/merge-patch+json"}
        await at.house.done("PATCH", where, at.ben, content=b'{"role": "steward"}', headers=patch)
    assert (await gone(at, partner, rows)).status_code == 204
    left = at.house.rows()["swap_proposal"].values()
    assert all(partner.id not in str(row) and row["id"] != at.swap for row in left)


async def test_tokens_devices_and_links_end_with_the_answer(at: Neighbours) -> None:
    rows = at.house.rows()
    link = f"/v1/shared/{at.ada.texts['share'][1]}"
    assert (await at.house.service.client.get(link)).status_code == 200
    second = at.house.service.another_token(at.ada.headers)
    answers = []
    for attempt in range(12):
        if attempt == 6:
            assert (await gone(at, at.ada, rows)).status_code == 204
        tried = [await at.house.ask("GET", "/v1/holdings", who) for who in (at.ada.headers, second)]
        answers.append([answer.status_code for answer in tried])
    assert answers == [[200, 200]] * 6 + [[401, 401]] * 6
    assert (await at.house.service.client.get(link)).status_code == 404
    # Somebody else may have the name now.
    assert (await gone(at, at.ada, rows)).status_code == 401


async def test_a_club_gets_another_steward_first(service: Running) -> None:
    steward, heir = service.collector(), service.collector()
    club = await clubhouse.founded(service, steward)
    assert (await club.join(heir, (await club.invitation())["invitation"])).status_code == 201
    name = (await service.client.get("/v1/account", headers=steward)).json()["name"]

    async def leave() -> Any:
        return await service.client.request("DELETE", "/v1/account", json={"name": name}, headers=steward)

    refused = await leave()
    assert refused.status_code == 409, refused.text
    shown = (await service.client.get(club.address, headers=steward)).json()
    assert shown["name"] in refused.json()["detail"]
    members = (await service.client.get(f"{club.address}/members", headers=heir)).json()["items"]
    other = next(member for member in members if member["role"] == "member")
    where, patch = f"{club.address}/members/{other['id']}", {"Content-Type": "application/merge-patch+json"}
    headers = {**steward, **patch, "If-Match": "*"}
    made = await service.client.patch(where, content=b'{"role": "steward"}', headers=headers)
    assert made.status_code == 200, made.text
    assert (await leave()).status_code == 204
    left = (await service.client.get(f"{club.address}/members", headers=heir)).json()["items"]
    assert [member["id"] for member in left] == [other["id"]]


async def test_the_only_administrator_stays_while_there_are_others(service: Running) -> None:
    database = service.app.state.database
    admins = database.read(lambda c: c.execute(text("SELECT id FROM account WHERE is_admin")).scalars().all())
    only, other = service.collector(is_admin=True), service.collector()
    token = only["Authorization"].removeprefix("Bearer ")
    owner = database.read(lambda c: recognise(c, token))
    heir = (await service.client.get("/v1/account", headers=other)).json()["name"]
    own = (await service.client.get("/v1/account", headers=only)).json()["name"]
    demote = "UPDATE account SET is_admin = :yes WHERE id = :id"
    for identity in admins:
        database.write(lambda c, i=identity: c.execute(text(demote), {"yes": False, "id": i}))
    try:
        refused = await service.client.request("DELETE", "/v1/account", json={"name": own}, headers=only)
        assert refused.status_code == 409, refused.text
        assert "--administrator" in refused.json()["detail"]
        now, stores = service.app.state.clock(), (service.app.state.blobs, service.app.state.job_files)
        for nobody in ("nobody of that name", own):
            with pytest.raises(Exception, match="no other account"):
                deletion.delete_account(database, *stores, owner, now, administrator=nobody)
        deletion.delete_account(database, *stores, owner, now, administrator=heir)
        assert (await service.client.get("/v1/account", headers=only)).status_code == 401
        assert (await service.client.get("/v1/account", headers=other)).json()["is_admin"] is True
    finally:
        for identity in admins:
            database.write(lambda c, i=identity: c.execute(text(demote), {"yes": True, "id": i}))


async def test_it_takes_the_name_and_the_password(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    token = (await doors.log_in(service, name, scopes=["read", "write", "admin"])).json()["access_token"]
    mine = {"Authorization": f"Bearer {token}"}
    weak = (await doors.log_in(service, name)).json()["access_token"]
    right = {"name": name.upper(), "password": doors.PASSWORD}
    attempts: list[tuple[Any, dict[str, str], int]] = [
        (right, {"Authorization": f"Bearer {weak}"}, 403),
        (right, {}, 401),
        ({"name": name}, mine, 403),
        ({"name": "somebody else", "password": doors.PASSWORD}, mine, 403),
        ({"name": name, "password": "not it at all"}, mine, 403),
        ({}, mine, 422),
        (right, mine, 204),
        (right, mine, 401),
    ]
    for body, headers, status in attempts:
        answer = await service.client.request("DELETE", "/v1/account", json=body, headers=headers)
        assert answer.status_code == status, (body.keys(), answer.text)
    assert (await doors.log_in(service, name)).status_code == 403
    # The name is free again.
    text_ = (await doors.invited(service, service.collector(is_admin=True)))["invitation"]
    body = {"invitation": text_, "name": name, "password": doors.PASSWORD}
    assert (await service.client.post("/v1/account/redemptions", json=body)).status_code == 201


async def test_a_definition_that_others_took_stays_with_them(at: Neighbours) -> None:
    rows = at.house.rows()
    taken = list(some(rows, "club_copy", {"owner_id": at.ben.id, "club_id": at.club}))
    assert taken
    assert (await gone(at, at.ada, rows)).status_code == 204
    for row in taken:
        copy = await at.house.done("GET", f"/v1/definitions/{row['definition_id']}", at.ben)
        assert copy.json()["title"].startswith("Set")
    offers = (await at.house.done("GET", f"/v1/clubs/{at.club}/definitions", at.ben)).json()["items"]
    assert len(offers) == 3
