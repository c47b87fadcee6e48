"""Makes service/reference/data from the project's outside checks. Run by hand when a source has a new edition.

    python tests/data/make_reference_data.py CHECKS [TARGET]

CHECKS is the folder with defunct_issuers.json, motifs_skos.json, euro_specs.json and check_values.json; TARGET the folder
to write into (service/reference/data by default). issuer_lives.py, motif_terms.py, law_issues.py and terms.py beside this
script hold tables.
Needs the PyPI package babel (Unicode CLDR), which the service itself does not. The same sources give the same bytes.
"""

from __future__ import annotations

import argparse
import calendar
import json
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
from issuer_lives import LIVES, MORE_X_KEYS, NAMES, STARTED
from motif_terms import DESIGNS, MENDED, MOTIFS, NO_NAMES, plural

TARGET = Path(__file__).resolve().parents[2] / "service" / "reference" / "data"

# Two-letter keys of CLDR that are no ISO 3166-1 entry: groupings, pseudo-locales, exceptional reservations.
NOT_ISO_3166_1 = frozenset(("AC", "CP", "CQ", "DG", "EA", "EU", "EZ", "IC", "QO", "TA", "UN", "XA", "XB", "XK", "ZZ"))

# ISO 3166-3 entries whose code was withdrawn while the issuer, or the same state under another name, lives on
# (notes of defunct_issuers.json: Burma was renamed; the Antarctic territory exists; metropolitan France is France).
STILL_THERE = {"BUMM", "BQAQ", "FXFR"}

# ISO 3166-3 prints "Zaire, Republic of"; collectors read labels, so these go first and ISO's name becomes a second one.
PLAIN_LABELS = {
    "AIDJ": "French Territory of the Afars and the Issas",
    "BUMM": "Burma",
    "BYAA": "Byelorussian SSR",
    "CSHH": "Czechoslovakia",
    "FXFR": "Metropolitan France",
    "HVBF": "Upper Volta",
    "RHZW": "Rhodesia, Southern Rhodesia",
    "SUHH": "Soviet Union",
    "TPTL": "Portuguese Timor, East Timor",
    "VDVN": "North Vietnam",
    "YDYE": "South Arabia, Democratic Yemen",
    "YUCS": "Yugoslavia",
    "ZRCD": "Zaire",
}

UNICODE_NOTICE = (
    "Country names: Unicode CLDR, Copyright (c) 2004-2025 Unicode, Inc., Unicode License v3 (SPDX Unicode-3.0); its "
    "text stands in NOTICE.md. Former countries: ISO 3166-3 codes. Dates of life, other names and x- keys: from memory, as "
    "marked. `started` is the first day on which an issuer existed, `ended` the last."
)
WORDNET_NOTICE = (
    "Derived from WordNet 3.1. WordNet 3.1 Copyright 2011 by Princeton University. All rights reserved. THIS SOFTWARE "
    'AND DATABASE IS PROVIDED "AS IS" AND PRINCETON UNIVERSITY MAKES NO REPRESENTATIONS OR WARRANTIES, EXPRESS OR '
    "IMPLIED. BY WAY OF EXAMPLE, BUT NOT LIMITATION, PRINCETON UNIVERSITY MAKES NO REPRESENTATIONS OR WARRANTIES OF "
    "MERCHANTABILITY OR FITNESS FOR ANY PARTICULAR PURPOSE OR THAT THE USE OF THE LICENSED SOFTWARE, DATABASE OR "
    "DOCUMENTATION WILL NOT INFRINGE ANY THIRD PARTY PATENTS, COPYRIGHTS, TRADEMARKS OR OTHER RIGHTS. The name of "
    "Princeton University or Princeton may not be used in advertising or publicity pertaining to distribution of the "
    "software and/or database. Title to copyright in this software, database and any associated documentation shall at "
    "all times remain with Princeton University and LICENSEE agrees to preserve same. (The licence with its grant is "
    "in NOTICE.md.) The choice of terms and the terms without a WordNet match are our own."
)

EURO_MATERIALS = {
    "copper-covered steel (steel 94.35, Cu 5.65)": {"material": "copper-covered steel"},
    "Cu 89, Al 5, Zn 5, Sn 1 (Nordic gold)": {"material": "Nordic gold"},
    "ring: Cu 75, Zn 20, Ni 5; centre: three layers Cu 75, Ni 25 / Ni / Cu 75, Ni 25": {
        "material": "bimetallic",
        "ring_material": "nickel-brass",
        "centre_material": "cupro-nickel on nickel",
    },
    "ring: Cu 75, Ni 25; centre: three layers Cu 75, Zn 20, Ni 5 / Ni / Cu 75, Zn 20, Ni 5": {
        "material": "bimetallic",
        "ring_material": "cupro-nickel",
        "centre_material": "nickel-brass on nickel",
    },
}
EURO_SHAPES = {
    "round": "round",
    "round, bimetallic": "round",
    "Spanish flower (seven indentations)": "Spanish flower",
}
EURO_EDGES = {
    "smooth": "plain",
    "plain": "plain",
    "smooth with a groove": "grooved",
    "shaped edge with fine scallops": "scalloped",
    "interrupted milled": "interrupted milled",
    "edge lettering, fine milled": "lettered",
}


