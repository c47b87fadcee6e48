"""The starter catalogue of pieces whose weight a law gives: the tables behind service/reference/data/law_issues.json.

Numbers are read from the outside check values by their ids and converted exactly (1 grain is 0.06479891 g, 1 inch is
25.4 mm); what the check values do not say (labels, words of metals, years) is said here by hand, from memory, and each
entry's source says so. make_reference_data.py writes the file.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

GRAIN = Decimal("0.06479891")
INCH = Decimal("25.4")
TROY_OUNCE = Decimal("31.1034768")
BY_THE_METAL = "whether a magnet holds it follows from the metal (no source: common practice)"


@dataclass(frozen=True)
class Piece:
    """One entry. `weight`, `tolerance`, `least` and `diameter` are ids of check values, or ids with `*` in front: the first
    number of that value's expression, or a figure from memory after `=` (=96 grain), whose `law` is named. `group` binds
    look-alikes that denomination and issuer do not. `mints`: where it was struck, from memory."""

    id: str
    label: str
    denomination: str
    years: tuple[int | None, int | None]
    material: str
    weight: str | tuple[str, str]
    fineness: str = ""
    fineness_from: str = ""
    exact_fineness: str = ""
    exact_weight: Fraction | None = None
    tolerance: str = ""
    least: str = ""
    diameter: str = ""
    magnetic: bool = False
    issuer: Any = "GB"
    group: str = ""
    more: dict[str, Any] = field(default_factory=dict)
    note: str = ""
    law: str = ""
    mints: tuple[str, ...] = ()
    published: str = ""
    narrows: str = ""  # the entry of which this is a part: one reign of it


class Checks:
    """The outside check values by id."""

    def __init__(self, folder: Path) -> None:
        document = json.loads((folder / "check_values.json").read_text(encoding="utf-8"))
        self.values = {value["id"]: value for value in document["values"]}
        self.sources: dict[str, Any] = document["sources"]

    def number(self, name: str) -> Decimal:
        """In g or mm, exactly."""
        if name.startswith("="):
            first, unit = name[1:].split(" ")
        elif name.startswith("*"):
            first, unit = self.values[name[1:]]["expression"].split(" ")[0], "g"
            # Of the United States' laws of 1837 and 1873 these two are in grains ("412.5 x 0.9 / 480").
            unit = "grain" if name[1:] in ("us.1837.dollar.asw", "us.1873.gold20.agw") else "g"
        else:
            first, unit = self.values[name]["value"], self.values[name]["unit"]
        return Decimal(first) * {"g": 1, "mm": 1, "grain": GRAIN, "inch": INCH, "ozt": TROY_OUNCE}[unit]

    def source(self, names: list[str]) -> str:
        """The laws behind these values, each once, marked where it is from memory."""
        told = []
        for name in names:
            value = self.values[name.removeprefix("*")]
            key = value["source"] if value["source"] != "derived" else LAW_OF_DERIVED[value["id"]]
            law = self.sources[key]
            if law["title"] == "general knowledge":
                text = "from memory"
            else:
                section = f", {law['section']}" if law["section"] and not law["section"].isdigit() else ""
                memory = value["seen"] == "memory" or law["seen"].startswith("MEMORY")
                text = f"{law['title']}{section}" + (" (from memory)" if memory else "")
            told.append(text)
        return "; ".join(dict.fromkeys(told))


LAW_OF_DERIVED = {
    "us.1837.dollar.asw": "act1837",
    "us.1873.gold20.agw": "act1873",
    "us.5112.gold50.fine22": "usc5112",
    "us.war5c.asw": "mint42",
    "lmu.gold.rule": "lmu1885",
    "lmu.silver5.asw": "lmu1865",
    "lmu.silver1.asw": "lmu1865",
}

SHILLING = Fraction(5760, 66) * Fraction(GRAIN)  # 66 shillings from a troy pound of 5760 grains
SOVEREIGN = Fraction(77758692, 9734375)  # 934 1/2 sovereigns from 20 troy pounds: check value uk.sovereign.rule
NEAR = 0.8
CHANGED = "the standard changed during 1920"

BRITANNICA = "Encyclopaedia Britannica, 11th ed. (1911), Florin"
FLORIN = f"the first florin is of 1849: {BRITANNICA}; the rest from memory"
DOUBLE_FLORIN = f"1887 to 1890: {BRITANNICA}"
NO_MARK: dict[str, Any] = {"mintmark": {"none": True}}  # from memory: none of the London pieces after 1816 has one
CROWN = (
    "a crown of 1927, struck for Christmas presents: Museums Victoria, item 57841; one of 1935: the Royal Mint; "
    "the last in silver of 1937 from memory"
)
FARTHING = "struck until 1956: an encyclopaedia and a coin museum's pages agree; the first of 1860 from memory"
GOLD_1929 = (
    "struck until 1929 (the Act of April 11, 1930 ended the quarter eagle: a column on coins in the press; from memory)"
)

# name in the check values, denomination, in shillings, years of .925, of .500, of cupro-nickel (the Coinage Act 1946 changed
# them from 1947), what dates the years
BRITISH_SILVER: tuple[tuple[str, str, Fraction, tuple[int, int], tuple[int, int], tuple[int, int] | None, str], ...] = (
    ("crown", "crown", Fraction(5), (1818, 1902), (1927, 1937), (1951, 1965), CROWN),
    ("halfcrown", "half crown", Fraction(5, 2), (1816, 1920), (1920, 1946), (1947, 1970), ""),
    ("florin", "florin", Fraction(2), (1849, 1920), (1920, 1946), (1947, 1970), FLORIN),
    ("shilling", "shilling", Fraction(1), (1816, 1920), (1920, 1946), (1947, 1970), ""),
    ("sixpence", "sixpence", Fraction(1, 2), (1816, 1920), (1920, 1946), (1947, 1970), ""),
    ("fourpence", "fourpence", Fraction(1, 3), (1817, 1920), (1920, 1946), None, ""),
    ("threepence", "threepence", Fraction(1, 4), (1817, 1920), (1920, 1946), None, ""),
    ("twopence_maundy", "twopence (Maundy)", Fraction(1, 6), (1817, 1920), (1920, 1946), None, ""),
    ("penny_maundy", "penny (Maundy)", Fraction(1, 12), (1817, 1920), (1920, 1946), None, ""),
)

# Every piece of this issuer and denomination dated from the first to the last year is in the catalogue: years in which none was
# struck stand between. Where the standard changed within a year that year has two entries. From memory, like the years.
COMPLETE: tuple[tuple[str, str, int, int], ...] = (
    # Proofs of 1935 were struck in sterling silver too (from memory).
    ("GB", "crown", 1818, 1934),
    ("GB", "crown", 1936, 1965),
    ("GB", "double florin", 1887, 1890),
    ("GB", "half crown", 1816, 1970),
    ("GB", "florin", 1849, 1970),
    ("GB", "shilling", 1816, 1970),
    ("GB", "sixpence", 1816, 1970),
    ("GB", "threepence", 1817, 1970),
    ("GB", "fourpence", 1817, 1970),
    ("GB", "twopence (Maundy)", 1817, 1970),
    ("GB", "penny (Maundy)", 1817, 1970),
    ("GB", "penny", 1860, 1970),
    ("GB", "halfpenny", 1860, 1970),
    ("GB", "farthing", 1860, 1956),
    ("GB", "sovereign", 1817, 1970),
    ("GB", "half sovereign", 1817, 1970),
    ("GB", "ten new pence", 1968, 1981),
    ("GB", "five new pence", 1968, 1981),
    ("GB", "two new pence", 1971, 1981),
    ("GB", "new penny", 1971, 1981),
    ("GB", "half new penny", 1971, 1981),
    ("US", "dollar", 1840, 1981),
    ("US", "trade dollar", 1873, 1885),
    ("US", "half dollar", 1838, 1970),
    ("US", "quarter dollar", 1839, 1975),
    ("US", "dime", 1838, 1991),
    ("US", "half dime", 1838, 1873),
    ("US", "5 cents", 1866, 2025),
    ("US", "3 cents", 1865, 1889),
    ("US", "2 cents", 1864, 1873),
    ("US", "cent", 1857, 2008),
    ("US", "1 dollar gold", 1849, 1889),
    ("US", "2.50 dollars", 1840, 1929),
    ("US", "3 dollars", 1854, 1889),
    ("US", "5 dollars", 1839, 1929),
    ("US", "10 dollars", 1838, 1933),
    ("US", "20 dollars", 1850, 1933),
)


# The ruler whose name and head pieces of these dates bear; two in 1820, 1830 and 2022. From memory.
REIGNS: tuple[tuple[str, int, int | None], ...] = (
    ("George III", 1816, 1820),
    ("George IV", 1820, 1830),
    ("William IV", 1830, 1837),
    ("Victoria", 1838, 1901),
    ("Edward VII", 1902, 1910),
    ("George V", 1911, 1936),
    ("George VI", 1937, 1952),
    ("Elizabeth II", 1953, 2022),
    ("Charles III", 2022, None),
)
FOR_EVER = 9999


def by_reign(piece: Piece) -> list[Piece]:
    """The piece, and each reign of it as an entry of its own; one reign alone goes into the piece itself."""
    first, last = piece.years[0] or 0, piece.years[1] or FOR_EVER
    found = []
    for ruler, start, end in REIGNS:
        years = max(first, start), min(last, end or FOR_EVER)
        if years[0] <= years[1]:
            found.append((ruler, (years[0], None if years[1] == FOR_EVER else years[1])))
    note = "; ".join(part for part in (piece.note, "ruler by date from memory") if part)
    if len(found) == 1:
        return [replace(piece, more={"authority": found[0][0], **piece.more}, note=note)]
    parts = []
    for ruler, span in found:
        words = f"{span[0]}" if span[0] == span[1] else f"{span[0]} to {span[1]}" if span[1] else f"from {span[0]}"
        parts.append(
            replace(
                piece,
                id=f"{piece.id}-{ruler.lower().replace(' ', '-')}",
                label=f"{piece.label.split(' (')[0]}, {ruler} ({words})",
                years=span,
                more={"authority": ruler, **piece.more},
                note=note,
                narrows=piece.id,
                group="",
            )
        )
    return [piece, *parts]


def british(checks: Checks) -> list[Piece]:
    found = []
    for key, denomination, shillings, sterling, half, base_metal, published in BRITISH_SILVER:
        name = key.split("_")[0] + ("-maundy" if "maundy" in key else "")
        weight = f"uk.1870.{key}.g" if f"uk.1870.{key}.g" in checks.values else f"uk.1870.{key}.gr"
        same: dict[str, Any] = {"denomination": denomination, "weight": weight, "published": published, "more": NO_MARK}
        same["group"] = {"florin": "large 10", "shilling": "large 5"}.get(key, "")
        found.append(
            Piece(
                id=f"gb-{name}-925",
                label=f"United Kingdom, {denomination}, silver .925 ({sterling[0]} to {sterling[1]})",
                years=sterling,
                material="silver",
                fineness="0.925",
                exact_fineness="37/40",
                fineness_from="uk.silver.std",
                exact_weight=SHILLING * shillings,
                note=f"{CHANGED if sterling[1] == 1920 else ''}; the same weight since 1816".removeprefix("; "),
                **same,
            )
        )
        found.append(
            Piece(
                id=f"gb-{name}-500",
                label=f"United Kingdom, {denomination}, silver .500 ({half[0]} to {half[1]})",
                years=half,
                material="silver",
                fineness="0.5",
                fineness_from="ca1920",
                exact_weight=SHILLING * shillings,
                note=CHANGED if half[0] == 1920 else "",
                **same,
            )
        )
        if base_metal:
            found.append(
                Piece(
                    id=f"gb-{name}-cupro-nickel",
                    label=f"United Kingdom, {denomination}, cupro-nickel ({base_metal[0]} to {base_metal[1]})",
                    years=base_metal,
                    material="cupro-nickel",
                    fineness_from="uk.1947.cuni",
                    **same,
                )
            )
    found.extend(
        Piece(
            id=f"gb-{key}-925-1947",
            label=f"United Kingdom, {denomination}, silver .925 (Maundy, from 1947)",
            denomination=denomination,
            years=(1947, None),
            material="silver",
            fineness="0.925",
            exact_fineness="37/40",
            fineness_from="uk.1947.cuni",
            exact_weight=SHILLING * shillings,
            weight=weight,
            more=NO_MARK,
            note="the Coinage Act 1946 gave Maundy money its silver of 37 fortieths back (from memory)",
        )
        for key, denomination, shillings, weight in (
            ("fourpence", "fourpence", Fraction(1, 3), "uk.1870.fourpence.g"),
            ("threepence-maundy", "threepence", Fraction(1, 4), "uk.1870.threepence.g"),
            ("twopence-maundy", "twopence (Maundy)", Fraction(1, 6), "uk.1870.twopence_maundy.g"),
            ("penny-maundy", "penny (Maundy)", Fraction(1, 12), "uk.1870.penny_maundy.gr"),
        )
    )
    found.extend(
        Piece(
            id=f"gb-{denomination}-bronze",
            label=f"United Kingdom, {denomination}, bronze ({years[0]} to {years[1]})",
            denomination=denomination,
            years=years,
            material="bronze",
            weight=f"uk.1870.{denomination}.g",
            published=published,
        )
        for denomination, years, published in (
            ("penny", (1860, 1970), ""),
            ("halfpenny", (1860, 1970), ""),
            ("farthing", (1860, 1956), FARTHING),
        )
    )
    found.extend(
        Piece(
            id=f"gb-{denomination}-copper",
            label=f"United Kingdom, {denomination}, copper ({first} to 1860)",
            denomination=denomination,
            years=(first, 1860),
            material="copper",
            weight=weight,
            law="24 pence from a pound avoirdupois of copper",
        )
        for denomination, first, weight in (
            ("penny", 1825, "=18.9 g"),
            ("halfpenny", 1825, "=9.45 g"),
            ("farthing", 1821, "=4.72 g"),
        )
    )
    found.append(
        Piece(
            id="gb-double-florin-925",
            label="United Kingdom, double florin, silver .925 (1887 to 1890)",
            denomination="double florin",
            years=(1887, 1890),
            material="silver",
            fineness="0.925",
            exact_fineness="37/40",
            fineness_from="uk.silver.std",
            exact_weight=SHILLING * 4,
            weight="=22.6207 g",
            law="four shillings by weight",
            published=DOUBLE_FLORIN,
            more=NO_MARK,
        )
    )
    found.append(
        Piece(
            id="gb-threepence-nickel-brass",
            label="United Kingdom, threepence, nickel-brass, twelve-sided (1937 to 1970)",
            denomination="threepence",
            years=(1937, 1970),
            material="nickel-brass",
            weight="=105 grain",
            law="proclamation of 1937",
            more={"shape": "polygon", **NO_MARK},
        )
    )
    gold: dict[str, Any] = {
        "material": "gold", "fineness": "0.91666", "fineness_from": "uk.gold.std", "exact_fineness": "11/12",
    }  # fmt: skip
    return [
        *found,
        Piece(
            id="gb-sovereign", label="United Kingdom, sovereign, gold 22 carat", denomination="sovereign",
            years=(1817, None), weight="uk.1870.sovereign.g", exact_weight=SOVEREIGN,
            tolerance="uk.sovereign.remedy", least="uk.sovereign.least", **gold,
        ),
        Piece(
            id="gb-2-pounds-gold", label="United Kingdom, two pounds, gold 22 carat", denomination="two pounds",
            years=(1823, None), weight="uk.1870.twopound.g", exact_weight=2 * SOVEREIGN, **gold,
        ),
        Piece(
            id="gb-half-sovereign", label="United Kingdom, half sovereign, gold 22 carat",
            denomination="half sovereign", years=(1817, None), weight="=3.99402 g", exact_weight=SOVEREIGN / 2,
            law="Coinage Act 1870, first schedule", note="half a sovereign", **gold,
        ),
        Piece(
            id="gb-1-pound-gold-2005", label="United Kingdom, one pound, gold (proclamation of 2005)",
            denomination="one pound", years=(2005, None), material="gold", weight="uk.2005.gold1.m",
            diameter="uk.2005.gold1.d", tolerance="uk.2005.gold1.remedy", least="uk.2005.gold1.least",
            note="the catalogue has no fineness for it",
        ),
        Piece(
            id="gb-10-pence-1971", label="United Kingdom, ten new pence, cupro-nickel (1968 to 1992)",
            denomination="ten new pence", years=(1968, 1992), material="cupro-nickel", weight="uk.1971.10p",
            group="large 10",
        ),
        Piece(
            id="gb-5-pence-1971", label="United Kingdom, five new pence, cupro-nickel (1968 to 1990)",
            denomination="five new pence", years=(1968, 1990), material="cupro-nickel", weight="uk.1971.5p",
            group="large 5",
        ),
        *(
            Piece(
                id=f"gb-{key}-1971", label=f"United Kingdom, {denomination}, bronze ({years[0]} to {years[1]})",
                denomination=denomination, years=years, material="bronze", weight=f"uk.1971.{check}",
                diameter=f"uk.1971.{check}",
            )
            for key, denomination, check, years in (
                ("2-pence", "two new pence", "2p", (1971, 1992)),
                ("1-penny", "new penny", "1p", (1971, 1992)),
                ("half-penny", "half new penny", "half_p", (1971, 1984)),
            )
        ),
    ]  # fmt: skip


P, NO, SF, CC, DEN, WP = "Philadelphia", "New Orleans", "San Francisco", "Carson City", "Denver", "West Point"
CHARLOTTE_DAHLONEGA = ("Charlotte", "Dahlonega")


def american() -> list[Piece]:
    us: dict[str, Any] = {"issuer": "US"}
    silver: dict[str, Any] = {"material": "silver", "fineness": "0.900", "issuer": "US"}
    old, new = {**silver, "fineness_from": "*us.1837.dollar.asw"}, {**silver, "fineness_from": "us.1873.std"}
    clad = ["outer: Cu 75, Ni 25", "inner: Cu 100"]
    cupro_nickel_clad: dict[str, Any] = {
        "material": "clad", "issuer": "US",
        "more": {"core_material": "copper", "cladding_material": "cupro-nickel", "composition": clad},
    }  # fmt: skip
    bullion: dict[str, Any] = {"material": "gold", "fineness": "0.9167", "exact_fineness": "11/12", "issuer": "US"}
    nickel = {"composition": ["Cu 75", "Ni 25"]}
    return [
        Piece("us-dollar-1837", "United States, dollar, silver .900 (Act of 1837)", "dollar", (1840, 1935),
              mints=(P, NO, SF, CC, DEN),
              weight="*us.1837.dollar.asw", group="large dollar",
              note="the Act of 1878 took this standard up again", **old),
        Piece("us-half-dollar-1837", "United States, half dollar, silver .900 (Act of 1837)", "half dollar",
              (1837, 1853), weight="us.1837.half", mints=(P, NO), **old),
        Piece("us-quarter-dollar-1837", "United States, quarter dollar, silver .900 (Act of 1837)", "quarter dollar",
              (1838, 1853), weight="=103.125 grain", law="Act of January 18, 1837: half of the half dollar",
              mints=(P, NO), **old),
        Piece("us-dime-1837", "United States, dime, silver .900 (Act of 1837)", "dime", (1837, 1853),
              weight="us.1837.dime", mints=(P, NO), **old),
        Piece("us-half-dime-1837", "United States, half dime, silver .900 (Act of 1837)", "half dime", (1837, 1853),
              weight="us.1837.halfdime", mints=(P, NO), **old),
        Piece("us-half-dollar-1853", "United States, half dollar, silver .900 (Act of 1853)", "half dollar",
              (1853, 1873), weight="us.1853.half", mints=(P, NO, SF, CC), **old),
        *(
            Piece(f"us-{key}-1853", f"United States, {said}, silver .900 (Act of 1853)", said, (1853, 1873),
                  weight=weight, law=f"Act of February 21, 1853: {part} of the half dollar", mints=(P, NO, SF, CC), **old)
            for key, said, weight, part in (
                ("quarter-dollar", "quarter dollar", "=96 grain", "a half"),
                ("dime", "dime", "=38.4 grain", "a fifth"),
                ("half-dime", "half dime", "=19.2 grain", "a tenth"),
            )
        ),
        Piece("us-half-dollar-1873", "United States, half dollar, silver .900 (Act of 1873)", "half dollar",
              (1873, 1964), weight="us.1873.half", mints=(P, NO, SF, CC, DEN), **new),
        Piece("us-quarter-dollar-1873", "United States, quarter dollar, silver .900 (Act of 1873)", "quarter dollar",
              (1873, 1964), weight="us.1873.quarter", mints=(P, NO, SF, CC, DEN), **new),
        Piece("us-dime-1873", "United States, dime, silver .900 (Act of 1873)", "dime", (1873, 1964),
              weight="us.1873.dime", mints=(P, NO, SF, CC, DEN), **new),
        Piece("us-trade-dollar-1873", "United States, trade dollar, silver .900 (Act of 1873)", "trade dollar",
              (1873, 1885), weight="us.1873.trade", group="large dollar", mints=(P, SF, CC), **new),
        *(
            Piece(f"us-{key}-dollars-gold-1873" if key != "1" else "us-1-dollar-gold-1873",
                  f"United States, {said}, gold .900 (Act of 1873)", said, years,
                  "gold", weight=weight, fineness="0.900", fineness_from="us.1873.std", mints=mints,
                  note="the same standard since the Act of 1837", published=GOLD_1929 if years[1] == 1929 else "", **us)
            for key, said, weight, years, mints in (
                ("1", "1 dollar gold", "us.1873.gold1", (1849, 1889), (P, NO, SF, *CHARLOTTE_DAHLONEGA)),
                ("2-50", "2.50 dollars", "us.1873.gold2.5", (1840, 1929), (P, NO, SF, DEN, *CHARLOTTE_DAHLONEGA)),
                ("3", "3 dollars", "us.1873.gold3", (1854, 1889), (P, NO, SF, "Dahlonega")),
                ("5", "5 dollars", "us.1873.gold5", (1839, 1929), (P, NO, SF, CC, DEN, *CHARLOTTE_DAHLONEGA)),
                ("10", "10 dollars", "us.1873.gold10", (1838, 1933), (P, NO, SF, CC, DEN)),
                ("20", "20 dollars", "*us.1873.gold20.agw", (1850, 1933), (P, NO, SF, CC, DEN)),
            )
        ),
        Piece("us-3-cents-1873", "United States, 3 cents, cupro-nickel (1865 to 1889)", "3 cents", (1865, 1889),
              "cupro-nickel", weight="=30 grain", law="Acts of March 3, 1865 and of 1873", more=nickel, mints=(P,), **us),
        Piece("us-2-cents-1864", "United States, 2 cents, bronze (1864 to 1873)", "2 cents", (1864, 1873), "bronze",
              weight="=96 grain", law="Act of April 22, 1864", more={"composition": ["Cu 95", "Sn and Zn 5"]},
              mints=(P,), **us),
        Piece("us-5-cents-1873", "United States, 5 cents, cupro-nickel (Act of 1873)", "5 cents", (1866, 1942),
              "cupro-nickel", weight="us.1873.5c", more=nickel, mints=(P, SF, DEN),
              note="the same since the Act of May 16, 1866", **us),
        Piece("us-5-cents-wartime", "United States, 5 cents, copper, silver and manganese (1942 to 1945)", "5 cents",
              (1942, 1945), "billon", weight="*us.war5c.asw", fineness="0.35", fineness_from="us.war5c.Ag",
              more={"composition": ["Cu 56", "Ag 35", "Mn 9"], "mintmark": {"one_of": ["P", "D", "S"]}},
              mints=(P, DEN, SF),
              note="silver is 35 hundredths of it; a large mintmark above the dome tells it in 1942 (from memory)", **us),
        Piece("us-5-cents-5112", "United States, 5 cents, cupro-nickel (31 U.S.C. 5112)", "5 cents", (1946, None),
              "cupro-nickel", weight="us.5112.fivecent.m", tolerance="us.5113.fivecent",
              diameter="us.5112.fivecent.d", more=nickel, mints=(P, DEN, SF, WP),
              note="copper and nickel as in the Act of 1873", **us),
        Piece("us-cent-1857", "United States, cent, cupro-nickel, 72 grains (1857 to 1864)", "cent", (1857, 1864),
              "cupro-nickel", weight="=72 grain", law="Act of February 21, 1857", more={"composition": ["Cu 88", "Ni 12"]},
              mints=(P,), note="patterns are dated 1856", **us),
        Piece("us-cent-1795", "United States, cent, copper, 168 grains (1796 to 1857)", "cent", (1796, 1857), "copper",
              weight="=168 grain", law="Act of 1793 and proclamation of January 1796", mints=(P,), **us),
        Piece("us-cent-1873", "United States, cent, bronze (Act of 1873)", "cent", (1864, 1942), "bronze",
              weight="us.1873.1c", more={"composition": ["Cu 95", "Sn and Zn 5"]}, mints=(P, SF, DEN),
              note="the same since the Act of April 22, 1864; a cent of 1943 in bronze is an error of the mint, and more often "
              "a copper-plated or altered piece: have it examined", **us),
        Piece("us-cent-1943-steel", "United States, cent, zinc-coated steel (1943)", "cent", (1943, 1943),
              "zinc-coated steel", weight=("41.5", "42.5"), fineness_from="us.steel43.m", magnetic=True,
              mints=(P, DEN, SF), more={"core_material": "steel", "cladding_material": "zinc"},
              note="42 grains, others 41.5 and 42.5: two standards in one year, so the weight is a range", **us),
        Piece("us-cent-1982-copper", "United States, cent, copper alloy (1944 to 1982)", "cent", (1944, 1982),
              "copper alloy", weight="us.5112.cent.m", tolerance="us.5113.cent", diameter="us.5112.cent.d",
              mints=(P, DEN, SF, WP),
              note="copper 95 parts of 100, the rest zinc, with tin until 1962: both alloys are dated 1982", **us),
        Piece("us-cent-1982-zinc", "United States, cent, copper-plated zinc (from 1982)", "cent", (1982, None),
              "copper-plated zinc", weight="us.cent1982", tolerance="us.5113.cent", diameter="us.5112.cent.d",
              more={"core_material": "zinc", "cladding_material": "copper", "composition": ["Zn 97.5", "Cu 2.5"]},
              mints=(P, DEN, SF, WP), note="both alloys are dated 1982", **us),
        Piece("us-half-dollar-1965", "United States, half dollar, silver-clad, .400 in all (1965 to 1970)",
              "half dollar", (1965, 1970), "clad", weight="us.1965.half.m", fineness="0.400", exact_fineness="2/5",
              fineness_from="us.1965.half.cladding", diameter="us.1965.half.d",
              more={"core_material": "silver and copper", "cladding_material": "silver .800 and copper .200",
                    "fine_weight": Decimal("4.6")},
              mints=(P, DEN, SF), note="11.5 g with 6.9 g of copper leave 4.6 g of silver", **us),
        Piece("us-half-dollar-5112", "United States, half dollar, clad (31 U.S.C. 5112)", "half dollar", (1971, None),
              weight="us.5112.half.m", diameter="us.5112.half.d", **cupro_nickel_clad),
        Piece("us-dime-5112", "United States, dime, clad (31 U.S.C. 5112)", "dime", (1965, None),
              mints=(P, DEN, SF, WP), weight="us.5112.dime.m", diameter="us.5112.dime.d", **cupro_nickel_clad),
        Piece("us-quarter-dollar-5112", "United States, quarter dollar, clad (31 U.S.C. 5112)", "quarter dollar",
              (1965, None), weight="=5.67 g", law="Coinage Act of 1965; 31 U.S.C. 5112", diameter="us.5112.quarter.d",
              mints=(P, DEN, SF, WP), note="5.67 g from memory; 0.955 inch as seen", **cupro_nickel_clad),
        Piece("us-dollar-1971", "United States, dollar, clad, 22.68 g (1971 to 1978)", "dollar", (1971, 1978),
              weight="=22.68 g", law="Act of December 31, 1970", mints=(P, DEN, SF), group="large dollar",
              **cupro_nickel_clad),
        Piece("us-dollar-1971-silver", "United States, dollar, silver-clad, .400 in all (1971 to 1976)", "dollar",
              (1971, 1976), "clad", weight="=24.59 g", fineness="0.400", exact_fineness="2/5",
              law="Act of December 31, 1970", group="large dollar", mints=(SF,),
              more={"core_material": "silver and copper", "cladding_material": "silver .800 and copper .200"},
              note="as the half dollar of 1965", **us),
        Piece("us-dollar-5112", "United States, dollar, clad, 8.1 g (31 U.S.C. 5112, edition of 1994)", "dollar",
              (1979, 1999), weight="us.5112.dollar.m1994", diameter="us.5112.dollar.d",
              note="later editions drop the weight", **cupro_nickel_clad),
        *(
            Piece(f"us-{value}-dollars-bullion", f"United States, {value} dollars, gold bullion, 22 carat",
                  f"{value} dollars", (1986, None), weight=weight,
                  diameter="" if value == "10" else f"us.5112.gold{value}.d",
                  more={"fine_weight": f"us.5112.gold{value}.fine", "object_kind": "bullion piece"},
                  note="22 carat from memory", **bullion)
            for value, weight in (
                ("50", "*us.5112.gold50.fine22"), ("25", "us.5112.gold25.m"),
                ("10", "us.5112.gold10.m"), ("5", "us.5112.gold5.m"),
            )
        ),
        Piece("us-dollar-bullion", "United States, dollar, silver bullion .999", "dollar", (1986, None), "silver",
              weight="us.5112e.m", diameter="us.5112e.d", fineness="0.999", fineness_from="us.5112e.fine",
              more={"object_kind": "bullion piece"}, **us),
        Piece("us-5-dollars-1986", "United States, 5 dollars, gold .900, commemorative (1986)", "5 dollars",
              (1986, 1986), "gold", weight="us.pl9961.gold5.m", diameter="us.pl9961.gold5.d", fineness="0.900",
              fineness_from="us.pl9961.gold5.fine", more={"commemorative": True}, **us),
        Piece("us-dollar-1986", "United States, dollar, silver .900, commemorative (1986)", "dollar", (1986, 1986),
              "silver", weight="us.pl9961.silver1.m", diameter="us.pl9961.silver1.d", fineness="0.900",
              fineness_from="us.pl9961.silver1.fine", more={"commemorative": True}, **us),
    ]  # fmt: skip


def european() -> list[Piece]:
    union: dict[str, Any] = {"issuer": {"one_of": ["BE", "CH", "FR"]}, "years": (1865, 1927)}
    twenty = Fraction(200, 31)  # 155 pieces from a kilogram: check value lmu.gold.rule
    return [
        *(
            Piece(f"lmu-{francs}-francs-gold", f"Latin Monetary Union, {francs} francs, gold .900",
                  f"{francs} francs", material="gold", weight=weight, fineness="0.900",
                  fineness_from="lmu.gold.rule", exact_weight=twenty * francs / 20, diameter=f"lmu.gold{francs}.d",
                  **union)
            for francs, weight in ((100, "lmu.gold100.m"), (50, "lmu.gold50.m"), (20, "lmu.gold.rule"),
                                   (10, "lmu.gold10.m"), (5, "lmu.gold5.m"))
        ),
        Piece("lmu-5-francs-silver", "Latin Monetary Union, 5 francs, silver .900", "5 francs", material="silver",
              weight="*lmu.silver5.asw", fineness="0.900", fineness_from="lmu.silver5.fine",
              diameter="lmu.silver5.d", **union),
        *(
            Piece(f"lmu-{key}-silver", f"Latin Monetary Union, {said}, silver .835", said, material="silver",
                  weight=weight, fineness="0.835", fineness_from="lmu.silver2.fine", diameter=diameter, **union)
            for key, said, weight, diameter in (
                ("2-francs", "2 francs", "lmu.silver2.m", "lmu.silver2.d"),
                ("1-franc", "1 franc", "*lmu.silver1.asw", "lmu.silver1.d"),
                ("50-centimes", "50 centimes", "lmu.silver0.5.m", "lmu.silver0.5.d"),
                ("20-centimes", "20 centimes", "lmu.silver0.2.m", ""),
            )
        ),
        Piece("thaler-1780", "Thaler of Maria Theresa with the date 1780, silver .833", "thaler", (1780, 1780),
              "silver", weight="mtt.m", fineness="0.833", exact_fineness="5/6", fineness_from="mtt.fine",
              diameter="mtt.d", issuer=None, more={"authority": "Maria Theresa"},
              note="restruck with this date ever since, at many mints; sources differ on the diameter"),
    ]  # fmt: skip


def plain(exact: Decimal) -> int | float:
    """A JSON number that stands for exactly this decimal."""
    found = int(exact) if exact == exact.to_integral_value() else float(exact)
    assert Decimal(repr(found)) == exact, exact
    return found


def span(low: Decimal | int | None, high: Decimal | int | None) -> Any:
    """A plain value, or a range."""
    ends = {"from": low, "to": high}
    if low == high:
        return plain(Decimal(low or 0))
    return {name: plain(Decimal(end)) for name, end in ends.items() if end is not None}


def two_numbers(written: str) -> tuple[Decimal, Decimal]:
    """'39.5 to 41' or '7.128 / 25.91'."""
    first, second = written.replace(" to ", " / ").split(" / ")
    return Decimal(first), Decimal(second)


def facts_of(piece: Piece, checks: Checks) -> dict[str, Any]:
    def number(name: str, place: int) -> Any:
        written = checks.values.get(name, {}).get("value", "")
        if " / " in written:
            return plain(two_numbers(written)[place])
        return span(*two_numbers(written)) if " to " in written else plain(checks.number(name))

    facts: dict[str, Any] = {"issuer": piece.issuer, "object_kind": "coin", "denomination": piece.denomination}
    facts["year_on_coin"] = span(*piece.years)
    facts["material"] = piece.material
    if piece.mints:
        facts["mint"] = piece.mints[0] if len(piece.mints) == 1 else {"one_of": list(piece.mints)}
    if piece.fineness:
        facts["fineness"] = plain(Decimal(piece.fineness))
    if isinstance(piece.weight, tuple):
        facts["weight_legal"] = span(*(Decimal(end) * GRAIN for end in piece.weight))
    else:
        facts["weight_legal"] = number(piece.weight, 0)
    for attribute, name, place in (
        ("weight_tolerance", piece.tolerance, 0), ("weight_least", piece.least, 0), ("diameter", piece.diameter, 1),
    ):  # fmt: skip
        if name:
            facts[attribute] = number(name, place)
    facts["magnetic"] = piece.magnetic
    for name, value in piece.more.items():
        if name == "fine_weight":
            value = plain(value if isinstance(value, Decimal) else ounces(checks.values[value]["value"]))
        facts[name] = value
    return {name: value for name, value in facts.items() if value is not None}


def ounces(written: str) -> Decimal:
    """'1/2' troy ounces in g."""
    top, _, bottom = written.partition("/")
    return Decimal(top) * TROY_OUNCE / Decimal(bottom or 1)


def entry_of(piece: Piece, checks: Checks) -> dict[str, Any]:
    names = [piece.weight] if isinstance(piece.weight, str) else []
    names += [name for name in (piece.tolerance, piece.least, piece.diameter) if name]
    names = [name for name in names if not name.startswith("=")]
    law = checks.source([*names, *([piece.fineness_from] if piece.fineness_from in checks.values else [])])
    if piece.fineness_from == "ca1920":
        law += f"; {checks.sources['ca1920']['title']} (its effect as seen in Hansard, 23 February 1937)"
    if piece.law:
        law = "; ".join(part for part in (law, f"{piece.law} (from memory)") if part)
    mints = "mints and marks from memory" if piece.mints or "mintmark" in piece.more else ""
    years = f"years: {piece.published}" if piece.published else "years from memory"
    said = [law, piece.note, years, mints, BY_THE_METAL]
    exact = {}
    if piece.exact_fineness:
        exact["fineness"] = piece.exact_fineness
    if piece.exact_weight is not None:
        exact["weight_legal"] = str(piece.exact_weight)
        printed = facts_of(piece, checks)["weight_legal"]
        assert abs(Fraction(repr(printed)) - piece.exact_weight) < Fraction(1, 10_000), piece.id
    entry: dict[str, Any] = {"id": piece.id, "label": piece.label, "facts": facts_of(piece, checks)}
    if piece.narrows:
        entry["narrows"] = piece.narrows
    return {**entry, **({"exact": exact} if exact else {}), "source": "; ".join(part for part in said if part)}


def law_issues(folder: Path) -> dict[str, Any]:
    """The pieces that the check values give a legal weight for, each with those that look alike."""
    checks = Checks(folder)
    pieces = [part for piece in british(checks) for part in by_reign(piece)] + [*american(), *european()]

    entries = {piece.id: entry_of(piece, checks) for piece in pieces}

    def weight(piece: Piece) -> float:
        said = entries[piece.id]["facts"]["weight_legal"]
        return float(said["from"] if isinstance(said, dict) else said)

    def alike(one: Piece, other: Piece) -> bool:
        """Of one denomination and nearly one weight, a commemorative or a bullion piece beside its like only: a dollar of
        8 g is not taken for one of 27 g. How near is our choice (no source)."""
        kinds = [(piece.more.get("object_kind"), piece.more.get("commemorative")) for piece in (one, other)]
        low, high = sorted((weight(one), weight(other)))
        same = one.denomination == other.denomination and one.issuer == other.issuer
        near = same and kinds[0] == kinds[1] and low >= NEAR * high
        if one.narrows or other.narrows:
            return False
        return one.id != other.id and (near or (one.group != "" and one.group == other.group))

    issues = [
        {**entries[piece.id], "look_alikes": [other.id for other in pieces if alike(piece, other)]} for piece in pieces
    ]
    return {
        "name": "law",
        "edition": "1",
        "source": "laws and standards as each entry names them",
        "licence": "facts of law; our arrangement CC-BY-4.0",
        "complete": [
            {"issuer": issuer, "denomination": denomination, "from": first, "to": last}
            for issuer, denomination, first, last in COMPLETE
        ],
        "issues": issues,
    }
