"""What the demo's club does: one set for all, a newer revision, progress, a swap. Each member has an account and a client."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from typing import Any

import httpx
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from service.demo.circle import CLUB, MEMBERS, NEWS, OUTSIDER, PHOTOGRAPHERS, READER, SET, STEWARD, coins_of, revised
from service.demo.drawn import KIND, drawing
from service.demo.opening import Opening, opening
from service.demo.report import Coins
from service.demo.requests import JSON, encoded, sent, somebody

ANY = {"If-Match": "*"}
Members = Mapping[str, httpx.Client]


def play(console: Console, first: httpx.Client, issuers: Mapping[str, str]) -> Opening:
    """Plays all of it; returns where a member finds the club. `first` is the account that may invite others."""
    with ExitStack() as open_clients:
        members = {name: open_clients.enter_context(somebody(first, name)) for name in MEMBERS}
        club = _founded(members)
        coins = {name: _bring(client, name, issuers) for name, client in members.items()}
        own = _publish(members[STEWARD], SET)
        offer = _posted(members[STEWARD], f"{club}/definitions", {"definition_id": own.rpartition("/")[2]})
        where = f"{club}/definitions/{offer['id']}"
        copies = {name: _taken(client, where) for name, client in members.items() if name != STEWARD}
        _show_club(console)
        _revise(members[STEWARD], own, where)
        _adopt(console, members[READER], copies[READER], coins[READER])
        for name, client in members.items():
            if name != OUTSIDER:
                shows = {"standing": True, "spares": True, "display": True, "photos": name in PHOTOGRAPHERS}
                sent(client.put(f"{where}/consent", json=shows))
        _show_standings(console, members[STEWARD], where)
        _swap(console, members, club, offer["id"])
        return opening(READER, "club", f"/app/clubs/{club.rpartition('/')[2]}", members[READER])


# --- getting together --------------------------------------------------------------------------------------------------


def _founded(members: Members) -> str:
    """The club's address; all members have joined."""
    steward = members[STEWARD]
    club = f"/v1/clubs/{_posted(steward, '/v1/clubs', CLUB)['id']}"
    for name, client in members.items():
        if name != STEWARD:
            way = _posted(steward, f"{club}/invitations", {"note": name})["invitation"]
            _posted(client, "/v1/club-memberships", {"invitation": way, "name": name})
    return club


def _bring(client: httpx.Client, name: str, issuers: Mapping[str, str]) -> Coins:
    known = coins_of(name)
    coins = Coins.of([{**coin, "id": coin["number"]} for coin in known], issuers)
    for coin in known:
        held = _posted(client, "/v1/holdings", coin)["id"]
        coins.rename(held, coin["number"])
        if name in PHOTOGRAPHERS:
            photo, headers = drawing(coin["number"], coin["facts"]), {"Content-Type": KIND}
            sent(client.post(f"/v1/holdings/{held}/photos?side=obverse", content=photo, headers=headers))
    return coins


def _publish(client: httpx.Client, document: Mapping[str, Any]) -> str:
    """The address of a new definition with one revision."""
    where = f"/v1/definitions/{_posted(client, '/v1/definitions', {'document': document})['id']}"
    sent(client.post(f"{where}/revisions", headers=ANY))
    return where


def _taken(client: httpx.Client, where: str) -> str:
    return f"/v1/definitions/{_posted(client, f'{where}/copies', {})['definition_id']}"


def _show_club(console: Console) -> None:
    console.print()
    console.rule(f"[bold]{escape(SET['title'])}[/bold]: {escape(CLUB['name'])}")
    console.print(f"[dim]{escape(SET['summary'])}[/dim]")
    console.print(f"[dim]A fictional club: {', '.join(MEMBERS)}. {STEWARD} offers the set, the others take it.[/dim]")


# --- a newer revision --------------------------------------------------------------------------------------------------


def _revise(steward: httpx.Client, own: str, where: str) -> None:
    sent(steward.put(own, content=encoded({"document": revised()}), headers={**JSON, **ANY}))
    # That a coin may fit two places is meant here.
    sent(steward.post(f"{own}/revisions", params={"acknowledged": True}, headers=ANY))
    _posted(steward, f"{where}/revisions", {"definition_id": own.rpartition("/")[2], "note": NEWS})