def last_day(written: str) -> str:
    """The last day of a date that may be a year or a month only: '1918' -> '1918-12-31'."""
    parts = written.split("-")
    parts[0] = parts[0].zfill(4)
    if len(parts) == 1:
        return f"{parts[0]}-12-31"
    if len(parts) == 2:
        return f"{written}-{calendar.monthrange(int(parts[0]), int(parts[1]))[1]:02}"
    return written


def first_day(written: str) -> str:
    """The first day of a date that may be a year or a month only: '1867' -> '1867-01-01'."""
    year, *rest = written.split("-")
    return "-".join([year.zfill(4), *rest, *("01", "01")[len(rest) :]])


def concept(term: str, label: str, **more: Any) -> dict[str, Any]:
    """One concept in the shape of the shipped files."""
    start: dict[str, Any] = {"id": term, "label": label, "broader": [], "alternative_labels": [], "note": ""}
    return {**start, "abbreviations": [], "started": None, "ended": None, "current": False, "matches": [], **more}


def life(entry: dict[str, Any]) -> str:
    """'1949-10-07 to 1990-10-02; <what the source notes> (from memory)', or nothing where nothing is known."""
    start, end = days(entry)
    dates = f"{start} to {end}" if start and end else f"until {end}" if end else f"since {start}" if start else ""
    parts = [dates, entry.get("currency_note"), entry.get("note")]
    return f"{'; '.join(part for part in parts if part)} (from memory)" if any(parts) else ""


def days(entry: dict[str, Any]) -> tuple[str | None, str | None]:
    """First and last day as they are known."""
    return LIVES.get(entry.get("key", ""), (entry.get("state_from"), entry.get("state_to")))


def lived(entry: dict[str, Any]) -> dict[str, Any]:
    start, end = days(entry)
    return {"started": first_day(start) if start else None, "ended": last_day(end) if end else None}


def issuers(checks: Path) -> dict[str, Any]:
    """Living countries (CLDR), former ones (ISO 3166-3) and issuers without a code (x- keys), in this order."""
    import babel

    source = json.loads((checks / "defunct_issuers.json").read_text(encoding="utf-8"))
    names = babel.Locale("en").territories
    living = [key for key in sorted(names) if len(key) == 2 and key.isalpha() and key not in NOT_ISO_3166_1]
    concepts = [concept(key, names[key], current=True, matches=[f"iso3166-1:{key}"]) for key in living]
    for entry in source["iso_3166_3"]:
        memory, key = {**entry["memory_overlay"], "key": entry["key"]}, entry["key"]
        label = PLAIN_LABELS.get(key, entry["name"])
        concepts.append(
            concept(
                key,
                label,
                alternative_labels=[entry["name"]] if label != entry["name"] else [],
                note=life(memory),
                **lived(memory),
                current=key in STILL_THERE,
                matches=[f"iso3166-3:{key}"],
            )
        )
    concepts.extend(
        concept(
            entry["key"],
            entry["name"],
            note=life(entry),
            alternative_labels=list(entry.get("names", ())),
            **lived(entry),
        )
        for entry in [*source["no_iso_code_from_memory"], *MORE_X_KEYS]
    )
    for entry in source["non_country_issuers_alive_from_memory"]:
        if entry["key"] not in living:
            note = entry["note"].split("; in CLDR and")[0]  # which libraries list a code is no news to a collector
            concepts.append(concept(entry["key"], entry["name"], note=f"{note} (from memory)", current=True))
    for entry in concepts:
        if entry["id"] in STARTED:
            entry["started"] = STARTED[entry["id"]]
            told = entry["note"].removesuffix(" (from memory)")
            entry["note"] = "; ".join(part for part in (f"since {entry['started']}", told) if part) + " (from memory)"
    taken = {name.casefold() for entry in concepts for name in (entry["id"], entry["label"])}
    for entry in concepts:
        names = dict.fromkeys([*entry["alternative_labels"], *NAMES.get(entry["id"], ())])
        entry["alternative_labels"] = [name for name in names if name.casefold() not in taken]
        taken.update(name.casefold() for name in names)
    return {
        "name": "issuers",
        "label": "Issuers of coins",
        "edition": f"CLDR {source['versions']['cldr']} through babel {babel.__version__}; ISO 3166-3 through pycountry "
        f"{source['versions']['pycountry']}",
        "source": "Unicode CLDR territory names (English); ISO 3166-1 and 3166-3 codes; x- keys and dates from memory",
        "licence": "Unicode-3.0 (names); our own work CC-BY-4.0",
        "notice": UNICODE_NOTICE,
        "concepts": concepts,
    }


