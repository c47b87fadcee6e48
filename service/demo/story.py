"""What the demo does, step by step, over HTTP."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
from rich.console import Console

from service.demo import club
from service.demo.opening import Opening, opening
from service.demo.report import Coins, show_evaluation
from service.demo.requests import JSON, encoded, sent, somebody
from service.demo.server import Running, running_server
from service.rules.yaml_text import load_yaml

SETS = Path(__file__).resolve().parents[2] / "set_definitions"
TODAY = "2026-11-25"


@dataclass(frozen=True, slots=True)
class Scene:
    """One fictional collector with one set. `mine`: this collection is kept on the server, under its first account."""

    name: str
    who: str
    about: str
    mine: bool = False


SCENES = (
    Scene("from-sterling-to-cupro-nickel", "Maud Ellery", "whose coins are stored on this server", mine=True),
    Scene("menagerie-table", "Tobit Quill", "who sends his coins with the request"),
    Scene("gone-from-the-map", "Ines Harrow", "who sends hers with the request too"),
)


def run(console: Console, *, once: bool, port: int | None = None) -> None:
    """Plays the demo; unless `once`, the server then runs until it is interrupted."""
    with running_server(port) as server:
        openings = show_all(console, server, once=once)
        _farewell(console, server, openings, once=once)
        if not once:
            _keep_serving(server)


def show_all(console: Console, server: Running, *, once: bool) -> list[Opening]:
    """Every collector's set, then the club; returns where the app shows them. Unless `once`, everybody's coins are kept on the
    server afterwards."""
    headers = {"Authorization": f"Bearer {server.token}"}
    with httpx.Client(base_url=server.url, headers=headers, timeout=120) as client:
        concepts = sent(client.get("/v1/vocabularies/issuers"))["concepts"]
        issuers = {concept["id"]: concept["label"] for concept in concepts}
        albums = [_play(console, client, scene, issuers, once=once) for scene in SCENES]
        return [*albums, club.play(console, client, issuers)]


def _play(console: Console, first: httpx.Client, scene: Scene, issuers: Mapping[str, str], *, once: bool) -> Opening:
    with ExitStack() as stack:
        client = first if scene.mine else stack.enter_context(somebody(first, scene.who))
        document, holdings = read_scene(scene.name)
        stored = sent(client.post("/v1/definitions", content=encoded({"document": document}), headers=JSON))
        coins = Coins.of(holdings, issuers)
        if scene.mine:
            _keep(client, holdings, coins)
            result = sent(client.get(f"/v1/definitions/{stored['id']}/evaluation", params={"today": TODAY}))
        else:
            question = {"definition": {"id": stored["id"]}, "holdings": holdings, "today": TODAY}
            result = sent(client.post("/v1/evaluations", content=encoded(question), headers=JSON))
        show_evaluation(console, document, f"{scene.who}, {scene.about}", result, coins)
        if not (scene.mine or once):
            # To be seen in the web app, where everybody's own coins are.
            _keep(client, holdings, coins)
        return opening(scene.who, "album", f"/app/sets/{stored['id']}", client)


def _keep(client: httpx.Client, holdings: list[dict[str, Any]], coins: Coins) -> None:
    for holding in holdings:
        # The owner's own number goes along; the server gives the holding its id.
        body = {**{name: value for name, value in holding.items() if name != "id"}, "number": holding["id"]}
        made = sent(client.post("/v1/holdings", content=encoded(body), headers=JSON))
        coins.rename(made["id"], holding["id"])


def read_scene(name: str) -> tuple[Mapping[str, Any], list[dict[str, Any]]]:
    """A starter definition and the collection that goes with it."""
    path = next(iter(sorted(SETS.glob(f"{name}.definition.*"))))
    text = path.read_text(encoding="utf-8")
    document = load_yaml(text) if path.suffix == ".yaml" else json.loads(text, parse_float=Decimal)
    holdings = json.loads((SETS / f"{name}.holdings.json").read_text(encoding="utf-8"), parse_float=Decimal)
    return document, holdings


def _farewell(console: Console, server: Running, openings: list[Opening], *, once: bool) -> None:
    if once:
        return
    console.print()
    console.print("[bold]The server keeps running.[/bold] Ctrl-C stops it and deletes its database. Open in a browser:")
    lines = [f"{one.who}'s {one.what}: {server.url}{one.address}" for one in openings]
    for line in lines:
        console.print(f"  {line}", soft_wrap=True, highlight=False, markup=False)
    console.print("Or, for programs:")
    mine = next(one for one in openings if one.token == server.token)
    definition = mine.path.rpartition("/")[2]
    lines = [f"curl {server.url}/v1/attributes", f"curl {server.url}/v1/functions"]
    lines.append(f"curl -H 'Authorization: Bearer {mine.token}' {server.url}/v1/definitions/{definition}/evaluation")
    for line in lines:
        console.print(f"  {line}", soft_wrap=True, highlight=False, markup=False)


def _keep_serving(server: Running) -> None:
    try:
        server.process.wait()
    except KeyboardInterrupt:
        return