def _adopt(console: Console, reader: httpx.Client, copy: str, coins: Coins) -> None:
    """One member pulls the revision, sees what it changes, and adopts it."""
    before = sent(reader.get(f"{copy}/evaluation"))["summary"]
    sent(reader.post(f"{copy}/pulls", json={}, headers=ANY))
    published = sent(reader.post(f"{copy}/revisions", params={"acknowledged": True}, headers=ANY))
    told = sent(reader.get(f"{copy}/impact", params={"to": published["revision"]}))
    console.print(f"\n[bold]A newer revision.[/bold] {escape(NEWS)}")
    console.print(f"Until {READER} adopts it, {_counted(before)}. What it would change:")
    for line in (*told["in_words"], *_moves(told, coins)):
        console.print(f"  {escape(line)}")
    sent(reader.put(f"{copy}/adoption", json={"revision": published["revision"]}, headers=ANY))
    console.print(f"Adopted: {_counted(sent(reader.get(f'{copy}/evaluation'))['summary'])}.")


def _counted(summary: Mapping[str, Any]) -> str:
    return f"{summary['filled']} of {summary['places']} places are filled"


def _moves(told: Mapping[str, Any], coins: Coins) -> Iterator[str]:
    """Coin by coin, with its owner's number."""
    places = [*told["places"]["gained"], *told["places"]["filled"]]
    labels = {place["place"]: place["label"] for place in places} | {slot["id"]: slot["label"] for slot in SET["slots"]}
    for coin in told["coins"]["moved"]:
        yield f"Moves: {coins.words(coin['holding'])}, from {labels[coin['from']]} to {labels[coin['to']]}"
    for coin in told["coins"]["coming_in"]:
        yield f"Comes in: {coins.words(coin['holding'])}, for {labels[coin['to']]}"
    for coin in told["coins"]["falling_out"]:
        yield f"Drops out: {coins.words(coin['holding'])}, from {labels[coin['from']]}"


# --- progress ----------------------------------------------------------------------------------------------


def _show_standings(console: Console, client: httpx.Client, where: str) -> None:
    """Of each member who shows it: the counts, what is still needed, how many duplicates."""
    standings = sent(client.get(f"{where}/standings"))["items"]
    spares = {entry["member"]["id"]: entry["pieces"] for entry in sent(client.get(f"{where}/spares"))["items"]}
    table = Table(show_edge=False, pad_edge=False, header_style="bold", expand=False)
    for heading in ("Member", "Filled", "Possible", "Empty", "Still needed", "Duplicates"):
        table.add_column(heading)
    for entry in sorted(standings, key=lambda entry: str(entry["member"]["name"])):
        member, counts = entry["member"], entry["counts"]
        places = sent(client.get(f"{where}/standings/{member['id']}"))["places"]
        empty = [place["label"] for place in places if place["status"] == "empty"]
        figures = [str(counts[name]) for name in ("filled", "tentative", "empty")]
        table.add_row(escape(member["name"]), *figures, escape(", ".join(empty)), str(spares.get(member["id"], "")))
    console.print("\n[bold]Progress[/bold] of the members who show it, against the newest revision:")
    console.print(table)
    console.print(f"[dim]{OUTSIDER} shows nothing, so no other member sees anything of that collection.[/dim]")


# --- a swap ------------------------------------------------------------------------------------------------------------


def _swap(console: Console, members: Members, club: str, definition: str) -> None:
    """The steward's first swap of those found: proposed by him, accepted by the others."""
    found = sent(members[STEWARD].get(f"{club}/definitions/{definition}/swaps"))["items"][0]
    proposed = _posted(members[STEWARD], f"{club}/swaps", {"definition_id": definition, "swap": found["key"]})
    where = f"{club}/swaps/{proposed['id']}"
    table = Table(show_edge=False, pad_edge=False, header_style="bold", expand=False)
    for heading in ("Gives", "What", "To", "For the place"):
        table.add_column(heading)
    for leg in proposed["legs"]:
        names = leg["giver"]["name"], leg["coin"]["label"], leg["receiver"]["name"], leg["place_label"]
        table.add_row(*map(escape, names))
    console.print("\n[bold]A swap[/bold] of duplicates: each member fills a place and opens none.")
    console.print(table)
    console.print(f"{STEWARD} proposes it; the swap is {proposed['state']}.")
    for name in (leg["giver"]["name"] for leg in proposed["legs"]):
        if name != STEWARD:
            console.print(f"{name} accepts; the swap is {_accepted(members[name], where)['state']}.")
    console.print("[dim]The service moves nothing: the members hand the coins over and record it themselves.[/dim]")


def _accepted(client: httpx.Client, where: str) -> dict[str, Any]:
    seen = client.get(where)
    sent(seen)
    return sent(client.put(f"{where}/answer", json={"accepts": True}, headers={"If-Match": seen.headers["etag"]}))


def _posted(client: httpx.Client, where: str, value: object) -> dict[str, Any]:
    return sent(client.post(where, content=encoded(value), headers=JSON))
