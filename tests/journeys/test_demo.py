"""`setwright demo --once`: a really running server, three collections over HTTP, tables, the end."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from PIL import Image
from rich.console import Console

from service.demo import club, story
from service.demo.circle import PHOTOGRAPHERS, coins_of
from service.demo.drawn import drawing
from service.demo.opening import Opening
from service.demo.server import Running, running_server

ROOT = Path(__file__).resolve().parents[2]
SETS = ("from-sterling-to-cupro-nickel", "menagerie-table", "gone-from-the-map")


pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def ended() -> subprocess.CompletedProcess[str]:
    """The demo, played once."""
    environment = {**os.environ, "COLUMNS": "200"}
    return subprocess.run(
        [sys.executable, "-m", "service", "demo", "--once"],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_the_demo_leaves_the_installation_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The image has photos' folder among its settings, and a club's server a password.
    monkeypatch.setenv("SETWRIGHT_PHOTOS_DIR", str(tmp_path / "photos"))
    monkeypatch.setenv("SETWRIGHT_DATABASE_PASSWORD", "a password")
    monkeypatch.setenv("SETWRIGHT_PHOTO_BYTES", "1024")
    content = drawing("1", {"denomination": "penny", "year_on_coin": 1937})
    assert len(content) > 1024
    with running_server() as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        with httpx.Client(base_url=server.url, headers=headers, timeout=60) as client:
            held = client.post("/v1/holdings", json={"facts": {"denomination": "penny"}}).json()["id"]
            sent = client.post(
                f"/v1/holdings/{held}/photos?side=obverse", content=content, headers={"Content-Type": "image/jpeg"}
            )
            assert sent.status_code == 201, sent.text
    assert list(tmp_path.iterdir()) == []


def test_the_demo_prints_what_the_sets_expect_and_ends(ended: subprocess.CompletedProcess[str]) -> None:
    assert ended.returncode == 0, ended.stderr
    headlines = re.findall(
        r"(\d+) places: (\d+) filled(?:, (\d+) possible)?, (\d+) empty\. Certain: (\d+)\. Proven", ended.stdout
    )
    assert len(headlines) == len(SETS)
    for name, (places, filled, doubt, empty, certain) in zip(SETS, headlines, strict=True):
        known = json.loads((ROOT / "set_definitions" / f"{name}.expected.json").read_text(encoding="utf-8"))
        expected, presumed = known["summary"], known["with_presumptions"]
        assert int(places) == expected["places"]
        assert int(certain) == presumed["certain"]
        assert int(filled) + int(doubt or 0) == presumed["possible"]
        assert int(filled) + int(doubt or 0) + int(empty) == expected["places"]
    assert (
        "Conflict: Rule 'At most three guests from one land' keeps 2 places empty: 'The bull' and 'The pig'."
        in ended.stdout
    )
    # The year of change: sterling or half silver, and which of the two decides between two places.
    check = re.search(r"Check \(\d+\):\n  a09  1920 threepence.*\n(.*)", ended.stdout)
    assert check is not None
    assert "Threepence, half of it silver" in check[1] and "Threepence in sterling" in check[1]
    assert "Traceback" not in ended.stdout + ended.stderr


# Counted by hand from service/demo/circle.py. The second revision has ten places: farthing, halfpenny, penny (from 1902 on),
# silver and twelve-sided threepence, sixpence, shilling, florin, half crown, and any coin of 1937.
STANDINGS = {
    # a1 or a2, a3, a4, a5, a6, a7, a8, a9 or a10; no brass threepence, nothing of 1937. Left over: a farthing, a half crown.
    "Alder Finch": (8, 0, 2, "Twelve-sided threepence, A coin of the coronation year", 2),
    # b1, b2, b3 of 1912, b4, b5, b6 of 1937 for its year, b7 as the shilling, b8 or b9. Left over: a florin.
    "Brona Tansy": (8, 0, 2, "Silver threepence, Half crown", 1),
    # c1, c2, c3, c4, c5 or c6, c7. Left over: a brass threepence.
    "Cosmo Wick": (6, 0, 4, "Sixpence, Shilling, Florin, A coin of the coronation year", 1),
    # d1 or d2 and d3; d4 is of 1936, which is too early, or of 1938. Left over: a halfpenny.
    "Dorrit Vane": (
        2,
        1,
        7,
        "Farthing, Silver threepence, Twelve-sided threepence, Sixpence, Florin, Half crown, A coin of the coronation year",
        1,
    ),
}


def after(ended: subprocess.CompletedProcess[str], heading: str) -> str:
    """What is printed from the heading on."""
    _, found, rest = ended.stdout.partition(heading)
    assert found, heading
    return rest


def rows(text: str) -> list[list[str]]:
    """The cells of the first table in a text, without its heading."""
    lines = text.splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("\u2501"))
    cells = [[cell.strip() for cell in line.split("\u2502")] for line in lines[start + 1 :]]
    return cells[: next(at for at, row in enumerate(cells) if len(row) == 1)]


def test_what_a_newer_revision_does_to_one_members_set(ended: subprocess.CompletedProcess[str]) -> None:
    told = after(ended, "A newer revision.").partition("Progress of the members")[0]
    # Of nine places first: no penny before 1937, no silver threepence, no half crown.
    assert "Until Brona Tansy adopts it, 6 of 9 places are filled." in told
    assert "Places: 1 new, 1 filled." in told
    assert "Coins: 1 moves to another place, 2 come in." in told
    assert "The place 'Penny' now also takes coins that it did not take before" in told
    assert "The place 'Brass threepence' is now called 'Twelve-sided threepence'." in told
    assert "The place 'A coin of the coronation year' is new." in told
    assert re.findall(r"(Moves|Comes in|Drops out): (\w+)  (.*)", told) == [
        ("Moves", "b6", "1937 shilling, United Kingdom, grade 60, from Shilling to A coin of the coronation year"),
        ("Comes in", "b3", "1912 penny, United Kingdom, grade 20, for Penny"),
        ("Comes in", "b7", "1949 shilling, United Kingdom, grade 40, for Shilling"),
    ]
    assert "Adopted: 8 of 10 places are filled." in told


def test_how_far_the_members_are_who_show_it(ended: subprocess.CompletedProcess[str]) -> None:
    told = after(ended, "Progress of the members who show it")
    assert rows(told) == [[name, *map(str, standing)] for name, standing in STANDINGS.items()]
    assert "Emlyn Sorrel shows nothing" in told


def test_three_members_swap_what_each_can_spare(ended: subprocess.CompletedProcess[str]) -> None:
    # The only way round: Alder lacks the twelve-sided threepence that Cosmo has twice, Cosmo the florin that Brona has twice,
    # Brona the half crown that Alder has twice; no two of them have what the other lacks, and nobody lacks a halfpenny but who
    # shows nothing. Of two like coins the better grade stays at home.
    told = after(ended, "A swap of duplicates")
    assert sorted(rows(told)) == [
        ["Alder Finch", "1946 half crown, United Kingdom", "Brona Tansy", "Half crown"],
        ["Brona Tansy", "1951 florin, United Kingdom", "Cosmo Wick", "Florin"],
        ["Cosmo Wick", "1952 threepence, United Kingdom", "Alder Finch", "Twelve-sided threepence"],
    ]
    assert "Alder Finch proposes it; the swap is proposed." in told
    states = dict(re.findall(r"(Brona Tansy|Cosmo Wick) accepts; the swap is (\w+)\.", told))
    assert sorted(states.values()) == ["accepted", "proposed"]
    assert "The service moves nothing" in told


def test_the_club_has_a_display_with_photos_of_those_who_show_them() -> None:
    with running_server() as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        with httpx.Client(base_url=server.url, headers=headers, timeout=120) as first:
            opened = club.play(Console(quiet=True), first, {})
        reader = {"Authorization": f"Bearer {opened.token}"}
        with httpx.Client(base_url=server.url, headers=reader, timeout=120) as client:
            (offer,) = client.get(f"/v1/clubs/{opened.path.rpartition('/')[2]}/definitions").json()["items"]
            shown = client.get(f"/v1/clubs/{opened.path.rpartition('/')[2]}/definitions/{offer['id']}/display").json()
            photos = {exhibit["owner"]: exhibit["photos"] for exhibit in shown["exhibits"]}
            assert {owner for owner, of_one in photos.items() if of_one} == {*PHOTOGRAPHERS} & {*photos}
            assert photos["Dorrit Vane"] == []
            (first_photo, *_) = photos["Brona Tansy"]
            image = client.get(first_photo["image"])
            assert image.status_code == 200, image.text
            assert Image.open(io.BytesIO(image.content)).size == (480, 480)


def test_drawings_say_that_they_are_drawn_and_differ_by_coin() -> None:
    coins = [coin for who in PHOTOGRAPHERS for coin in coins_of(who)]
    drawn = {coin["number"]: drawing(coin["number"], coin["facts"]) for coin in coins}
    assert len(set(drawn.values())) == len(coins) > 20
    assert drawing(coins[0]["number"], coins[0]["facts"]) == drawn[coins[0]["number"]]
    # Below each disc is a line of writing on paper: dark figures on a light ground.
    for content in drawn.values():
        below = Image.open(io.BytesIO(content)).convert("L").crop((100, 450, 380, 475))
        low, high = below.getextrema()
        assert low < 120 < 230 < high


def test_it_goes_on_with_the_albums_and_the_club(capsys: pytest.CaptureFixture[str]) -> None:
    openings = [Opening(who, what, f"/app/{at}", token) for who, what, at, token in (
        ("Maud Ellery", "album", "sets/1", "swt_1"), ("Brona Tansy", "club", "clubs/2", "swt_2"))]  # fmt: skip
    with subprocess.Popen([sys.executable, "-c", ""], text=True) as process:
        server = Running("http://127.0.0.1:9", "swt_1", process)
        story._farewell(Console(width=60), server, openings, once=False)
        told = capsys.readouterr().out
        assert "  Maud Ellery's album: http://127.0.0.1:9/app/sign-in#token=swt_1&to=/app/sets/1\n" in told
        assert "  Brona Tansy's club: http://127.0.0.1:9/app/sign-in#token=swt_2&to=/app/clubs/2\n" in told
        assert "http://127.0.0.1:9/v1/definitions/1/evaluation" in told
        story._farewell(Console(width=60), server, openings, once=True)
        assert capsys.readouterr().out == ""
