"""Messages: every code has its sentence, every sentence its parts; long lists are cut, and counts have their words."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import service
from service.rules.messages import MESSAGES, CoinPart, FactPart, PlacePart, message, some

PLACE = PlacePart("a", "Crown")
COIN = CoinPart("id", "8", "1920 threepence")


def test_a_message_is_its_code_its_parts_and_its_sentence() -> None:
    said = message(
        "undecided", coin=COIN, places=[PLACE, PlacePart("b", "Half")], check=[FactPart("grade", "grade", "all")]
    )
    assert str(said) == "No. 8 (1920 threepence) may belong in 'Crown' or 'Half'. Check: grade (all)."
    assert (said.code, set(said.parts)) == ("undecided", {"coin", "places", "check"})


def test_long_lists_are_cut() -> None:
    words = [str(number) for number in range(9)]
    for count, expected in ((1, "0"), (3, "0, 1 and 2"), (6, "0, 1, 2, 3, 4 and 5"), (9, "0, 1, 2, 3, 4 and 4 more")):
        said = message("candidate-fills", coin=COIN, places=some(words[:count]))
        assert str(said) == f"No. 8 (1920 threepence) fills {expected}."


@pytest.mark.parametrize(("count", "words"), [(1, "1 place filled"), (2, "2 places filled"), (0, "0 places filled")])
def test_counts_have_their_words(count: int, words: str) -> None:
    assert str(message("doubt-worst-filled", count=count)) == words


@pytest.mark.parametrize(
    ("number", "title", "name"),
    [("8", "penny", "No. 8 (penny)"), ("8", None, "No. 8"), ("worn", "penny", "worn (penny)"), (None, None, "A coin")],
)
def test_a_coin_goes_by_its_number_and_what_it_is(number: str | None, title: str | None, name: str) -> None:
    assert str(CoinPart("id", number, title)) == name


@pytest.mark.parametrize("parts", [{}, {"coin": COIN, "other": 1}])
def test_a_part_missing_or_too_many_is_refused(parts: dict[str, object]) -> None:
    with pytest.raises(KeyError):
        message("candidate-certain", **parts)


def test_every_sentence_is_used_and_every_code_has_one() -> None:
    """Each code stands as a text in the source outside of the table, alone or put together from its pieces."""
    table = Path(service.__file__).parent / "rules" / "messages.py"
    texts = {
        node.value
        for path in Path(service.__file__).parent.rglob("*.py")
        if path != table
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    alone = MESSAGES.keys() & texts
    # A variant is another code with an ending that stands in the source.
    endings = {text for text in texts if re.fullmatch(r"(-[a-z]+)+", text)}
    variants = {f"{code}{one}" for code in alone for one in endings} | {
        f"{code}{one}{two}" for code in alone for one in endings for two in endings
    }
    reasons = {"unplaced-spare", "unplaced-undecided", "unplaced-never"}
    assert MESSAGES.keys() - alone - variants == reasons
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", code) for code in MESSAGES)
