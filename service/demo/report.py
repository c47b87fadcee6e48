"""The answers as tables that a collector reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

SURE = {"forced": "settled", "choice": "another would do as well"}
DOUBT = {"alternatives": "if the doubt falls right", "unknown": "if what nobody recorded is right"}
MOST_SPARES = 12
MOST_DOUBTS, MOST_OUTCOMES = 6, 4


@dataclass
class Coins:
    """The coins by the owner's own number, in a few words; `names` leads from the server's ids to the numbers."""

    facts: dict[str, dict[str, Any]]
    issuers: Mapping[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)

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

    def words(self, identity: str) -> str:
        """The coin as its owner would call it: "a05  United Kingdom 1889 penny, grade 8"."""
        facts = self.facts[self.number(identity)]["facts"]
        year, name = said(facts.get("year_on_coin")), said(facts.get("denomination"))
        issuer, grade = self._named(facts.get("issuer")), said(facts.get("grade"))
        parts = [part for part in (issuer, year, name) if part]
        return f"{self.number(identity)}  {' '.join(parts)}{f', grade {grade}' if grade else ''}"

    def _named(self, issuer: Any) -> str:
        if isinstance(issuer, dict) and "one_of" in issuer:
            return " or ".join(self._named(one) for one in issuer["one_of"])
        return self.issuers.get(issuer, said(issuer)) if isinstance(issuer, str) else said(issuer)


def said(value: Any) -> str:
    """A fact in a few words: 1892 or 1893; 1895 to 1901; nothing where nobody looked."""
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
    """One set: the headline, every place, the spares, what stands in the way."""
    console.print()
    console.rule(f"[bold]{escape(document['title'])}[/bold]")
    console.print(f"[dim]{escape(document.get('summary', ''))}[/dim]")
    console.print(f"[dim]{escape(collector)}[/dim]\n")
    console.print(headline(result))
    table = Table(show_edge=False, pad_edge=False, header_style="bold", expand=False)
    table.add_column("Place")
    table.add_column("Coin")
    table.add_column("How sure")
    table.add_column("Next best")
    for entry in result["slots"]:
        table.add_row(*_row(entry, coins))
    for group in [*result["one_per"], *result["free_choice"]]:
        for entry in group["places"]:
            table.add_row(*_row(entry, coins))
    console.print(table)
    _show_conflicts(console, result, coins)
    _show_unplaced(console, result, coins)


def headline(result: Mapping[str, Any]) -> str:
    """The figures in one line."""
    summary = result["summary"]
    line = f"{summary['places']} places: [bold]{summary['filled']} filled[/bold]"
    if summary["tentative"]:
        line += f", {summary['tentative']} in doubt"
    line += f", {summary['empty']} empty. Sure whatever the doubts turn out to be: {summary['certain']}."
    return line + (
        " Proven: no better arrangement exists." if result["proven_optimal"] else " Not proven to be the best."
    )


def _row(entry: Mapping[str, Any], coins: Coins) -> tuple[str, str, str, str]:
    label = escape(entry["label"])
    best = next(iter(entry.get("alternates", ())), None)
    following = escape(_next_best(best, coins)) if best else ""
    if entry["status"] == "empty":
        return label, "[red]empty[/red]", "", following
    sure = SURE.get(entry["certainty"]) or DOUBT[entry["basis"]]
    coin = escape(coins.words(entry["holding"]))
    return label, f"[yellow]{coin}[/yellow]" if entry["status"] == "tentative" else coin, sure, following


def _next_best(alternate: Mapping[str, Any], coins: Coins) -> str:
    number, loses = coins.number(alternate["holding"]), alternate["loses_on"]
    if "criterion" in loses:
        return f"{number}, {_criterion(loses)}"
    if "doubt" in loses:
        return f"{number}, in doubt"
    if "set" in loses:
        return f"{number}, but the set as a whole would lose"
    return f"{number}, as good"


def _criterion(loses: Mapping[str, Any]) -> str:
    criterion = loses["criterion"]
    if "where" in criterion:
        rule = criterion["where"]
        return f"fails {rule}" if isinstance(rule, str) else "which fails a preference"
    kind, name = next((kind, criterion[kind]) for kind in ("highest", "lowest", "order") if kind in criterion)
    if loses["this"] is None:
        return f"{name} not recorded"
    return f"{name} {loses['this']}" if kind != "order" else f"{name} comes later"


def _show_conflicts(console: Console, result: Mapping[str, Any], coins: Coins) -> None:
    for conflict in result["conflicts"]:
        if conflict["kind"] != "undecided":
            console.print(f"\n[bold]In the way:[/bold] {escape(_renamed(conflict['message'], coins))}")
    doubts = [conflict for conflict in result["conflicts"] if conflict["kind"] == "undecided"]
    if doubts:
        console.print(f"\n[bold]To look at ({len(doubts)}):[/bold]")
    labels = _labels(result)
    for conflict in doubts[:MOST_DOUBTS]:
        console.print(f"  {escape(coins.words(conflict['holding']))}")
        for fact in conflict["settle"]:
            console.print(f"      {escape(_settling(fact, labels))}")


def _labels(result: Mapping[str, Any]) -> dict[str, str]:
    """The labels of places and groups by their addresses."""
    labels = {group["id"]: group["label"] for group in result["free_choice"]}
    for entry in (*result["slots"], *(entry for group in result["one_per"] for entry in group["places"])):
        labels[entry["place"]] = entry["label"]
    return labels


def _renamed(message: str, coins: Coins) -> str:
    for identity, number in coins.names.items():
        message = message.replace(identity, number)
    return message


def _settling(fact: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    """One fact to find out, what each outcome opens, and where to look."""
    told = [(value, [labels.get(place, place) for place in places]) for value, places in fact["outcomes"].items()]
    ways = [f"{value} \u2192 {_some(places)}" for value, places in told if places][:MOST_OUTCOMES]
    nowhere = [value for value, places in told if not places]
    if nowhere:
        ways.append(f"{', '.join(nowhere[:MOST_OUTCOMES])} \u2192 nowhere")
    name = fact["attribute"].replace("_", " ")
    return f"{name}: {'; '.join(ways)}" + (f". Look at: {fact['look_at']}" if fact["look_at"] else "")


def _some(places: Sequence[str]) -> str:
    return ", ".join(places[:3]) + (f" and {len(places) - 3} more" if len(places) > 3 else "")


def _show_unplaced(console: Console, result: Mapping[str, Any], coins: Coins) -> None:
    for reason, title in (("spare", "Spare"), ("undecided", "May fit somewhere"), ("outside", "Not of this set")):
        entries = [entry for entry in result["unplaced"] if entry["reason"] == reason]
        if not entries:
            continue
        shown = "; ".join(_unplaced_words(entry, coins) for entry in entries[:MOST_SPARES])
        more = f"; and {len(entries) - MOST_SPARES} more" if len(entries) > MOST_SPARES else ""
        console.print(f"\n[bold]{title} ({len(entries)}):[/bold] {escape(shown)}{more}")


def _unplaced_words(entry: Mapping[str, Any], coins: Coins) -> str:
    words = coins.words(entry["holding"])
    closest = entry.get("closest")
    return (
        f"{words} (closest: {closest['place']}, but not {' and not '.join(closest['failing'])})" if closest else words
    )