def motifs(checks: Path) -> dict[str, Any]:
    """What coins picture: animals and creatures of myth, with broader terms; and what is neither."""
    source = json.loads((checks / "motifs_skos.json").read_text(encoding="utf-8"))
    entries = [*({**entry, **MENDED.get(entry["id"], {})} for entry in source["concepts"]), *MOTIFS, *DESIGNS]
    concepts = [
        concept(
            entry["id"],
            entry["prefLabel"],
            broader=entry["broader"],
            alternative_labels=entry["altLabel"],
            note=entry["scopeNote"],
            matches=[entry["exactMatch"]] if entry["exactMatch"] else [],
        )
        for entry in entries
    ]
    taken = {name.casefold() for entry in concepts for name in (entry["id"], entry["label"])}
    for entry in concepts:
        known = [name for name in entry["alternative_labels"] if name not in NO_NAMES.get(entry["id"], ())]
        names = dict.fromkeys([*known, plural(entry["label"])])
        # What two animals share (a panther, an anteater) stays with the first.
        entry["alternative_labels"] = [name for name in names if name and name.casefold() not in taken]
        taken.update(name.casefold() for name in names)
    return {
        "name": "motifs",
        "label": "Motifs",
        "edition": source["made_from"].split(" (")[0],
        "source": "WordNet 3.1, our cut of it with terms of our own; plurals are our own",
        "licence": "WordNet licence (whole text in NOTICE.md); our own terms CC-BY-4.0",
        "notice": WORDNET_NOTICE,
        "concepts": concepts,
    }


def number(written: str) -> int | float:
    """A JSON number that prints as the law writes it, without idle zeros."""
    exact = Decimal(written)
    return int(exact) if exact == exact.to_integral_value() else float(exact)


def euro_issues(checks: Path) -> dict[str, Any]:
    """The eight denominations of each of the 25 issuers of euro coins: what is true of a commemorative 2 euro coin and of a
    proof too."""
    source = json.loads((checks / "euro_specs.json").read_text(encoding="utf-8"))
    names = {entry["id"]: entry["label"] for entry in issuers(checks)["concepts"]}
    issues, complete = [], []
    for issuer in sorted(entry["territory"] for entry in source["issuers"]):
        for coin in source["coins"]:
            value = Decimal(coin["denomination"])
            first = next(entry["earliest_year_on_coins"] for entry in source["issuers"] if entry["territory"] == issuer)
            denomination = f"{int(value)} euro" if value >= 1 else f"{int(value * 100)} euro cent"
            facts: dict[str, Any] = {
                "issuer": issuer,
                "object_kind": "coin",
                "denomination": denomination,
                "face_value": number(coin["denomination"]),
                "currency": coin["currency"],
                "year_on_coin": {"from": first},
                **EURO_MATERIALS[coin["composition"]],
                "weight_legal": number(coin["mass_g"]),
                "diameter": number(coin["diameter_mm"]),
                "thickness": number(coin["thickness_mm"]),
                "shape": EURO_SHAPES[coin["shape"]],
                "edge": EURO_EDGES[coin["edge"]],
                **({"mintmark": {"one_of": ["A", "D", "F", "G", "J"]}} if issuer == "DE" else {}),
            }
            complete.append({"issuer": issuer, "denomination": denomination, "from": first, "to": None})
            issues.append(
                {
                    "id": f"euro-{issuer.lower()}-{coin['denomination'].replace('.', '-')}",
                    "label": f"{names[issuer]}, {denomination}",
                    "facts": facts,
                }
            )
    return {
        "name": "euro",
        "edition": "2014 recast",
        "source": "Council Regulation (EU) No 729/2014, Annex I (as secondary tables give it; thickness is indicative); "
        "first years on coins and the German mintmarks from memory",
        "licence": "facts of law; our arrangement CC-BY-4.0",
        "complete": complete,
        "issues": issues,
    }


def write(path: Path, content: dict[str, Any]) -> None:
    """JSON with one concept or issue a line, so that a new edition reads well as a difference."""
    long = "issues" if "issues" in content else "concepts"
    head = {name: part for name, part in content.items() if name != long}
    lines = [f"{json.dumps(name)}: {json.dumps(part, ensure_ascii=False)}," for name, part in head.items()]
    rows = ",\n".join(json.dumps(row, ensure_ascii=False) for row in content[long])
    path.write_text("{\n" + "\n".join(lines) + f"\n{json.dumps(long)}: [\n{rows}\n]\n}}\n", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the shipped reference data.")
    parser.add_argument("checks", type=Path, help="folder with the outside checks")
    parser.add_argument("target", type=Path, nargs="?", default=TARGET, help="folder to write into")
    asked = parser.parse_args()
    from law_issues import law_issues
    from terms import term_vocabularies

    for name, content in term_vocabularies().items():
        write(asked.target / name, content)
    write(asked.target / "law_issues.json", law_issues(asked.checks))
    write(asked.target / "issuers.json", issuers(asked.checks))
    write(asked.target / "motifs.json", motifs(asked.checks))
    write(asked.target / "euro_issues.json", euro_issues(asked.checks))


if __name__ == "__main__":
    main()
