"""What is wanted under the rules of the set: every kind of rule, with what would release a place that it keeps empty."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from service.progress import openings
from service.progress.want_list import NOTHING_WANTED, as_csv, as_text, want_list
from service.rules.messages import MESSAGES
from tests.factories import a_document, a_holding, a_measurement, as_sent
from tests.messages import ensure_worded


def wants(document: dict[str, Any], coins: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    found: dict[str, Any] = as_sent(want_list(a_measurement(document, coins), **more))
    ensure_worded(found, MESSAGES)
    return found


def told(document: dict[str, Any], coins: list[dict[str, Any]]) -> tuple[list[str], dict[str, str]]:
    found = wants(document, coins)
    assert "limit" not in found
    return [one["place"] for one in found["wanted"]], {one["place"]: one["message"] for one in found["kept_empty"]}


SLOTS = {"old": "year_on_coin < 1900", "tower": "mint = 'Tower'", "second": "mint = 'Tower' AND grade > 20"}
TOWER = a_holding("t1", mint="Tower", grade=10, year_on_coin=1950)


@pytest.mark.parametrize(
    ("rule", "coins", "wanted", "kept"),
    [
        (
            {"kind": "different", "by": ["mint"], "places": ["tower", "second"], "label": "Two mints"},
            [TOWER],
            ["old"],
            {"second": "Rule 'Two mints' keeps 'second' empty. It can be filled once No. t1 (1950 coin) is taken out."},
        ),
        (
            {"kind": "at_most", "per": ["mint"], "count": 1},
            [TOWER],
            ["old"],
            {
                "second": "Rule 'rule' keeps 'second' empty. It can be filled once No. t1 (1950 coin) is taken out, or the "
                "rule allows 2."
            },
        ),
        (
            {"kind": "at_most", "where": "mint = 'Tower'", "count": 0},
            [],
            ["old"],
            {
                "tower": "Rule 'rule' keeps 'tower' empty. It can be filled once the rule allows 1.",
                "second": "Rule 'rule' keeps 'second' empty. It can be filled once the rule allows 1.",
            },
        ),
        (
            {"kind": "same", "by": ["year_on_coin"], "places": ["old", "tower"]},
            [TOWER],
            ["second"],
            {"old": "Rule 'rule' keeps 'old' empty. It can be filled once No. t1 (1950 coin) is taken out."},
        ),
        (
            {"kind": "matches", "by": ["year_on_coin"], "place": "old", "places": ["tower", "second"]},
            [TOWER],
            ["second"],
            {
                "old": "Rule 'rule' keeps 'old' empty. It can be filled once a coin in 'tower' or 'second' agrees in year on "
                "the coin with one that fits here."
            },
        ),
        (
            {"kind": "not_elsewhere", "by": ["mint"], "places": ["second"]},
            [TOWER],
            ["old"],
            {"second": "Rule 'rule' keeps 'second' empty. It can be filled once No. t1 (1950 coin) is taken out."},
        ),
    ],
)
def test_a_rule_keeps_a_place_empty_until_something_changes(
    rule: dict[str, Any], coins: list[dict[str, Any]], wanted: list[str], kept: dict[str, str]
) -> None:
    document = a_document(SLOTS, constraints=[{"id": "rule", **rule}])
    assert told(document, coins) == (wanted, kept)


def test_a_coin_that_can_be_moved_keeps_nothing_empty() -> None:
    # The Tower coin may go to the free place, which lets a coin of another mint in.
    document = a_document(
        {"any": "grade > 5", "tower": "mint = 'Tower'"},
        constraints=[{"id": "old", "kind": "at_most", "where": "year_on_coin < 1900", "count": 1}],
    )
    coin = a_holding("t1", mint="Tower", grade=10, year_on_coin=1890)
    (one,) = told(document, [coin])[0]
    assert one in ("any", "tower")
    assert told(document, [coin])[1] == {}


def test_a_place_that_no_coin_fits_is_not_wanted() -> None:
    document = a_document({"never": "grade > 20 AND grade < 10", "fine": "grade > 20"})
    assert told(document, []) == (
        ["fine"],
        {"never": "No coin can fill 'never': what it accepts, its key and the scope of the set rule each other out."},
    )


def test_rules_that_keep_a_place_empty_by_themselves_are_named_together() -> None:
    both = [
        {"id": name, "kind": "at_most", "where": "mint = 'Tower'", "count": 0, "label": label}
        for name, label in (("one", "First"), ("two", "Second"))
    ]
    document = a_document({"tower": "mint = 'Tower'"}, constraints=both)
    (entry,) = wants(document, [])["kept_empty"]
    assert entry["rules"] == [{"constraint": "one", "label": "First"}, {"constraint": "two", "label": "Second"}]
    assert entry["message"] == (
        "Rules 'First' and 'Second' each keep 'tower' empty. Only a change of the rule would let it be filled."
    )


def test_an_open_group_is_wanted_while_the_rules_let_another_key_in() -> None:
    group = {"id": "mints", "attribute": "mint", "label": "{key}", "keys": {"from": "holdings"}}
    coins = [a_holding("t1", mint="Tower")]
    assert told(a_document(one_per=[group]), coins) == (["mints"], {})
    document = a_document(
        one_per=[group], constraints=[{"id": "one", "kind": "same", "by": ["mint"], "places": ["mints"]}]
    )
    assert told(document, []) == (["mints"], {})
    assert told(document, coins) == (
        [],
        {"mints": "Under 'one' 'mints' takes no other coin. It can be filled once No. t1 is taken out."},
    )


YEARS = {"id": "by-year", "attribute": "year_on_coin", "label": "Years of the penny", "keys": {"from": "holdings"}}


def test_an_open_group_is_called_by_its_name() -> None:
    group = {**YEARS, "note": "Dates of the reverse.", "look_at": "below the figure"}
    coins = [a_holding("a", year_on_coin=1900), a_holding("b", year_on_coin=1901)]
    found = wants(a_document(one_per=[group]), coins)
    (line,) = found["wanted"]
    assert line["message"] == (
        "'Years of the penny' takes another coin. Wanted: a coin, of a year on the coin that you do not have yet."
    )
    assert (line["look_at"], line["author_note"]) == ("below the figure", "Dates of the reverse.")
    rule = {"id": "one", "kind": "same", "by": ["year_on_coin"], "places": ["by-year"]}
    (kept,) = wants(a_document(one_per=[group], constraints=[rule]), coins[:1])["kept_empty"]
    assert kept["message"].startswith("Under 'one' 'Years of the penny' takes no other coin.")


def test_an_open_group_whose_bands_are_all_shown_takes_no_other_coin() -> None:
    decades = [{"key": "1900s", "from": 1900, "to": 1909}, {"key": "1910s", "from": 1910, "to": 1919}]
    group = {**YEARS, "bands": decades}
    coins = [a_holding("a", year_on_coin=1902), a_holding("b", year_on_coin=1919)]
    assert told(a_document(one_per=[group]), coins[:1]) == (["by-year"], {})
    assert told(a_document(one_per=[group]), coins) == (
        [],
        {
            "by-year": "'Years of the penny' takes no other coin: none that it accepts, within the scope of the set, has "
            "another key."
        },
    )
    # Known to be none is a key where the group says so.
    assert told(a_document(one_per=[{**group, "none": True}]), coins) == (["by-year"], {})


def test_an_upgrade_says_what_the_coin_lacks_and_a_range_as_it_is_recorded() -> None:
    document = a_document(
        {"crown": "denomination = 'crown'"}, prefer=[{"where": "count(problems) = 0"}, {"highest": "grade"}]
    )
    grade = {"from": 20, "to": 35}
    sound = a_holding("c", denomination="crown", problems=[], grade=grade)
    (weak,) = want_list(a_measurement(document, [sound])).weakest
    assert weak.because == "grade 20 to 35"
    (weak,) = want_list(
        a_measurement(document, [{**sound, "facts": {**sound["facts"], "problems": ["holed"]}}])
    ).weakest
    assert weak.because == "holed; grade 20 to 35"
    # Of a coin that has all that is asked for, that is told.
    only = a_document({"crown": "denomination = 'crown'"}, prefer=[{"where": "count(problems) = 0"}])
    assert want_list(a_measurement(only, [sound])).weakest[0].because == "problem-free"


def test_upgrades_name_the_coin_by_its_number_and_what_it_is() -> None:
    document = a_document({"crown": "denomination = 'crown'"}, prefer=[{"highest": "grade"}])
    coin = {**a_holding("c", denomination="crown", year_on_coin=1935), "number": "12"}
    found = want_list(a_measurement(document, [coin]))
    (weak,) = found.weakest
    assert (weak.number, weak.title, weak.because) == ("12", "1935 crown", "grade not recorded")
    assert weak.message == "Upgrade No. 12 (1935 crown) in 'crown': grade not recorded."
    assert set(found.named) == {"c"}
    assert "No. 12 (1935 crown)" in " ".join(as_text(found).split())
    assert "1935 crown" in as_csv(found)


def test_in_csv_a_coin_without_a_number_has_an_empty_cell() -> None:
    document = a_document({"crown": "denomination = 'crown'"}, prefer=[{"highest": "grade"}])
    found = want_list(a_measurement(document, [a_holding("c", denomination="crown")]))
    (row,) = csv.DictReader(io.StringIO(as_csv(found)))
    assert (row["holding"], row["number"], row["places"]) == ("c", "", "1")


def test_a_card_of_a_set_in_which_nothing_is_wanted_says_so() -> None:
    document = a_document({"crown": "denomination = 'crown'"})
    may_fit = want_list(a_measurement(document, [a_holding("c", year_on_coin=1935)]))
    assert NOTHING_WANTED in " ".join(as_text(may_fit).split())
    assert NOTHING_WANTED not in " ".join(as_text(want_list(a_measurement(document, []))).split())


def test_past_its_work_a_place_counts_as_wanted_and_the_list_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    rule = {"id": "rule", "kind": "different", "by": ["mint"], "places": ["tower", "second"]}
    document = a_document(SLOTS, constraints=[rule])
    monkeypatch.setattr(openings, "MOST_WORK", 0)
    found = wants(document, [TOWER])
    assert ([one["place"] for one in found["wanted"]], found["limit"]) == (["old", "second"], "budget")
