"""A reader of need sheets: what a coin would do in each set, by the document alone (docs/need-sheets.md).

Slow and obvious, an outside view: it shares no code with the service.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, product
from typing import Any

YES, NO, UNDECIDED = "yes", "no", "undecided"
MEASURED = (
    *("weight_measured", "weight_legal", "weight_tolerance", "weight_least"),
    *("fine_weight", "diameter", "thickness"),
)
MOST_DIGITS, MOST_PERHAPS, MOST_CANDIDATES = 15, 10, 100


class Ask(Exception):
    """Only the service can tell."""


@dataclass
class View:
    """What a coin may be; `presumed` are the attributes that are taken for granted."""

    facts: dict[str, Any]
    presumed: frozenset[str] = field(default_factory=frozenset)

    @property
    def bare(self) -> View:
        return View({name: fact for name, fact in self.facts.items() if name not in self.presumed})


def is_none(fact: Any) -> bool:
    return isinstance(fact, dict) and fact == {"none": True}


def is_plain(fact: Any) -> bool:
    """Whether the fact is one value, a list or none."""
    return not isinstance(fact, dict) or is_none(fact) or len(fact.get("one_of", ())) == 1


def plain(fact: Any) -> Any:
    return fact["one_of"][0] if isinstance(fact, dict) and "one_of" in fact else fact


def number(value: Any) -> Fraction:
    """A number, exactly as it is written; a date as its day."""
    if isinstance(value, str):
        return Fraction(date.fromisoformat(value).toordinal())
    return Fraction(str(value))


def as_key(value: Any) -> Any:
    """The value for comparing."""
    if isinstance(value, bool | str):
        return value
    if isinstance(value, int | float | Decimal):
        return number(value)
    return ("none",) if is_none(value) else frozenset(value)


class Sheet:
    """One set of the document."""

    def __init__(self, sheet: Mapping[str, Any], vocabularies: Mapping[str, Any]) -> None:
        self.sheet, self.vocabularies = sheet, vocabularies
        self.attributes = {attribute["name"]: attribute for attribute in sheet["attributes"]}

    # -- 1: what is known of a coin

    def views(self, facts: Mapping[str, Any]) -> list[View]:
        own = self._read(facts)
        return [self._with_presumed(View(known)) for known in self._identified(own)]

    def _read(self, facts: Mapping[str, Any]) -> dict[str, Any]:
        issuer = facts.get("issuer")
        known = {}
        for name, fact in facts.items():
            if name not in self.attributes:
                continue
            attribute = self.attributes[name]
            names = attribute["by_issuer"]
            meant = names.get(issuer if isinstance(issuer, str) else "", names.get("", {}))
            known[name] = self._fact(attribute, fact, meant)
        return known

    def _fact(self, attribute: Mapping[str, Any], fact: Any, meant: Mapping[str, str]) -> Any:
        if not isinstance(fact, dict):
            return self._value(attribute, fact, meant)
        if "one_of" in fact:
            return {"one_of": [self._value(attribute, value, meant) for value in fact["one_of"]]}
        return {word: part if is_none(fact) else self._value(attribute, part, meant) for word, part in fact.items()}

    def _value(self, attribute: Mapping[str, Any], value: Any, meant: Mapping[str, str]) -> Any:
        if is_none(value):
            return value
        if attribute["many"]:
            return [self._text(attribute, text, meant) for text in ([value] if isinstance(value, str) else value)]
        if attribute["type"] == "text":
            return self._text(attribute, value, meant)
        if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
            digits = Decimal(str(value)).normalize().as_tuple().digits
            if len(digits) > MOST_DIGITS:
                raise Ask
        return value

    def _text(self, attribute: Mapping[str, Any], text: str, meant: Mapping[str, str]) -> str:
        text = meant.get(text, text)
        if not attribute["is_open"] and not self._is_known(attribute, text):
            raise Ask
        return text

    def _is_known(self, attribute: Mapping[str, Any], text: str) -> bool:
        scheme = self.vocabularies.get(attribute["vocabulary"], {"terms": {}})
        return text in attribute["values"] or text in attribute["terms"] or text in scheme["terms"]

    def _identified(self, own: dict[str, Any]) -> list[dict[str, Any]]:
        for entry in self.sheet["identify"]:
            if self.rule(entry["rule"], View(own)) == YES:
                return self._as_issues(own, entry["issues"])
        return [own]

    def _as_issues(self, own: dict[str, Any], pool: Sequence[int]) -> list[dict[str, Any]]:
        issues = self.sheet["issues"]
        for name in {name for at in pool for name in issues[at]["facts"]}:
            if self._can_contradict(name) and name in own and not is_plain(own[name]):
                raise Ask
        if "year_on_coin" not in own or is_none(own["year_on_coin"]) or not is_plain(own["year_on_coin"]):
            raise Ask
        left = [at for at in pool if self._agrees(own, issues[at]["facts"])]
        if not left:
            return [own]
        left = [
            at
            for at in left
            if issues[at]["part_of"] is not None or not any(issues[other]["part_of"] == at for other in left)
        ]
        left = [at for at in left if not any(other in issues[at]["within"] for other in left)]
        if len(left) > MOST_CANDIDATES:
            return [own]
        return [{**issues[at]["facts"], **own} for at in left]

    def _can_contradict(self, name: str) -> bool:
        return name in self.attributes and not self.attributes[name]["many"] and name not in MEASURED

    def _agrees(self, own: Mapping[str, Any], issue: Mapping[str, Any]) -> bool:
        return all(
            self._is_alike(name, plain(own[name]), issue[name])
            for name in own
            if name in issue and self._can_contradict(name)
        )

    def _is_alike(self, name: str, value: Any, said: Any) -> bool:
        if isinstance(said, dict) and ("from" in said or "to" in said):
            if is_none(value):
                return False
            low, high = said.get("from"), said.get("to")
            here = number(value)
            return (low is None or number(low) <= here) and (high is None or here <= number(high))
        others = said["one_of"] if isinstance(said, dict) and "one_of" in said else [said]
        if any(as_key(value) == as_key(other) for other in others):
            return True
        if is_none(value):
            return False
        if isinstance(value, str):
            agreeing = self.sheet["agreement"].get(name, {}).get(value, [])
            return any(other in agreeing for other in others)
        if isinstance(value, bool):
            return False
        return any(_rounds_to(other, value) for other in others if not is_none(other) and not isinstance(other, bool))

    def _with_presumed(self, view: View) -> View:
        facts, presumed = dict(view.facts), set[str]()
        for entry in self.sheet["presume"]:
            more = {name: fact for name, fact in entry["facts"].items() if name not in facts}
            if not more:
                continue
            verdict = YES
            if entry["rule"] is not None:
                verdict = self.rule(entry["rule"], View(facts))
                reads = self.sheet["rules"][entry["rule"]]["reads"]
                if verdict == UNDECIDED and any(name in facts and not is_plain(facts[name]) for name in reads):
                    raise Ask
            if verdict == YES:
                facts.update(more)
                presumed.update(more)
        return View(facts, frozenset(presumed))

    # -- 2: the verdict of a rule

    def rule(self, at: int, view: View) -> str:
        rule = self.sheet["rules"][at]
        if rule["ask"]:
            raise Ask
        each = [
            [dict(zip(lookup["leaves"], truths, strict=True)) for truths in self._truths(lookup, view)]
            for lookup in rule["lookups"]
        ]
        seen = set()
        for world in product(*each):
            letters = {leaf: letter == "y" for part in world for leaf, letter in part.items()}
            seen.add(_holds(rule["tree"], letters))
        return UNDECIDED if len(seen) > 1 else YES if seen.pop() else NO

    def verdict(self, at: int, views: Sequence[View]) -> str:
        """Of all that the coin may be."""
        found = {self.rule(at, view) for view in views}
        return found.pop() if len(found) == 1 else UNDECIDED

    def _truths(self, lookup: Mapping[str, Any], view: View) -> set[str]:
        name = lookup["attribute"]
        if name not in view.facts:
            return set(lookup["unknown"])
        fact = view.facts[name]
        if is_none(fact):
            return set(lookup["none"])
        if isinstance(fact, dict) and "one_of" in fact:
            return {
                truths for value in fact["one_of"] for truths in self._truths(lookup, View({**view.facts, name: value}))
            }
        if lookup["kind"] == "numbers":
            return set(self._of_number(lookup, fact))
        if lookup["kind"] == "terms":
            return set(self._of_term(lookup, fact))
        return {truths for texts in _lists(fact) for truths in _of_list(lookup, texts)}

    def _of_number(self, lookup: Mapping[str, Any], fact: Any) -> Iterator[str]:
        attribute = self.attributes[lookup["attribute"]]
        low, high = (fact.get("from"), fact.get("to")) if isinstance(fact, dict) else (fact, fact)
        if isinstance(fact, dict):
            low = attribute["low"] if low is None else low
            high = attribute["high"] if high is None else high
        cuts = [number(cut) for cut in lookup["cuts"]]
        first, last = (None if end is None else number(end) for end in (low, high))
        whole = attribute["type"] in ("integer", "date")
        for at, truths in enumerate(lookup["regions"]):
            if truths is None:
                continue
            if at % 2:
                cut = cuts[at // 2]
                is_met = (first is None or first <= cut) and (last is None or cut <= last)
            else:
                before = cuts[at // 2 - 1] if at else None
                after = cuts[at // 2] if at // 2 < len(cuts) else None
                is_met = _meets(before, after, first, last, whole=whole)
            if is_met:
                yield truths

    def _of_term(self, lookup: Mapping[str, Any], fact: Any) -> list[str]:
        text = {True: "true", False: "false"}[fact] if isinstance(fact, bool) else fact
        if text in lookup["terms"]:
            found: list[str] = lookup["terms"][text]
            return found
        scheme = self.vocabularies.get(self.attributes[lookup["attribute"]]["vocabulary"], {"terms": {}})
        found = lookup["known"] if lookup["known"] is not None and text in scheme["terms"] else lookup["other"]
        if found is None:
            raise Ask
        return found

    # -- 3 and 4: places, and what the coin does

    def effect(self, facts: Mapping[str, Any]) -> dict[str, Any]:
        """What the coin would do: `effect`, and with it `places`, `exact`, `betters`, `closest` or `look_at`."""
        if self.sheet["ask"]:
            return {"effect": "ask"}
        try:
            return self._effect(self.views(facts))
        except Ask:
            return {"effect": "ask"}

    def verdicts(self, facts: Mapping[str, Any]) -> list[str]:
        """Of each place: yes, no, undecided, or ask."""
        try:
            views = self.views(facts)
        except Ask:
            return ["ask" for _ in self.sheet["places"]]
        return [self._at_place(place, views) for place in self.sheet["places"]]

    def _at_place(self, place: Mapping[str, Any], views: Sequence[View]) -> str:
        try:
            return self.verdict(place["rule"], views)
        except Ask:
            fails = any(self._or_ask(clause["rule"], views) == NO for clause in place["clauses"])
            return NO if fails else "ask"

    def _or_ask(self, rule: int, views: Sequence[View]) -> str:
        try:
            return self.verdict(rule, views)
        except Ask:
            return "ask"

    def _effect(self, views: Sequence[View]) -> dict[str, Any]:
        places = self.sheet["places"]
        verdicts = [self._at_place(place, views) for place in places]
        for group in self.sheet["open_groups"]:
            opened = self._opened(group, views)
            if opened is not None:
                return {"effect": "fills", "places": [opened], "exact": False}
        if "ask" in verdicts:
            raise Ask
        sure = [at for at, verdict in enumerate(verdicts) if verdict == YES]
        may = [at for at, verdict in enumerate(verdicts) if verdict == UNDECIDED]
        if not sure and not may:
            return {"effect": "outside", "closest": self._closest(views)}
        if not sure:
            reads = {name for at in may for name in self.sheet["rules"][places[at]["rule"]]["reads"]}
            open_facts = [
                name
                for name in sorted(reads)
                if any(name not in view.facts or not is_plain(view.facts[name]) for view in views)
                or len({repr(view.facts[name]) for view in views}) > 1
            ]
            return {"effect": "undecided", "look_at": open_facts}
        kinds = {places[at]["coin"]["kind"] for at in (*sure, *may)}
        if kinds != {"chain"}:
            return self._beside(sure, views)
        return self._by_chain(sure, may, views)

    def _closest(self, views: Sequence[View]) -> dict[str, Any] | None:
        nearest: tuple[int, dict[str, Any]] | None = None
        seen = set()
        for place in self.sheet["places"]:
            if place["rule"] in seen:
                continue
            seen.add(place["rule"])
            told = [self._or_ask(clause["rule"], views) for clause in place["clauses"]]
            if "ask" in told:
                return None
            failing = [clause["needs"] for clause, one in zip(place["clauses"], told, strict=True) if one == NO]
            count = max(len(failing), 1)
            if nearest is None or count < nearest[0]:
                address = place["group"] if place["kind"] == "free_choice" else place["place"]
                nearest = count, {"place": address, "failing": failing}
        return None if nearest is None else nearest[1]

    def _opened(self, group: Mapping[str, Any], views: Sequence[View]) -> str | None:
        """The place of its own that the coin has in the group."""
        verdict = YES if group["rule"] is None else self.verdict(group["rule"], views)
        if verdict == NO:
            return None
        there = [tuple(as_key(value) for value in key) for key in group["keys"]]
        shown: dict[tuple[Any, ...], list[Any]] = {}
        for view in views:
            for key in product(*(self._keys_of(part, view.facts.get(part["attribute"])) for part in group["parts"])):
                shown[tuple(as_key(value) for value in key)] = list(key)
        new = [key for key in shown if key not in there]
        if not new:
            return None
        if verdict != YES or len(shown) > 1 or not group["is_free"]:
            raise Ask
        if any(not is_plain(view.facts.get(part["attribute"])) for view in views for part in group["parts"]):
            raise Ask
        (key,) = shown.values()
        return f"{group['id']}/{'/'.join(_as_address(value) for value in key)}"

    def _keys_of(self, part: Mapping[str, Any], fact: Any) -> list[Any]:
        if fact is None:
            return []
        if not part["is_plain"]:
            raise Ask
        if isinstance(fact, dict) and ("from" in fact or "to" in fact):
            return []
        if isinstance(fact, dict) and ("has" in fact or "perhaps" in fact):
            return [self._as_term(part, text) for text in (*fact.get("has", ()), *fact.get("perhaps", ()))]
        values = fact["one_of"] if isinstance(fact, dict) and "one_of" in fact else [fact]
        found: list[Any] = []
        for value in values:
            if is_none(value):
                found += [value] if part["none"] else []
            else:
                found += [self._as_term(part, one) for one in (value if isinstance(value, list) else [value])]
        return found

    def _as_term(self, part: Mapping[str, Any], value: Any) -> Any:
        name = self.attributes[part["attribute"]]["vocabulary"]
        if name is not None and isinstance(value, str) and value not in self.vocabularies[name]["terms"]:
            raise Ask
        return value

    def _beside(self, sure: Sequence[int], views: Sequence[View]) -> dict[str, Any]:
        for at in sure:
            coin = self.sheet["places"][at]["coin"]
            if coin["kind"] == "beside" and all(self._is_met(one, views) for one in coin["conditions"]):
                return {"effect": "fills", "places": [self.sheet["places"][at]["place"]], "exact": False}
            if coin["kind"] == "chain":
                total = self._own(at, views)[1]
                if any(total[self._level(name)] < 0 for name in ("required", "places")):
                    filled = self.sheet["places"][coin["fills"]]["place"]
                    return {"effect": "fills", "places": [filled], "exact": False}
        raise Ask

    def _is_met(self, condition: Mapping[str, Any], views: Sequence[View]) -> bool:
        if condition["kind"] == "rule":
            return self._or_ask(condition["rule"], views) == NO
        keys = set()
        for view in views:
            facts = [view.facts.get(name, {"one_of": []}) for name in condition["by"]]
            if not all(is_plain(fact) for fact in facts):
                return False
            keys.add(tuple(as_key(plain(fact)) for fact in facts))
        if len(keys) != 1:
            return False
        values = {tuple(as_key(value) for value in one) for one in condition["values"]}
        return (keys.pop() in values) == condition["among"]

    def _level(self, name: str) -> int:
        levels: list[str] = self.sheet["levels"]
        return levels.index(name)

    def _by_chain(self, sure: Sequence[int], may: Sequence[int], views: Sequence[View]) -> dict[str, Any]:
        places, levels = self.sheet["places"], self.sheet["levels"]
        for at in may:
            self._own(at, views)
        totals = {at: self._own(at, views) for at in sure}
        best = min(sure, key=lambda at: (totals[at][1], places[at]["coin"]["rank"]))
        own, total = totals[best]
        counts = self._level("places") + 1
        doubts = slice(counts, counts + 2)
        maybe: dict[int, list[Fraction]] = {}
        for at in may:
            lost = [number(one) for one in places[at]["coin"]["loss"]]
            lost[self._level("places")] -= 1
            lost[self._level("required")] -= places[at]["tier"] == "required"
            maybe[at] = lost
        better = {at: lost for at, lost in maybe.items() if lost[:counts] < total[:counts]}
        if better:
            least = min(lost[:counts] for lost in better.values())
            first = [at for at, lost in better.items() if lost[:counts] == least]
            if len(first) > 1 or least[0] != 0:
                raise Ask
            return self._filled(first[0])
        for lost in maybe.values():
            unknown, alternatives = lost[doubts]
            if lost[:counts] == total[:counts] and total[doubts] >= [unknown, alternatives + 1]:
                raise Ask
        changed = next((level for level, lost in zip(levels, total, strict=True) if lost), None)
        if changed == "moved":
            changed = None
        if changed is not None and total[self._level(changed)] < 0:
            if changed in ("required", "places"):
                return self._filled(best)
            if changed == "pins":
                raise Ask
            return {"effect": "betters", "exact": True, "betters": self._betters(best, own, changed, views)}
        if changed is None and any(places[at]["coin"]["is_doubtful"] for at in (*sure, *may)):
            raise Ask
        return {"effect": "spare", "exact": True}

    def _filled(self, at: int) -> dict[str, Any]:
        fills = self.sheet["places"][at]["coin"]["fills"]
        address = self.sheet["places"][fills]["place"]
        return {"effect": "fills" if fills == at else "frees", "places": [address], "exact": True}

    def _own(self, at: int, views: Sequence[View]) -> tuple[list[Fraction], list[Fraction]]:
        """What the coin loses itself at a place, and in all, by level."""
        place = self.sheet["places"][at]
        own = [Fraction(0)] * len(self.sheet["levels"])
        own[self._level("places")] = Fraction(-1)
        if place["tier"] == "required":
            own[self._level("required")] = Fraction(-1)
        if self.verdict(place["rule"], [view.bare for view in views]) != YES:
            own[self._level("presumed")] = Fraction(1)
        for one in place["preferences"]:
            preference = self.sheet["preferences"][one]
            lost = self._lost(preference, views)
            worst = preference["worst"]
            if lost is not None and preference["missing_counts"] and (worst is None or lost > number(worst)):
                raise Ask
            own[self._level(preference["level"])] = number(preference["missing"]) if lost is None else lost
        loss = [number(lost) for lost in place["coin"]["loss"]]
        return own, [one + lost for one, lost in zip(own, loss, strict=True)]

    def _lost(self, preference: Mapping[str, Any], views: Sequence[View]) -> Fraction | None:
        """What a coin loses by a criterion; None: the fact is missing."""
        if preference["rule"] is not None:
            return Fraction(-1 if self.verdict(preference["rule"], views) == YES else 0)
        found = []
        for view in views:
            fact = view.facts.get(preference["attribute"])
            if fact is None or is_none(fact):
                return None
            highest = "highest" in preference["criterion"]
            if isinstance(fact, dict) and "one_of" not in fact:
                end = fact.get("from" if highest else "to")
                if end is None:
                    return None
                values = [end]
            else:
                values = fact["one_of"] if isinstance(fact, dict) else [fact]
            for value in values:
                if is_none(value):
                    return None
                if "order" in preference["criterion"]:
                    listed = preference["values"]
                    found.append(Fraction(listed.index(value) if value in listed else len(listed)))
                else:
                    found.append(-number(value) if highest else number(value))
        return max(found)

    def _betters(self, best: int, own: Sequence[Fraction], level: str, views: Sequence[View]) -> dict[str, Any]:
        places, at = self.sheet["places"], self._level(level)
        coin = places[best]["coin"]
        if coin["seat"] is not None and own[at] < number(coin["seat"]["loss"][at]):
            return {"place": places[best]["place"], **self._step(places[best], coin["seat"], None, level, views)}
        for move in coin["moves"]:
            if move["before"] is not None and number(move["after"]["loss"][at]) < number(move["before"]["loss"][at]):
                place = places[move["place"]]
                return {"place": place["place"], **self._step(place, move["before"], move["after"], level, views)}
        raise Ask

    def _step(
        self,
        place: Mapping[str, Any],
        before: Mapping[str, Any],
        after: Mapping[str, Any] | None,
        level: str,
        views: Sequence[View],
    ) -> dict[str, Any]:
        if level in ("unknown", "alternatives"):
            return {"criterion": {"doubt": True}}
        if level in ("to_check", "presumed"):
            return {"criterion": {level: True}}
        names = [self.sheet["preferences"][one]["level"] for one in place["preferences"]]
        at = names.index(level)
        preference = self.sheet["preferences"][place["preferences"][at]]
        if after is None:
            lost = self._lost(preference, views)
            more_is_better = not {"lowest", "order"} & preference["criterion"].keys()
            to = None if lost is None else -lost if more_is_better else lost
        else:
            to = None if after["values"][at] is None else number(after["values"][at])
        was = before["values"][at]
        return {"criterion": preference["criterion"], "from": None if was is None else number(was), "to": to}


def _holds(tree: Any, letters: Mapping[int, bool]) -> bool:
    if isinstance(tree, bool):
        return tree
    if isinstance(tree, int):
        return letters[tree]
    word, *parts = tree
    if word == "not":
        return not _holds(parts[0], letters)
    return (all if word == "and" else any)(_holds(part, letters) for part in parts)


def _meets(
    before: Fraction | None, after: Fraction | None, first: Fraction | None, last: Fraction | None, *, whole: bool
) -> bool:
    """Whether a value lies between the cut points (both left out) and within the ends (both included)."""
    if not whole:
        return (after is None or first is None or first < after) and (before is None or last is None or before < last)
    lows = (None if before is None else before // 1 + 1, None if first is None else -(-first // 1))
    highs = (None if after is None else -(-after // 1) - 1, None if last is None else last // 1)
    low = max((one for one in lows if one is not None), default=None)
    high = min((one for one in highs if one is not None), default=None)
    return low is None or high is None or low <= high


def _lists(fact: Any) -> Iterator[frozenset[str]]:
    """All lists that it may be."""
    if not isinstance(fact, dict):
        yield frozenset(fact)
        return
    has, perhaps = set(fact.get("has", ())), sorted(set(fact.get("perhaps", ())))
    if len(perhaps) > MOST_PERHAPS:
        raise Ask
    for size in range(len(perhaps) + 1):
        for more in combinations(perhaps, size):
            yield frozenset(has.union(more))


def _of_list(lookup: Mapping[str, Any], texts: frozenset[str]) -> Iterator[str]:
    meanings: Iterable[tuple[list[int], ...]] = product(
        *(lookup["meanings"][text] for text in sorted(texts) if text in lookup["meanings"])
    )
    for chosen in meanings:
        meant = {clause for one in chosen for clause in one}
        yield "".join(
            "y" if (at in meant if test.get("narrower") else _passes(test, texts)) else "n"
            for at, test in enumerate(lookup["tests"])
        )


def _passes(test: Mapping[str, Any], texts: frozenset[str]) -> bool:
    if test.get("never"):
        return False
    if "count" in test and test["count"][min(len(texts), len(test["count"]) - 1)] != "y":
        return False
    if "all" in test and not texts.issuperset(test["all"]):
        return False
    if "any" in test and texts.isdisjoint(test["any"]):
        return False
    return not ("only" in test and not texts.issubset(test["only"]))


def _rounds_to(exact: Any, recorded: Any) -> bool:
    value = Decimal(str(recorded)).normalize()
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)
    unit = Fraction(1, 10 ** max(-exponent, 0))
    return abs(number(exact) - number(recorded)) * 2 <= unit


def _as_address(value: Any) -> str:
    if is_none(value):
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value).replace("%", "%25").replace("/", "%2F")
    return "%6Eone" if value == "none" else text


def read_sheets(document: Mapping[str, Any]) -> dict[str | None, Sheet]:
    """The sheets of a document, by the id of the definition."""
    assert document["format"] == "need-sheet/1"
    return {one["definition"]["id"]: Sheet(one, document["vocabularies"]) for one in document["sets"]}
