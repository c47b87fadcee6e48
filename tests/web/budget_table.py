"""What is measured without a network: an answer at a dealer's table over 20 sets of 200 places, of which half are filled."""

from __future__ import annotations

from random import Random
from typing import Any

from service.progress.whatif import Evaluated
from tests.factories import a_measurement
from tests.need_sheets.measured import sent_sheet
from tests.web.browser import browser
from tests.web.modules import modules_served
from tests.web.test_need_sheets import as_read, call

SETS, PLACES, COINS = 20, 200, 60
DENOMINATIONS = ("penny", "halfpenny", "farthing", "shilling", "florin")


def a_document(number: int) -> dict[str, Any]:
    """200 places, one for each year and denomination, sound coins first."""
    years = range(1800 + number, 1800 + number + PLACES // len(DENOMINATIONS))
    slots = [
        {
            "id": f"{name}-{year}",
            "label": f"{name} of {year}",
            "accepts": f"denomination = '{name}' AND year_on_coin = {year} AND (count(problems) < 2 OR grade >= 20)",
        }
        for year in years
        for name in DENOMINATIONS
    ]
    return {
        "format": "set-definition/1",
        "title": f"Small change {number + 1}",
        "presume": [{"facts": {"problems": []}}],
        "prefer": [{"where": "count(problems) = 0"}, {"highest": "grade"}],
        "slots": slots,
    }


def a_coin(chance: Random) -> dict[str, Any]:
    year = chance.randrange(1800, 1860)
    return {
        "denomination": chance.choice(DENOMINATIONS),
        "year_on_coin": chance.choice((year, year, year, {"from": year, "to": year + 3})),
        "grade": chance.choice((8, 12, 20, 30, 40)),
    }


def the_sheets() -> dict[str, Any]:
    chance = Random(1)
    vocabularies: dict[str, Any] = {}
    sheets = []
    for number in range(SETS):
        held = [{"id": f"coin-{at}", "facts": a_coin(chance)} for at in range(PLACES)]
        sheet, its = sent_sheet(Evaluated(a_measurement(a_document(number), held)))
        assert len(sheet["places"]) == PLACES
        sheets.append(sheet)
        vocabularies |= its
    found: dict[str, Any] = as_read({"vocabularies": vocabularies, "sets": sheets})
    return found


MEASURE = """const [document, coins, unsent] = values;
return coins.map((facts) => {
    const start = performance.now();
    const told = effect.effects(document, facts, unsent);
    return [performance.now() - start, told.map((one) => one.effect)];
});"""


def answers_in_milliseconds() -> dict[str, list[float]]:
    """How long each answer took, in order, without and with coins that were said since the sheets were fetched."""
    document, chance, found = the_sheets(), Random(2), dict[str, list[float]]()
    coins = [{}, *({**a_coin(chance), "year_on_coin": 1830} for _ in range(5)), *(a_coin(chance) for _ in range(COINS))]
    unsent = [{"number": f"P-{at}", "facts": a_coin(chance)} for at in range(3)]
    with modules_served() as modules, browser(modules.address) as page:
        for name, said in (("nothing unsent", []), ("3 coins unsent", unsent)):
            told = call(page, modules, "sound", MEASURE, document, coins, said)
            assert {effect for _, effects in told for effect in effects} >= {"fills", "betters", "spare"}
            found[name] = sorted(time for time, _ in told)
    return found
