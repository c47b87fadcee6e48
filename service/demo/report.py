"""The answers as tables for a collector."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

MOST_SPARES = 12
MOST_DOUBTS, MOST_FACTS, MOST_OUTCOMES = 6, 3, 4


@dataclass
class Coins:
    """The coins by the owner's own number, in a few words; `names` leads from the server's ids to the numbers."""

    facts: dict[str, dict[str, Any]]
    issuers: Mapping[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    titles: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, holdings: Sequence[dict[str, Any]], issuers: Mapping[str, str]) -> Coins:
        """The coins of a collection; `issuers` are the names of issuers by code."""
        return cls({holding["id"]: holding for holding in holdings}, issuers)

    def rename(self, identity: str, number: str) -> None:
        """The server knows this coin under another id."""
        self.names[identity] = number

    def number(self, identity: str) -> str:
        """The owner's number."""
        return self.names.get(identity, identity)

    def entitle(self, named: Mapping[str, Mapping[str, Any]]) -> None:
        """The titles that an answer gives to its coins."""
        for identity, name in named.items():
            issuer = self.facts_of(identity).get("issuer")
            # An issuer of the owner's own has no name but its code, which `issuer` makes readable.
            if not (isinstance(issuer, str) and issuer.startswith("x-")):
                self.titles[self.number(identity)] = name["title"]

    def words(self, identity: str) -> str:
        """The coin as its owner would call it: "a05  1889 penny, United Kingdom, grade 8"."""
        facts = self.facts_of(identity)
        grade = said(facts.get("grade"))
        title = self.titles.get(self.number(identity))
        if title is not None:
            return f"{self.number(identity)}  {title}" + (f", grade {grade}" if grade and "grade" not in title else "")
        kind = " ".join(part for part in (said(facts.get("year_on_coin")), said(facts.get("denomination"))) if part)
        parts = [kind, self.issuer(facts.get("issuer")), grade and f"grade {grade}"]
        return f"{self.number(identity)}  {', '.join(part for part in parts if part)}"

    def facts_of(self, identity: str) -> Mapping[str, Any]:
        """What is recorded of the coin."""
        facts: Mapping[str, Any] = self.facts[self.number(identity)]["facts"]
        return facts

    def issuer(self, value: Any) -> str:
        """The recorded issuer by its name."""
        if isinstance(value, dict) and "one_of" in value:
            return " or ".join(map(self.issuer, value["one_of"]))
        if isinstance(value, str):
            # An issuer of the owner's own has no name but its code.
            return self.issuers.get(value) or value.removeprefix("x-").replace("-", " ").capitalize()
        return said(value).replace("_", " ")


def said(value: Any) -> str:
    """A fact in a few words: 1892 or 1893; 1895 to 1901; nothing where none is recorded."""
    if isinstance(value, dict):
        if "one_of" in value:
            return " or ".join(said(item) for item in value["one_of"])
        if "none" in value:
            return "none"
        low, high = value.get("from"), value.get("to")
        return (
            f"{low} to {high}"
            if low is not None and high is not None
            else f"from {low}"
            if high is None
            else f"to {high}"
        )
    if isinstance(value, list):
        return " and ".join(value)
    return "" if value is None else str(value)


def show_evaluation(
    console: Console, document: Mapping[str, Any], collector: str, result: Mapping[str, Any], coins: Coins
) -> None:
    """One set: the headline, every place, conflicts, what to check, and the coins without a place."""
    console.print()
    console.rule(f"[bold]{escape(document['title'])}[/bold]")
    console.print(f"[dim]{escape(document.get('summary', ''))}[/dim]")
    console.print(f"[dim]{escape(collector)}[/dim]\n")
    console.print(headline(result))
    coins.entitle(result["named"])
    table = Table(show_edge=False, pad_edge=False, header_style="bold", expand=False)
    for heading in ("Place", "Coin", "Status", "Next best"):
        table.add_column(heading)
    set_ = _Set(document, result, coins)
    for entry in _entries(result):
        table.add_row(*set_.row(entry))
    console.print(table)
    _show_conflicts(console, result, set_)
    _show_unplaced(console, result, set_)


def headline(result: Mapping[str, Any]) -> str:
    """The figures in one line."""
    summary = result["summary"]
    line = f"{summary['places']} places: [bold]{summary['filled']} filled[/bold]"
    if summary["tentative"]:
        line += f", {summary['tentative']} possible"
    line += f", {summary['empty']} empty. Certain: {summary['certain']}."
    return line + (
        " Proven: no better arrangement exists." if result["proven_optimal"] else " Not proven to be the best."
    )


