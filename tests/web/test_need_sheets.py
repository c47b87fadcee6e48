"""The app's readers of need sheets (`sheet/verdict.js`, `sheet/effect.js`) in Chromium, against the engine, `/v1/candidates` and
the reader in Python. No source outside the project has such sheets.

`SETWRIGHT_SHEET_COINS` and `SETWRIGHT_SHEET_CANDIDATES` take the large numbers, as in tests/need_sheets; `SETWRIGHT_SHEET_FIRST`
is the first seed of sets, for large numbers in portions.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from random import Random
from typing import Any

import pytest

from service.evaluation.lookup_table import LookupMaker
from service.http.responses import ENCODER
from service.progress.budget import purchase
from service.progress.candidates import candidates
from service.progress.evaluate import EvaluationRequest
from service.progress.whatif import Evaluated
from service.rules import predicates
from tests.evaluation.test_cases import RULES
from tests.factories import AROUND, a_measurement, a_rule, as_sent, some_holdings, verdict_of
from tests.need_sheets import cases as sheet_cases
from tests.need_sheets.cases import MOST_COINS, made_up_set, shipped_set
from tests.need_sheets.made_up import ISSUES, a_coin, a_collection, a_set, some_facts
from tests.need_sheets.made_up import a_rule as a_made_up_rule
from tests.need_sheets.measured import sent_sheet
from tests.progress.instances import a_tight_set
from tests.set_definitions import NAMES as SHIPPED
from tests.strategies import ATTRIBUTES, VOCABULARIES
from tests.web.browser import Page
from tests.web.modules import Modules, Planted, modules_served

pytestmark = [pytest.mark.browser, pytest.mark.process]
COINS = int(os.environ.get("SETWRIGHT_SHEET_COINS", "4000"))
CANDIDATES = int(os.environ.get("SETWRIGHT_SHEET_CANDIDATES", "800"))
FIRST = int(os.environ.get("SETWRIGHT_SHEET_FIRST", "0"))
COINS_A_RULE = 20
AT_ONCE = 5_000


@pytest.fixture(scope="module")
def modules() -> Iterator[Modules]:
    with modules_served() as served:
        yield served


def call(page: Page, modules: Modules, variant: str, body: str, *values: Any) -> Any:
    """What a function with this body returns, which has `verdict`, `effect`, `again` and `tray`, the modules, and `values`."""
    if not page.driver.current_url.startswith(modules.address):
        page.driver.get(modules.address)
    script = (
        "const done = arguments[arguments.length - 1], [at, ...values] = [...arguments].slice(0, -1);"
        "Promise.all(['verdict', 'effect', 'asked-again', 'tray'].map((name) => import(`/${at}/sheet/${name}.js`)))"
        ".then(([verdict, effect, again, tray]) => {"
        f"{body} }}).then((told) => done({{told}}), (error) => done({{error: String(error.stack ?? error)}}))"
    )
    answer = page.driver.execute_async_script(script, variant, *values)
    assert "error" not in answer, answer["error"]
    return answer["told"]


def as_read(value: Any) -> Any:
    """As a browser reads what the service sends."""
    return json.loads(ENCODER.encode(value))


# --- rules ------------------------------------------------------------------------------------------------------------------

JUDGE = """const [rules, cases, terms] = values;
const knows = (name, term) => terms[name]?.includes(term);
return cases.map(([rule, facts]) => verdict.verdictOf(rules[rule], facts, knows));"""
TERMS = {
    name: sorted(VOCABULARIES[attribute.vocabulary].concepts)
    for name, attribute in ATTRIBUTES.items()
    if attribute.vocabulary in VOCABULARIES
}


class Pairs:
    """Rules with their lookups, and coins with what the engine says of them."""

    def __init__(self) -> None:
        self.lookups: list[Any] = []
        self.cases: list[tuple[int, Any, str]] = []
        self.asked = 0
        self._maker = LookupMaker(ATTRIBUTES, AROUND)

    def add(self, rule: Any, coins: Sequence[Mapping[str, Any]]) -> bool:
        made = self._maker.of(a_rule(rule))
        if made.ask is not None:
            return False
        self.cases += [(len(self.lookups), as_read(facts), verdict_of(rule, facts)) for facts in coins]
        self.lookups.append(as_read(made))
        return True

    def differing(self, page: Page, modules: Modules, variant: str = "sound") -> list[tuple[Any, Any, str, str]]:
        """The pairs of which the module says something else than the engine."""
        found, self.asked = [], 0
        for start in range(0, len(self.cases), AT_ONCE):
            cases = self.cases[start : start + AT_ONCE]
            first = cases[0][0]
            lookups = self.lookups[first : cases[-1][0] + 1]
            sent = [(rule - first, facts) for rule, facts, _ in cases]
            told = call(page, modules, variant, JUDGE, lookups, sent, TERMS)
            self.asked += told.count("ask")
            found += [
                (self.lookups[rule], facts, says, said)
                for (rule, facts, says), said in zip(cases, told, strict=True)
                if said not in (says, "ask")
            ]
        return found


@pytest.fixture(scope="module")
def pairs() -> Pairs:
    made = Pairs()
    # Between two whole numbers there is none, whatever a range of years has.
    made.add("year_on_coin > 1899 AND year_on_coin < 1900", [{"year_on_coin": {"from": 1898, "to": 1901}}])
    for seed in range(COINS // COINS_A_RULE):
        chance = Random(seed)
        rule = a_made_up_rule(chance, odd=0)
        reads = sorted(predicates.reads(a_rule(rule)))
        made.add(rule, [some_facts(chance, reads) for _ in range(COINS_A_RULE)])
    assert len(made.cases) > 0.9 * COINS
    return made


def test_a_rule_is_judged_as_the_engine_does(chromium: Page, modules: Modules, pairs: Pairs) -> None:
    assert pairs.differing(chromium, modules) == []
    met = Counter(says for *_, says in pairs.cases)
    print(f"{len(pairs.cases)} pairs of {len(pairs.lookups)} rules, {pairs.asked} of them to be asked: {dict(met)}")
    assert pairs.asked < len(pairs.cases) / 20
    assert min(met.values()) > len(pairs.cases) / 50


def test_the_cases_of_the_language_are_judged_so(chromium: Page, modules: Modules) -> None:
    made = Pairs()
    held = [made.add(case["rule"], [case["facts"]]) for _, case in RULES if "today" not in case]
    assert made.differing(chromium, modules) == []
    assert sum(held) - made.asked > len(held) / 2


DECIDE = """const [rules, cases, terms] = values;
const knows = (name, term) => terms[name]?.includes(term);
return cases.map(([rule, facts]) => Object.fromEntries(verdict.waysDecide(rules[rule], facts, knows)));"""
# By rule and facts the share of each fact's meanings that decide; and values of it that do and that do not.
DECIDING: list[tuple[str, dict[str, Any], dict[str, float], list[tuple[str, Any, bool]]]] = [
    ("denomination = 'crown' AND year_on_coin < 1901", {}, {"denomination": 0.5, "year_on_coin": 0.5},
     [("denomination", "penny", True), ("denomination", "crown", False), ("year_on_coin", 1901, True)]),
    ("denomination = 'crown' AND year_on_coin < 1901", {"denomination": "crown"}, {"year_on_coin": 1.0},
     [("year_on_coin", 1900, True), ("year_on_coin", 1901, True)]),
    ("denomination = 'crown' AND year_on_coin < 1901", {"denomination": "penny"}, {}, []),
    ("denomination = 'crown' OR (grade > 20 AND magnetic = TRUE)", {}, {"denomination": 0.5},
     [("denomination", "crown", True), ("grade", 10, False), ("magnetic", False, False)]),
    ("NOT denomination = 'crown'", {"denomination": {"one_of": ["crown", "penny"]}}, {"denomination": 1.0},
     [("denomination", "crown", True), ("denomination", "penny", True)]),
]  # fmt: skip


def test_the_facts_that_would_decide_a_place_are_told(chromium: Page, modules: Modules) -> None:
    maker = LookupMaker(ATTRIBUTES, AROUND)
    rules = [as_read(maker.of(a_rule(rule))) for rule, *_ in DECIDING]
    told = call(chromium, modules, "sound", DECIDE, rules, [(at, case[1]) for at, case in enumerate(DECIDING)], TERMS)
    for (rule, facts, shares, values), found in zip(DECIDING, told, strict=True):
        assert found == shares, rule
        for name, value, decides in values:
            # As the engine judges it.
            assert (verdict_of(rule, {**facts, name: value}) != "undecided") is decides, (rule, name, value)


FAULTS: dict[str, Planted] = {
    "a cut point is taken for a gap": {"sheet/verdict.js": ("cuts[at] === value ? 2 * at + 1 : 2 * at", "2 * at")},
    "a gap without a whole number is one": {
        "sheet/verdict.js": (
            ".filter((truths) => truths !== null)",
            ".map((truths) => truths ?? 'y'.repeat(lookup.leaves.length))",
        )
    },
    "known to be none is taken for unknown": {
        "sheet/verdict.js": ("value.none ? lookup.none : null", "value.none ? lookup.unknown : null")
    },
    "unknown is taken for no": {
        "sheet/verdict.js": ("return lookup.unknown;", "return ['n'.repeat(lookup.leaves.length)];")
    },
    "the ends of a range alone": {
        "sheet/verdict.js": (".slice(first, last + 1)", ".filter((_, at) => at === first || at === last)")
    },
    "a term that is not known is as one that is": {
        "sheet/verdict.js": ("isKnown ? lookup.known : lookup.other", "lookup.known")
    },
    "worlds are not looked at": {"sheet/verdict.js": ("of open[at].ways) {", "of open[at].ways.slice(0, 1)) {")},
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_of_a_verdict_is_seen(chromium: Page, modules: Modules, pairs: Pairs, fault: str) -> None:
    variant = f"fault-{list(FAULTS).index(fault)}"
    modules.variants[variant] = FAULTS[fault]
    found = pairs.differing(chromium, modules, variant)
    print(f"{fault}: {len(found)} differ")
    assert found


# --- sets -------------------------------------------------------------------------------------------------------------------

COMPARE = """const [cases] = values;
const found = [], met = {};
cases.forEach(({document, coins, unsent}, at) => coins.forEach(([facts, candidate], number) => {
    const [said] = effect.effects(document, facts, unsent);
    met[said.effect] = (met[said.effect] ?? 0) + 1;
    const differs = again.differences(said, candidate);
    if (differs.length > 0) found.push([at, number, differs, said, candidate]);
}));
return [found, met];"""


@dataclass(frozen=True)
class Case:
    """The sheet of a set, and coins with what the service says of each when the coins of `unsent` are there as well."""

    document: Any
    coins: list[tuple[Any, Any]]
    unsent: list[dict[str, Any]]
    request: EvaluationRequest


def document_of(evaluated: Evaluated) -> Any:
    sheet, vocabularies = sent_sheet(evaluated)
    return as_read({"vocabularies": vocabularies, "sets": [sheet]})


def answered(evaluated: Evaluated, tray: Sequence[Mapping[str, Any]]) -> list[Any]:
    """What the service says of coins that come behind all others."""
    raw = [{"id": f"~{number:03}", "facts": facts} for number, facts in enumerate(tray)]
    coins = some_holdings(raw, evaluated.request.definition.attributes)
    return [as_read(as_sent(one)) for one in candidates(evaluated, coins)]


def a_case(
    request: EvaluationRequest, tray: Sequence[Mapping[str, Any]], unsent: Sequence[Mapping[str, Any]] = ()
) -> Case:
    before = Evaluated(request, tries=len(tray))
    bought = [{"id": f"new-{number}", "facts": facts} for number, facts in enumerate(unsent)]
    coins = some_holdings(bought, request.definition.attributes)
    now = Evaluated(replace(request, holdings=(*request.holdings, *coins))) if bought else before
    told = [{"number": f"P-{number}", "facts": as_read(facts)} for number, facts in enumerate(unsent)]
    pairs = [(as_read(facts), one) for facts, one in zip(tray, answered(now, tray), strict=True)]
    return Case(document_of(before), pairs, told, request)


def tight_case(seed: int) -> Case:
    """Few places and few coins, most of which fit: chains are long."""
    chance = Random(seed)
    document, held = a_tight_set(chance)
    if chance.random() < 0.7:
        document["constraints"] = []
    document["prefer"] = chance.choice(([], [{"highest": "grade"}], [{"lowest": "year_on_coin"}, {"highest": "grade"}]))
    tray = [coin["facts"] for _ in range(MOST_COINS) for coin in a_tight_set(chance)[1]][:MOST_COINS]
    return a_case(a_measurement(document, held), tray)


def bought_case(seed: int) -> Case:
    """A set of which one to three coins were bought since."""
    chance = Random(seed)
    document, held = a_set(chance, with_rules=seed % 4 == 1), a_collection(chance)
    made = [a_coin(chance, "", plain=0.8)["facts"] for _ in range(MOST_COINS + 3)]
    return a_case(a_measurement(document, held, issues=ISSUES), made[3:], made[: chance.randint(1, 3)])


def made_up_cases() -> Iterator[Case]:
    each = max(CANDIDATES // (4 * MOST_COINS), 2)
    for seed in range(FIRST, FIRST + 2 * each):
        yield a_case(*made_up_set(seed))
    for seed in range(FIRST, FIRST + each):
        yield tight_case(seed)
        yield bought_case(seed)
    for name in SHIPPED:
        for seed in range(FIRST, FIRST + -(-each // 50)):
            yield a_case(*shipped_set(name, seed))


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return list(made_up_cases())


class Compared:
    """How often the app says something else than the service, and what it says."""

    def __init__(self, page: Page, modules: Modules, cases: Sequence[Case], variant: str = "sound") -> None:
        self.found: list[Any] = []
        self.met: Counter[str] = Counter()
        for start in range(0, len(cases), 100):
            some = cases[start : start + 100]
            sent = [{"document": one.document, "coins": one.coins, "unsent": one.unsent} for one in some]
            found, met = call(page, modules, variant, COMPARE, sent)
            self.found += [[start + at, *more] for at, *more in found]
            self.met.update(met)


EFFECTS = {"fills", "frees", "betters", "spare", "undecided", "outside", "bought", "ask"}


def test_a_coin_does_what_the_service_says(chromium: Page, modules: Modules, cases: list[Case]) -> None:
    told = Compared(chromium, modules, cases)
    print(f"{sum(told.met.values())} candidates in {len(cases)} sets: {dict(told.met)}")
    assert told.found == []
    assert set(told.met) == EFFECTS
    assert told.met["ask"] < sum(told.met.values()) / 2


EFFECT_FAULTS: dict[str, Planted] = {
    "a chain one step short": {"sheet/effect.js": ("...place.coin.moves]", "...place.coin.moves.slice(0, -1)]")},
    "a set-level rule is forgotten": {
        "sheet/effect.js": ("sheet.places[at].coin.conditions.every((one) => conditionMet(one, coin))", "true")
    },
    "what is presumed is not": {"sheet/views.js": ('if (verdict === "yes") Object.assign', "if (false) Object.assign")},
    "candidate issues are dropped": {"sheet/views.js": ("left = all.filter(", "left = all.slice(0, 0).filter(")},
    "of a doubt the last value counts": {"sheet/effect.js": ("worst = Math.max(worst,", "worst = Math.max(-Infinity,")},
    "unsent coins are not looked at": {"sheet/effect.js": ("unsent.length === 0 ? told :", "true ? told :")},
}


@pytest.mark.parametrize("fault", EFFECT_FAULTS)
def test_a_planted_fault_of_an_effect_is_seen(chromium: Page, modules: Modules, cases: list[Case], fault: str) -> None:
    variant = f"effect-{list(EFFECT_FAULTS).index(fault)}"
    modules.variants[variant] = EFFECT_FAULTS[fault]
    told = Compared(chromium, modules, cases, variant)
    print(f"{fault}: {len(told.found)} differ")
    assert told.found


def test_a_stale_sheet_is_seen(chromium: Page, modules: Modules, cases: list[Case]) -> None:
    old = [
        replace(one, document=document_of(Evaluated(replace(one.request, holdings=one.request.holdings[:-1]))))
        for one in cases[:200]
        if len(one.request.holdings) > 0 and not one.unsent
    ]
    told = Compared(chromium, modules, old)
    print(f"a stale sheet: {len(told.found)} differ")
    assert told.found


# --- what the reader in Python says -------------------------------------------------------------------------------------------

READ = """const [cases] = values;
return cases.map(({document, coins}) => coins.map(({facts}) => effect.effects(document, facts)[0]));"""


def told_otherwise(mine: Mapping[str, Any], theirs: Mapping[str, Any]) -> bool:
    """Whether two readers say different things of a coin; one may ask where the other can tell."""
    if "ask" in (mine["effect"], theirs["effect"]):
        return False
    if mine["effect"] != theirs["effect"] or mine["exact"] != theirs.get("exact", True):
        return True
    if mine["exact"] and mine["effect"] in ("fills", "frees"):
        return bool(mine["places"] != theirs["places"])
    if mine["effect"] == "outside":
        closest = theirs["closest"]
        return bool(mine["closest"] is not None and closest is not None and mine["closest"] != closest)
    if mine["effect"] == "betters":
        step = {"from": mine["betters"]["from"], "to": mine["betters"]["to"], **theirs["betters"]}
        return bool({**mine["betters"]} != {**step, "criterion": mine["betters"]["criterion"]})
    return False


def test_both_readers_say_the_same(chromium: Page, modules: Modules) -> None:
    made = as_read(list(sheet_cases.cases(40, first=9_000)))
    told = call(chromium, modules, "sound", READ, made)
    pairs = [
        (mine, coin["effect"])
        for case, answers in zip(made, told, strict=True)
        for coin, mine in zip(case["coins"], answers, strict=True)
    ]
    assert [(mine, theirs) for mine, theirs in pairs if told_otherwise(mine, theirs)] == []
    more = sum(mine["effect"] == "ask" != theirs["effect"] for mine, theirs in pairs)
    print(f"{len(pairs)} coins; the app asks about {more} of which the other reader tells")
    assert more < len(pairs) / 20


# --- a tray and a sum of money --------------------------------------------------------------------------------------------------

CHOOSE = """const [cases] = values;
return cases.map(({document, coins, prices, budget}) => {
    const [sheet] = document.sets;
    const priced = coins.map((facts, at) => {
        const [said] = effect.effects(document, facts);
        const ways = effect.waysIn(sheet, said);
        return {id: `~${at}`, price: tray.moneyOf(prices[at]), sets: ways.length > 0 ? {a: ways} : {}, said: said.effect};
    });
    return [tray.bestFor(priced, tray.moneyOf(budget)), priced.some(({said}) => said === "ask")];
});"""


def a_tray(seed: int) -> tuple[dict[str, Any], Any]:
    """A set, coins with prices, a sum of money, and what the service says to buy."""
    chance = Random(seed)
    document, held = a_set(chance, with_rules=False), a_collection(chance)
    request = a_measurement(document, held, issues=ISSUES)
    coins = [a_coin(chance, "", plain=0.9)["facts"] for _ in range(6)]
    prices = [Decimal(chance.choice(("4", "7.50", "12", "20", "33.25"))) for _ in coins]
    budget = Decimal(chance.choice(("10", "25", "40.5")))
    evaluated = Evaluated(request)
    raw = [{"id": f"~{at}", "facts": facts} for at, facts in enumerate(coins)]
    read = some_holdings(raw, request.definition.attributes)
    says = purchase(evaluated, read, {f"~{at}": price for at, price in enumerate(prices)}, budget)
    asked = {
        "document": document_of(evaluated),
        "coins": as_read(coins),
        "prices": [str(price) for price in prices],
        "budget": str(budget),
    }
    return asked, as_read(as_sent(says))


def test_a_tray_is_chosen_from_as_the_service_does_or_promises_less(chromium: Page, modules: Modules) -> None:
    made = [a_tray(seed) for seed in range(60)]
    told = call(chromium, modules, "sound", CHOOSE, [asked for asked, _ in made])
    same = whole = 0
    for (asked, says), (choice, is_asked) in zip(made, told, strict=True):
        mine, theirs = [choice["required"], choice["places"]], [says["required_gain"], says["possible_gain"]]
        assert mine <= theirs, (asked, says, choice)
        assert Decimal(choice["cost"]) / 1000 <= Decimal(asked["budget"])
        # Of what is to be asked nothing is promised; else it is mostly the very best.
        if not is_asked:
            whole += 1
            same += mine == theirs and Decimal(choice["cost"]) / 1000 == Decimal(str(says["cost"]))
    print(f"{whole} trays of which all can be told, {same} chosen as the service does")
    assert whole > 20 and same > 0.8 * whole


def test_the_control_sees_a_tray_that_counts_a_place_twice(chromium: Page, modules: Modules) -> None:
    modules.variants["twice"] = {"sheet/tray.js": ("way.uses.some((place) => taken.has(place))", "false")}
    made = [a_tray(seed) for seed in range(60)]
    told = call(chromium, modules, "twice", CHOOSE, [asked for asked, _ in made])
    more = [
        seed
        for seed, ((_, says), (choice, _)) in enumerate(zip(made, told, strict=True))
        if [choice["required"], choice["places"]] > [says["required_gain"], says["possible_gain"]]
    ]
    assert more
