"""Metals, fineness and mintmarks as written: Ag .925, 22ct gold, 900/1000, Cu75Ni25, "no mm", S/D.

A carat is a twenty-fourth part; sterling is 0.925 (Coinage acts of the United Kingdom), Britannia silver 0.958 (from memory).
Chemical symbols: IUPAC."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from types import MappingProxyType
from typing import Any

from service.notation.reading import NONE, Reading, tidy, without_doubt

_METALS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "gold": ("au", "av", "n", "gold", "or", "oro", "goud"),
        "silver": ("ag", "ar", "silver", "silber", "argent", "plata", "argento", "zilver"),
        "platinum": ("pt", "platinum", "platin", "platine"),
        "palladium": ("pd", "palladium"),
        "copper": ("cu", "copper", "kupfer", "cuivre", "cobre", "rame", "koper"),
        "copper alloy": ("ae", "æ", "copper alloy"),
        "bronze": ("bronze", "bronce", "bronzo", "brons", "cusn", "cu-sn"),
        "brass": ("brass", "messing", "laiton", "cuzn", "cu-zn"),
        "cupro-nickel": (
            "cupro-nickel", "cupronickel", "cupro nickel", "copper-nickel", "copper nickel", "cuni", "cu-ni", "cu/ni", "cn",
            "kupfernickel", "kupfer-nickel", "cupronickel",
        ),
        "nickel": ("ni", "nickel"),
        "nickel-brass": ("nickel-brass", "nickel brass", "ni-brass", "ni brass"),
        "steel": ("steel", "stahl", "acier", "acero"),
        "stainless steel": ("stainless steel", "stainless"),
        "iron": ("fe", "iron", "eisen", "fer"),
        "zinc": ("zn", "zinc", "zink"),
        "aluminium": ("al", "aluminium", "aluminum", "alu"),
        "aluminium-bronze": ("aluminium-bronze", "aluminium bronze", "aluminum-bronze", "aluminum bronze", "al-bronze"),
        "tin": ("sn", "tin", "zinn"),
        "lead": ("pb", "lead", "blei"),
        "titanium": ("ti", "titanium"),
        "niobium": ("nb", "niobium"),
        "bimetallic": ("bimetallic", "bi-metallic", "bimetal", "bi-metal", "bimetall"),
        "billon": ("billon", "bi", "bil"),
        "electrum": ("electrum", "el"),
        "Nordic gold": ("nordic gold",),
    }
)  # fmt: skip
_NAMES = {word: metal for metal, words in _METALS.items() for word in words}
_NAMED_FINENESS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "sterling": ("silver", "0.925"), "sterling silver": ("silver", "0.925"), "fine silver": ("silver", "0.999"),
        "britannia silver": ("silver", "0.958"), "crown gold": ("gold", "0.917"), "coin silver": ("silver", "0.9"),
        "fine gold": ("gold", "0.999"),
    }
)  # fmt: skip
_CARAT = re.compile(r"(\d{1,2}(?:[.,]\d{1,2})?)\s*-?\s*(?:ct|kt|k|carats?|karats?|karat)\.?", re.I)
_MILLE = re.compile(r"(\d{3}(?:[.,]\d{1,2})?)\s*(?:/\s*1000|‰|per mille|fine)?", re.I)
_PART = re.compile(r"(\d{1,2})\s*/\s*(\d{2})")
_SHARE = re.compile(r"0?[.,](\d{1,6})(?:\s*fine)?", re.I)
_CENT = re.compile(r"(\d{1,2}(?:[.,]\d{1,3})?)\s*(?:%|per cent|percent)", re.I)
_ALLOY = re.compile(r"(?:[A-Z][a-z]?\s?\d{1,2}(?:[.,]\d+)?%?[\s,/-]*){2,6}")
_ELEMENT = re.compile(r"([A-Z][a-z]?)\s?(\d{1,2}(?:[.,]\d+)?)")


def read_fineness(written: str) -> Decimal | None:
    """The share of precious metal from per mille, per cent, carats or a fraction of one; None where it is none.
    Carats and parts are rounded to three decimals, as laws print them.

    >>> [str(read_fineness(text)) for text in ("925", ".925", "92.5 %", "22ct", "11/12", "0,835", "900/1000", "sterling", "7")]
    ['0.925', '0.925', '0.925', '0.917', '0.917', '0.835', '0.9', '0.925', 'None']
    """
    text = tidy(written).strip()
    named = _NAMED_FINENESS.get(text.casefold())
    if named is not None:
        return Decimal(named[1])
    part = _PART.fullmatch(text)
    if part is not None and 0 < int(part[1]) <= int(part[2]):
        return (Decimal(part[1]) / Decimal(part[2])).quantize(Decimal("0.001"), ROUND_HALF_UP).normalize()
    for shape, parts in ((_SHARE, None), (_CARAT, 24), (_MILLE, 1000), (_CENT, 100)):
        found = shape.fullmatch(text)
        if found is None:
            continue
        share = Decimal(f"0.{_figures(found[1])}") if parts is None else Decimal(_point(found[1])) / parts
        if parts == 24:
            share = share.quantize(Decimal("0.001"), ROUND_HALF_UP)
        return share.normalize() if 0 < share <= 1 else None
    return None


def _figures(text: str) -> str:
    return "".join(str(int(figure)) for figure in text)


def _point(text: str) -> str:
    return text.replace(",", ".")


def read_metal(written: str) -> Reading:
    """`material`, and `fineness` and `composition` where the text says them. A doubted metal ("silver?") is offered only. A metal
    that is not on the list is left as `rest`: the vocabulary of materials may know it."""
    text, is_doubted = without_doubt(tidy(written))
    facts = _metal_facts(text)
    if not facts:
        return Reading(rest=tidy(written))
    return Reading({}, facts, tidy(written)) if is_doubted else Reading(facts)


def _metal_facts(text: str) -> dict[str, Any]:
    word = text.casefold().strip(" .")
    if word in _NAMED_FINENESS:
        metal, share = _NAMED_FINENESS[word]
        return {"material": metal, "fineness": Decimal(share)}
    if word in _NAMES:
        return {"material": _NAMES[word]}
    if _ALLOY.fullmatch(text):
        return _alloy(text)
    for name, figures in _halves(text):
        metal = _NAMES.get(name.casefold().strip(" .,()"), "")
        part = read_fineness(figures.strip(" ,()"))
        if metal and part is not None:
            return {"material": metal, "fineness": part} if metal in _PRECIOUS else {}
    return {}


_PRECIOUS = ("gold", "silver", "platinum", "palladium", "billon", "electrum")


def _halves(text: str) -> list[tuple[str, str]]:
    """The text as a metal and figures, in either order."""
    found = []
    front = re.fullmatch(r"([^\W\d_][^\d.,(]*?)\s*-?\s*\(?([.,\d].*)", text)
    if front is not None:
        found.append((front[1], front[2]))
    words = text.split()
    found += [(" ".join(words[at:]), " ".join(words[:at])) for at in range(1, len(words))]
    return found


def _alloy(text: str) -> dict[str, Any]:
    parts = [(symbol, Decimal(_point(share))) for symbol, share in _ELEMENT.findall(text)]
    facts: dict[str, Any] = {"composition": [f"{symbol} {share:f}" for symbol, share in parts]}
    most = max(parts, key=lambda part: part[1])[0].casefold()
    symbols = "".join(symbol.casefold() for symbol, _ in parts)
    material = _NAMES.get(symbols) or (_NAMES.get(most) if most in ("au", "ag") else None)
    fine = next((share for symbol, share in parts if symbol in ("Au", "Ag")), None)
    facts |= {} if material is None else {"material": material}
    return facts if fine is None else {**facts, "fineness": (fine / 100).normalize()}


# --- mintmarks ---------------------------------------------------------------------------------------------------------------

_NO_MARK = frozenset(
    [
        "no mm",
        "no mintmark",
        "no mint mark",
        "nomm",
        "no mark",
        "none",
        "without",
        "without mintmark",
        "without mm",
        "w/o mm",
        "w/o",
        "plain",
        "nil",
        "-",
        "no letter",
        "ohne",
        "ohne mzz",
        "ohne münzzeichen",
        "sans",
        "no m.m.",
        "no m/m",
        "no",
    ]
)
_MARK = re.compile(
    r"(?:mm|mintmark|mint mark|m\.m\.)\s*[:=]?\s*(?P<before>\S+)|(?P<after>\S+)\s+(?:mm|mintmark|mint mark|m\.m\.)",
    re.I,
)
_OVER = re.compile(r"(?P<mark>[^\W\d_]{1,2})\s*(?:/|over)\s*(?P<under>[^\W\d_]{1,2})", re.I)
_EITHER = re.compile(r"(?P<one>[^\W\d_]{1,3})\s+or\s+(?P<other>[^\W\d_]{1,3})", re.I)


def read_mintmark(written: str) -> Reading:
    """`mintmark`: the letters as written; `{"none": true}` for "no mm"; alternatives for "D or S". One mark over another (S/D) is
    the upper, with the rest among `features`. A doubted mark is offered only."""
    text = tidy(written)
    if text.casefold().strip(" .()") in _NO_MARK or text == "-":
        return Reading({"mintmark": NONE})
    bare, is_doubted = without_doubt(text)
    marked = _MARK.fullmatch(bare)
    mark = (marked["before"] or marked["after"]) if marked is not None else bare.strip("()'\"")
    if not mark.strip("?. ") or mark.casefold() in ("worn", "illegible", "unknown", "unclear"):
        return Reading(rest=text)
    over, either = _OVER.fullmatch(mark), _EITHER.fullmatch(mark)
    facts: dict[str, Any] = {"mintmark": mark}
    if over is not None:
        facts = {"mintmark": over["mark"], "features": [f"mintmark {over['mark']} over {over['under']}"]}
    elif either is not None:
        facts = {"mintmark": {"one_of": [either["one"], either["other"]]}}
    return Reading({}, facts, text) if is_doubted else Reading(facts)