def _entries(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Every place, in the order of the document."""
    groups = [*result["one_per"], *result["free_choice"]]
    return [*result["slots"], *(entry for group in groups for entry in group["places"])]


class _Set:
    """One set's answer in words."""

    def __init__(self, document: Mapping[str, Any], result: Mapping[str, Any], coins: Coins) -> None:
        self.document, self.coins = document, coins
        self.labels = {group["id"]: group["label"] for group in result["free_choice"]}
        self.labels |= {entry["place"]: entry["label"] for entry in _entries(result)}
        self.doubts = {c["holding"]: c["settle"] for c in result["conflicts"] if c["kind"] == "undecided"}

    def row(self, entry: Mapping[str, Any]) -> tuple[str, str, str, str]:
        """Place, coin, status, next best."""
        label = escape(entry["label"])
        best = next(iter(entry.get("alternates", ())), None)
        following = escape(self._next_best(entry["place"], best)) if best else ""
        if entry["status"] == "empty":
            return label, "[red]empty[/red]", "", following
        coin = escape(self.coins.words(entry["holding"]))
        if entry["status"] == "tentative":
            return label, f"[yellow]{coin}[/yellow]", escape(self._possible(entry)), following
        return label, coin, self._certainty(entry), following

    def _certainty(self, entry: Mapping[str, Any]) -> str:
        if entry["certainty"] == "forced":
            return "certain"
        others = [self.coins.number(one) for one in entry.get("interchangeable_with", ())]
        return f"interchangeable with no. {', '.join(others)}" if others else "interchangeable"

    def _possible(self, entry: Mapping[str, Any]) -> str:
        names = [fact["attribute"] for fact in self.doubts.get(entry["holding"], ())]
        missing = [name for name in names if name not in self.coins.facts_of(entry["holding"])]
        facts = " and ".join(missing or names).replace("_", " ")
        return f"possible: {facts} not recorded" if missing else f"possible: check {facts}"

    def _next_best(self, place: str, alternate: Mapping[str, Any]) -> str:
        number, loses = self.coins.number(alternate["holding"]), alternate["loses_on"]
        if "criterion" in loses:
            return f"{number}: {self._criterion(alternate['holding'], loses)}"
        if "doubt" in loses:
            return f"{number}: only possible"
        if "set" in loses:
            rules = [f"'{name}'" for name in self._rules_over(place)]
            return f"{number}: blocked by rule {' or '.join(rules)}" if rules else f"{number}: needed elsewhere"
        return f"{number}: equally good"

    def _criterion(self, holding: str, loses: Mapping[str, Any]) -> str:
        """What makes the coin the lesser one: its own grade, its problems."""
        criterion = loses["criterion"]
        if "where" in criterion:
            problems = self.coins.facts_of(holding).get("problems")
            if "problems" not in str(criterion["where"]):
                return f"not {criterion['where']}"
            return said(problems) if problems else "problems not recorded"
        name = next(criterion[kind] for kind in ("highest", "lowest", "order") if kind in criterion)
        return f"{name} not recorded" if loses["this"] is None else f"{name} {loses['this']}"

    def _rules_over(self, place: str) -> list[str]:
        """The set-level rules that a place is under."""
        names = {place, place.partition("/")[0]}
        return [
            rule.get("label") or rule["id"]
            for rule in self.document.get("constraints", ())
            if not names.isdisjoint(rule.get("places", names))
        ]

    def to_check(self, facts: Sequence[Mapping[str, Any]]) -> list[str]:
        """Each fact with its outcomes; of a coin that nearly nothing is known of only their names."""
        if len(facts) <= MOST_FACTS:
            return [self._outcomes(fact) for fact in facts]
        names = [fact["attribute"].replace("_", " ") for fact in facts]
        return [f"{', '.join(names[:-1])} and {names[-1]}"]

    def _outcomes(self, fact: Mapping[str, Any]) -> str:
        """One fact to check, the places that each outcome opens, and where to look."""
        attribute = fact["attribute"]
        told = [
            (outcome["when"], [self.labels.get(place, place) for place in outcome["places"]])
            for outcome in fact["outcomes"]
        ]
        ways = [f"{value} \u2192 {_some(places)}" for value, places in told if places][:MOST_OUTCOMES]
        nowhere = [value for value, places in told if not places]
        if nowhere:
            ways.append(f"{', '.join(nowhere[:MOST_OUTCOMES])} \u2192 no place")
        name = attribute.replace("_", " ")
        return f"{name}: {'; '.join(ways)}" + (f". Look at: {fact['look_at']}" if fact["look_at"] else "")

    def unplaced(self, entry: Mapping[str, Any]) -> str:
        """A coin without a place; of one outside the set the closest place."""
        words, closest = self.coins.words(entry["holding"]), entry.get("closest")
        if not closest:
            return words
        return f"{words} (closest: {closest['label']}; needs {' and '.join(closest['failing'])})"


def _show_conflicts(console: Console, result: Mapping[str, Any], set_: _Set) -> None:
    for conflict in result["conflicts"]:
        if conflict["kind"] != "undecided":
            console.print(f"\n[bold]Conflict:[/bold] {escape(conflict['message'])}")
    doubts = [conflict for conflict in result["conflicts"] if conflict["kind"] == "undecided"]
    if doubts:
        console.print(f"\n[bold]Check ({len(doubts)}):[/bold]")
    for conflict in doubts[:MOST_DOUBTS]:
        console.print(f"  {escape(set_.coins.words(conflict['holding']))}")
        for line in set_.to_check(conflict["settle"]):
            console.print(f"      {escape(line)}")
    if len(doubts) > MOST_DOUBTS:
        console.print(f"  and {len(doubts) - MOST_DOUBTS} more")


def _some(places: Sequence[str]) -> str:
    return ", ".join(places[:3]) + (f" and {len(places) - 3} more" if len(places) > 3 else "")


def _show_unplaced(console: Console, result: Mapping[str, Any], set_: _Set) -> None:
    for reason, title in (("spare", "Duplicates"), ("undecided", "To be checked"), ("outside", "Outside the set")):
        entries = [entry for entry in result["unplaced"] if entry["reason"] == reason]
        if not entries:
            continue
        shown = "; ".join(set_.unplaced(entry) for entry in entries[:MOST_SPARES])
        more = f"; and {len(entries) - MOST_SPARES} more" if len(entries) > MOST_SPARES else ""
        console.print(f"\n[bold]{title} ({len(entries)}):[/bold] {escape(shown)}{more}")
