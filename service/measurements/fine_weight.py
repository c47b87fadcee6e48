"""Fine weight by a named rule: how much precious metal a piece holds, exact, and rounded half-even where it is shown.

A troy ounce is 480 grains of exactly 64.79891 mg: 31.1034768 g (units of NIST Handbook 44, appendix C; from memory). A
fineness is often printed rounded (.833 for 5/6), and using the printed figure changes the result, so both are given.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.facts.holding import Facts
from service.measurements.plausibility import Published, Span, material_of, spans, spoiled

TROY_OUNCE = Fraction("31.1034768")
GRAM_PLACES, OUNCE_PLACES = 4, 6

BY_LAW = "legal weight x legal fineness"
AS_PRINTED = "printed weight x printed fineness"
AS_MEASURED = "measured weight x legal fineness"
STATUTE = "statute"


@dataclass(frozen=True, slots=True)
class FineWeight:
    """The fine weight by one rule in g, from `low` to `high` (equal where it is one figure); both None where the rule gives
    none, and `why` the reason."""

    rule: str
    metal: str
    why: str
    low: Fraction | None = None
    high: Fraction | None = None


def fine_weights(measured: Facts, issue: Published) -> tuple[FineWeight, ...]:
    """The fine weight by every rule that the figures allow; nothing where no fineness and no fine weight is published."""
    return tuple(_by_rules(measured, issue))


def rounded(value: Fraction, places: int) -> Decimal:
    """Half-even, with exactly so many places."""
    # Made from text: arithmetic with decimals would keep 28 digits only.
    return Decimal(f"{round(value * 10**places)}E-{places}")


def in_troy_ounces(grams: Fraction) -> Fraction:
    return grams / TROY_OUNCE


def _by_rules(measured: Facts, issue: Published) -> Iterator[FineWeight]:
    metal = material_of(issue.facts)
    stated = _only(issue.facts, "fine_weight")
    if stated is not None:
        yield _found(STATUTE, metal, "the law gives the weight of the metal itself", stated)
    printed_fineness, printed_weight = _only(issue.facts, "fineness"), _only(issue.facts, "weight_legal")
    if printed_fineness is None:
        return
    fineness = Span(*[issue.exact["fineness"]] * 2) if "fineness" in issue.exact else printed_fineness
    weight = Span(*[issue.exact["weight_legal"]] * 2) if "weight_legal" in issue.exact else printed_weight
    if printed_weight is not None and weight is not None:
        yield _found(BY_LAW, metal, f"{_named(weight)} g x {_named(fineness)}", weight, fineness)
        if (weight, fineness) != (printed_weight, printed_fineness):
            why = (
                f"{_named(printed_weight)} g x {_named(printed_fineness)}: the printed figures are rounded, which moves the "
                "result"
            )
            yield _found(AS_PRINTED, metal, why, printed_weight, printed_fineness)
    yield from _as_measured(measured, issue, metal, fineness)


def _as_measured(measured: Facts, issue: Published, metal: str, fineness: Span) -> Iterator[FineWeight]:
    if "weight_measured" not in measured:
        return
    weight, harm = _only(measured, "weight_measured"), spoiled(measured, "weight_measured")
    if "core_material" in issue.facts or metal in ("clad", "plated", "bimetallic"):
        why = (
            "it is made in layers that differ in fineness and wear unequally: this needs the composition of each layer"
        )
        yield FineWeight(AS_MEASURED, metal, why)
    elif harm:
        why = f"the coin is or may be {', '.join(harm)}, so its weight is not that of its alloy alone"
        yield FineWeight(AS_MEASURED, metal, why)
    elif weight is not None:
        yield _found(AS_MEASURED, metal, f"{_named(weight)} g x {_named(fineness)}", weight, fineness)


def _only(facts: Facts, attribute: str) -> Span | None:
    """The figure where there is one, or one range with both ends."""
    found = spans(facts.get(attribute))
    return found[0] if len(found) == 1 and None not in (found[0].low, found[0].high) else None


def _found(rule: str, metal: str, why: str, weight: Span, share: Span | None = None) -> FineWeight:
    share = share or Span(Fraction(1), Fraction(1))
    assert weight.low is not None
    assert weight.high is not None
    assert share.low is not None
    assert share.high is not None
    return FineWeight(rule, metal, why, weight.low * share.low, weight.high * share.high)


def _named(span: Span) -> str:
    """A figure as it enters a product: a decimal where it ends, else the fraction."""
    low, high = (_figure(end) for end in (span.low, span.high) if end is not None)
    return low if low == high else f"({low} to {high})"


def _figure(number: Fraction) -> str:
    rest = number.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    places = 12
    if rest == 1 and (number * 10**places).denominator == 1:
        shown = f"{rounded(number, places):f}"
        return shown.rstrip("0").rstrip(".")
    return str(number)
