"""The tables behind denominations.json, materials.json and rulers.json: words of the trade, from memory; no source beyond
that, as each file says. make_reference_data.py writes the files.

An id is the value that facts and rules use. A name that means different things by issuer (a nickel, a quarter, 5 c) stands
among `abbreviations` with its issuer; without an issuer it means one thing everywhere.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

Short = tuple[str, tuple[str, ...]]  # the text and the issuers that it holds for; none: for all


def term(
    identity: str,
    other: tuple[str, ...] = (),
    short: tuple[Short, ...] = (),
    *,
    broader: tuple[str, ...] = (),
    note: str = "",
) -> dict[str, Any]:
    """One concept in the shape of the shipped files."""
    texts: list[dict[str, str]] = []
    for text, issuers in short:
        texts += [{"text": text, "issuer": issuer} for issuer in issuers] or [{"text": text}]
    return {
        "id": identity,
        "label": identity,
        "broader": list(broader),
        "alternative_labels": list(dict.fromkeys(name for name in other if name != identity)),
        "abbreviations": texts,
        "note": note,
        "started": None,
        "ended": None,
        "current": False,
        "matches": [],
    }


def everywhere(*texts: str) -> tuple[Short, ...]:
    return tuple((text, ()) for text in texts)


def only(issuers: str, *texts: str) -> tuple[Short, ...]:
    return tuple((text, tuple(issuers.split())) for text in texts)


WORDS = {
    "1": "one", "2": "two", "2.50": "two and a half", "3": "three", "4": "four", "5": "five", "8": "eight", "10": "ten",
    "15": "fifteen", "20": "twenty", "25": "twenty-five", "30": "thirty", "40": "forty", "50": "fifty",
    "100": "one hundred", "200": "two hundred", "500": "five hundred", "1000": "one thousand",
}  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """What is counted: '5 francs'. `one` is the id of a single one. `short` hold everywhere, `by` for issuers only."""

    singular: str
    plural: str
    counts: str
    one: str = ""
    spellings: tuple[str, ...] = ()
    short: tuple[str, ...] = ()
    by: tuple[Short, ...] = ()
    names: tuple[tuple[str, tuple[str, ...]], ...] = ()  # other names of one count

    def terms(self) -> list[dict[str, Any]]:
        names = dict(self.names)
        made = []
        for count in self.counts.split():
            single = count == "1"
            identity = (self.one or f"1 {self.singular}") if single else f"{count} {self.plural}"
            forms = dict.fromkeys([self.singular, self.plural, *self.spellings])
            other = [f"{count} {form}" for form in forms]
            if count in WORDS:
                other.append(f"{WORDS[count]} {self.singular if single else self.plural}")
            if count == "2.50":
                other += [f"2.5 {self.plural}", f"2½ {self.plural}", f"2 1/2 {self.plural}"]
            if single:
                other += [self.singular, *self.spellings]
            plain = [*((text, ()) for text in self.short), *self.by]
            dotted = [(f"{text}.", issuers) for text, issuers in plain if text.isalpha()]
            shorts = list(dict.fromkeys([*plain, *dotted]))
            texts = [(f"{count}{gap}{text}", issuers) for text, issuers in shorts for gap in (" ", "")]
            made.append(term(identity, (*other, *names.get(count, ())), tuple(texts)))
        return made


FRANCS = ("FR", "BE", "CH", "LU", "MC", "x-indochine")
# Cyprus, Malta and the Netherlands had cents before the euro: a cent of theirs may be either.
EURO = (
    *("AD", "AT", "BE", "BG", "DE", "EE", "ES", "FI", "FR", "GR", "HR"),
    *("IE", "IT", "LT", "LU", "LV", "MC", "PT", "SI", "SK", "SM", "VA"),
)
CENTS = ("US", "CA", "AU", "NZ", "NL", "ZA", "HK", "SG", "x-straits", "x-newfoundland", "x-brit-east-africa", "LK")
CENTAVOS = ("MX", "PT", "PH", "BR", "AR", "CL", "CU", "TPTL")
GERMAN = ("DE", "DDDE", "x-german-empire", "x-soviet-zone", "x-prussia", "x-bavaria")

UNITS = (
    Unit("euro cent", "euro cent", "1 2 5 10 20 50", spellings=("euro cents", "eurocent", "eurocents"),
         short=("ct",), by=(("cent", EURO), ("cents", EURO), ("c", EURO))),
    Unit("euro", "euro", "1 2", spellings=("euros",), short=("EUR", "€")),
    Unit("cent", "cents", "1 2 3 4 5 10 20 25 50", one="cent", by=(("c", CENTS),), short=("¢",)),
    Unit("dollar", "dollars", "2.50 3 4 5 10 20 25 50 100"),
    Unit("pence", "pence", "2 5 10 20 50", by=(("p", ("IE", "IM", "JE", "GG", "GI", "FK", "SH")),)),
    Unit("franc", "francs", "1 2 5 10 20 25 40 50 100 500", spellings=("franken", "frank"), short=("fr", "fr.", "frs"),
         by=(("F", FRANCS),)),
    Unit("centime", "centimes", "1 2 5 10 20 25 50", by=(("c", FRANCS), ("cmes", FRANCS), ("ct", FRANCS))),
    Unit("rappen", "rappen", "1 2 5 10 20 50", short=("Rp", "Rp.")),
    Unit("mark", "mark", "1 2 3 5 10 20 50 100 200 500", one="mark", spellings=("marks",), by=(("M", GERMAN),)),
    Unit("deutsche mark", "deutsche mark", "1 2 5 10", spellings=("Deutsche Marks", "D-Mark"), by=(("DM", ("DE",)),)),
    Unit("reichsmark", "reichsmark", "1 2 5", short=("RM",)),
    Unit("reichspfennig", "reichspfennig", "1 2 4 5 10 50", short=("Rpf", "Rpfg")),
    Unit("rentenpfennig", "rentenpfennig", "1 2 5 10 50"),
    Unit("schilling", "schilling", "1 2 5 10 20 25 50 100 500", spellings=("schillings",), by=(("S", ("AT",)),)),
    Unit("groschen", "groschen", "1 2 3 5 10 20 50", one="groschen", by=(("g", ("AT",)),)),
    Unit("pfennig", "pfennig", "1 2 5 10 20 25 50", spellings=("pfennigs", "pfennige"),
         short=("pf", "pf.", "pfg", "pfg.")),
    Unit("kreuzer", "kreuzer", "1 2 3 4 6 10 15 20 30", spellings=("kreutzer",), short=("kr.", "xr", "kreuz.")),
    Unit("heller", "heller", "1 2 10 20"),
    Unit("corona", "corona", "1 2 5 10 20 100", spellings=("coronae",), names=()),
    Unit("krone", "kroner", "1 2 5 10 20", one="krone", by=(("kr", ("DK", "NO")),)),
    Unit("krona", "kronor", "1 2 5 10", one="krona", by=(("kr", ("SE",)),)),
    Unit("ore", "ore", "1 2 5 10 25 50", spellings=("øre", "öre")),
    Unit("gulden", "gulden", "1 2.50 3 5 10", spellings=("guldens", "guilder", "guilders"), by=(("G", ("NL",)),)),
    Unit("lira", "lire", "1 2 5 10 20 50 100 500", by=(("L", ("IT", "SM", "VA")),)),
    Unit("centesimo", "centesimi", "1 2 5 10 20 50", by=(("c", ("IT", "SM", "VA")), ("cmi", ("IT",)))),
    Unit("peseta", "pesetas", "1 2 5 10 20 25 50 100", short=("pta", "ptas", "pts")),
    Unit("centimo", "centimos", "1 2 5 10 25 50", spellings=("céntimo", "céntimos"), by=(("c", ("ES", "VE", "CR")),)),
    Unit("escudo", "escudos", "1 5 10 20 50 100"),
    Unit("centavo", "centavos", "1 2 4 5 10 20 25 50", by=(("c", CENTAVOS), ("ctvs", CENTAVOS))),
    Unit("peso", "pesos", "1 2 5 10 20 50", one="peso"),
    Unit("rouble", "roubles", "1 3 5 10 15", spellings=("ruble", "rubles"), by=(("r", ("RU", "SUHH", "x-rsfsr")),)),
    Unit("kopek", "kopeks", "1 2 3 5 10 15 20 25 50", spellings=("kopeck", "kopecks", "copeck", "copecks"),
         by=(("k", ("RU", "SUHH", "x-rsfsr")), ("kop", ("RU", "SUHH", "x-rsfsr")))),
    Unit("koruna", "korun", "1 5 10 20 50 100", spellings=("koruny",), by=(("Kčs", ("CSHH",)), ("Kč", ("CZ",)))),
    Unit("haler", "haleru", "1 2 3 5 10 20 25 50", spellings=("haléř", "haléřů", "halier", "halierov"),
         by=(("h", ("CSHH", "CZ")),)),
    Unit("zloty", "zloty", "1 2 5 10 20 50", spellings=("złoty", "złotych", "zlotys"), by=(("zł", ("PL",)),)),
    Unit("grosz", "groszy", "1 2 5 10 20 50", spellings=("grosze",), by=(("gr", ("PL",)),)),
    Unit("dinar", "dinara", "1 2 5 10 20 50 100", spellings=("dinars",)),
    Unit("para", "para", "1 5 10 20 25 40 50", spellings=("paras",)),
    Unit("leu", "lei", "1 2 5 10 20 50 100"),
    Unit("lev", "leva", "1 2 5 10 20 50 100"),
    Unit("drachma", "drachmai", "1 2 5 10 20", spellings=("drachmas", "drachmae")),
    Unit("lepton", "lepta", "1 2 5 10 20 50"),
    Unit("forint", "forint", "1 2 5 10 20 50", spellings=("forints",), by=(("Ft", ("HU",)),)),
    Unit("piastre", "piastres", "1 2 5 10 20 25 50", one="piastre", spellings=("piaster", "piasters")),
    Unit("millieme", "milliemes", "1 2 5 10 20", spellings=("millième", "millièmes")),
    Unit("mil", "mils", "1 2 5 10 20 25 50 100", spellings=("mill", "mills")),
    Unit("fils", "fils", "1 2 5 10 25 50 100"),
    Unit("rupee", "rupees", "1 2 5 10", one="rupee", by=(("Rs", ("IN", "x-british-india", "LK", "PK", "MU")),)),
    Unit("anna", "annas", "1 2 4 8", one="anna"),
    Unit("yen", "yen", "1 2 5 10 20 50 100 500", short=("¥",)),
    Unit("sen", "sen", "1 2 5 10 20 50"),
    Unit("won", "won", "1 5 10 50 100 500"),
    Unit("chon", "chon", "1 5 10 20"),
    Unit("dong", "dong", "1 5 10 20"),
    Unit("xu", "xu", "1 2 5 10 20 50"),
    Unit("zaire", "zaires", "1 5 10"),
    Unit("rand", "rand", "1 2 5", one="rand", by=(("R", ("ZA",)),)),
)  # fmt: skip

DENOMINATIONS: list[dict[str, Any]] = [
    # Pounds, shillings and pence.
    term("crown", ("crowns", "five shillings", "5 shillings"), everywhere("5/-", "5s")),
    term("double florin", ("double florins", "four shillings", "4 shillings"), everywhere("4/-", "4s")),
    term("half crown", ("half crowns", "halfcrown", "half-crown", "2 shillings and sixpence"),
         everywhere("2/6", "2s6d", "2s 6d")),
    term("florin", ("florins", "two shillings", "2 shillings"), everywhere("2/-", "2s")),
    term("shilling", ("shillings", "one shilling", "1 shilling", "bob"), everywhere("1/-", "1s")),
    term("ten shillings", ("10 shillings",), everywhere("10/-", "10s")),
    term("sixpence", ("sixpences", "six pence", "6 pence", "tanner"), everywhere("6d", "-/6")),
    term("fourpence", ("fourpences", "four pence", "4 pence", "groat", "groats"), everywhere("4d", "-/4")),
    term("threepence", ("threepences", "three pence", "3 pence", "threepenny bit", "thruppence"),
         everywhere("3d", "-/3")),
    term("threehalfpence", ("three halfpence",), everywhere("1½d", "1 1/2d")),
    term("twopence", ("twopences", "2 pence (old)"), everywhere("2d"), note="copper of 1797 and the like"),
    term("twopence (Maundy)", ("Maundy twopence",)),
    term("penny (Maundy)", ("Maundy penny",)),
    term("penny", ("pennies", "1 penny", "one penny"), everywhere("1d")),
    term("halfpenny", ("halfpennies", "half penny", "half-penny", "ha'penny"), everywhere("½d", "1/2d")),
    term("farthing", ("farthings",), everywhere("¼d", "1/4d")),
    term("half farthing", ("half farthings",), everywhere("⅛d", "1/8d")),
    term("third farthing", ("third farthings",), everywhere("1/12d")),
    term("quarter farthing", ("quarter farthings",), everywhere("1/16d")),
    term("sovereign", ("sovereigns", "gold sovereign"), everywhere("sov")),
    term("half sovereign", ("half sovereigns", "half-sovereign"), everywhere("½ sov", "half sov")),
    term("two pounds", ("double sovereign",), only("GB", "£2", "2 pounds")),
    term("five pounds", ("quintuple sovereign",), only("GB", "£5", "5 pounds")),
    term("one pound", ("1 pound", "pound"), only("GB", "£1")),
    term("guinea", ("guineas",), ()),
    term("half guinea", ("half guineas",), ()),
    # The decimal pound.
    term("half new penny", ("½ new penny", "1/2 new penny"),
         only("GB", "½p", "1/2p", "half p", "halfpenny (decimal)")),
    term("new penny", ("1 new penny", "one new penny"), only("GB", "1p")),
    term("two new pence", ("2 new pence",), only("GB", "2p", "2 pence", "two pence")),
    term("five new pence", ("5 new pence",), only("GB", "5p", "5 pence", "five pence")),
    term("ten new pence", ("10 new pence",), only("GB", "10p", "10 pence", "ten pence")),
    term("fifty new pence", ("50 new pence",), only("GB", "50p", "50 pence", "fifty pence")),
    term("twenty pence", (), only("GB", "20p", "20 pence")),
    # The dollar and its parts.
    term("dollar", ("dollars", "1 dollar", "one dollar", "silver dollar"), everywhere("$1")),
    term("trade dollar", ("trade dollars",)),
    term("half dollar", ("half dollars", "half-dollar"),
         only("US", "half", "halves", "1/2 dollar", "½ dollar", "50 cents", "50c", "50¢")),
    term("quarter dollar", ("quarter dollars", "quarter-dollar"),
         only("US", "quarter", "quarters", "1/4 dollar", "¼ dollar", "25 cents", "25c", "25¢")),
    term("dime", ("dimes",), only("US", "10 cents", "10c", "10¢")),
    term("half dime", ("half dimes", "half-dime"), only("US", "half disme")),
    term("half cent", ("half cents", "½ cent", "1/2 cent")),
    term("1 dollar gold", ("gold dollar", "gold dollars"), only("US", "G$1")),
    # Words that many countries share.
    term("thaler", ("thalers", "taler", "talers", "1 thaler"), note="the dollar's ancestor"),
    term("vereinsthaler", ("vereinstaler", "union thaler")),
    term("groschen", ("silbergroschen", "1 groschen")),
    term("2 koruny", ("2 koruna", "dvě koruny")),
    term("5 kronur", ("5 krónur",)),
    term("half rupee", ("half rupees", "½ rupee", "1/2 rupee")),
    term("quarter rupee", ("quarter rupees", "¼ rupee", "1/4 rupee")),
    term("two annas", ("2 annas", "eighth rupee")),
    term("half anna", ("half annas", "½ anna", "1/2 anna")),
    term("quarter anna", ("quarter annas", "¼ anna", "1/4 anna")),
    term("half pice", ("half pices",)),
    term("pie", ("1/12 anna", "twelfth anna"), note="the twelfth of an anna in British India"),
    term("pya", ("pyas",)),
    term("pysa", ("pysas",)),
    term("tambala", ("1 tambala",)),
    term("ducat", ("ducats", "dukat")),
    term("half mark", ("½ mark", "1/2 mark")),
    term("half franc", ("½ franc", "1/2 franc", "demi franc")),
    term("half gulden", ("½ gulden", "1/2 gulden")),
    term("scudo", ("scudi",)),
    term("baiocco", ("baiocchi", "1 baiocco")),
    term("piastra", ("piastre of Naples", "120 grana")),
    term("tornese", ("tornesi",)),
]  # fmt: skip

# Names of counted denominations by issuer.
COUNTED_BY_ISSUER: dict[str, tuple[Short, ...]] = {
    "5 cents": only("US CA", "nickel", "nickels"),
    "10 cents": only("CA", "dime"),
    "25 cents": only("CA", "quarter"),
    "50 cents": only("CA", "half", "half dollar"),
    "cent": only("US CA", "penny", "pennies"),
    "2.50 dollars": only("US", "quarter eagle", "$2.50", "$2 1/2", "$2½"),
    "3 dollars": only("US", "$3"),
    "4 dollars": only("US", "stella", "$4"),
    "5 dollars": only("US", "half eagle", "$5"),
    "10 dollars": only("US", "eagle", "$10"),
    "20 dollars": only("US", "double eagle", "$20"),
    "25 dollars": only("US", "$25"),
    "50 dollars": only("US", "$50"),
    "20 francs": only("FR CH BE", "napoleon"),
}


def denominations() -> list[dict[str, Any]]:
    counted = [made for unit in UNITS for made in unit.terms()]
    known = {entry["id"] for entry in DENOMINATIONS}
    counted = [entry for entry in counted if entry["id"] not in known and entry["id"] not in ("2 annas",)]
    for entry in counted:
        for text, issuers in COUNTED_BY_ISSUER.get(entry["id"], ()):
            entry["abbreviations"] += [{"text": text, "issuer": issuer} for issuer in issuers]
    return without_clashes([*DENOMINATIONS, *counted])


def without_clashes(concepts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """An id is nobody else's other name; the first keeps a name that two claim. An abbreviation with two meanings for one
    issuer (5 c in France: centimes, or euro cent) is left out: whoever reads it has to ask."""
    taken = {entry["id"].casefold() for entry in concepts}
    for entry in concepts:
        kept = []
        for name in entry["alternative_labels"]:
            if name.casefold() not in taken:
                taken.add(name.casefold())
                kept.append(name)
        entry["alternative_labels"] = kept
    claims = Counter(
        (short["text"].casefold(), short.get("issuer")) for entry in concepts for short in entry["abbreviations"]
    )
    for entry in concepts:
        entry["abbreviations"] = [
            short
            for short in entry["abbreviations"]
            if claims[short["text"].casefold(), short.get("issuer")] == 1
            and ("issuer" in short or short["text"].casefold() not in taken)
        ]
    return concepts


def element(identity: str, symbol: str, *other: str, short: tuple[str, ...] = (), under: str = "") -> dict[str, Any]:
    return term(identity, other, everywhere(symbol, *short), broader=(under,) if under else ())


MATERIALS: list[dict[str, Any]] = [
    term("precious metal", ("precious metals",)),
    term("base metal", ("base metals",)),
    element("gold", "Au", "gold alloy", short=("AV",), under="precious metal"),
    element("silver", "Ag", "silver alloy", "sterling silver", "sterling", short=("AR",), under="precious metal"),
    element("platinum", "Pt", under="precious metal"),
    element("palladium", "Pd", under="precious metal"),
    term("electrum", ("gold and silver",), everywhere("EL"), broader=("precious metal",)),
    term("billon", ("low silver", "base silver"), everywhere("BI"), broader=("silver",),
         note="silver below one half of the whole"),
    element("copper", "Cu", "red copper", under="base metal"),
    term("copper alloy", ("copper alloys",), everywhere("AE"), broader=("base metal",)),
    term("bronze", ("copper, tin and zinc",), everywhere("CuSn", "Cu-Sn", "CuSnZn", "Br"), broader=("copper alloy",)),
    term("brass", ("yellow brass",), everywhere("CuZn", "Cu-Zn"), broader=("copper alloy",)),
    term("orichalcum", ("aurichalcum",), broader=("brass",)),
    term("nickel-brass", ("nickel brass",), everywhere("CuZnNi", "Cu-Zn-Ni"), broader=("copper alloy",)),
    term("nickel silver", ("German silver", "Neusilber", "copper-nickel-zinc"), everywhere("CuNiZn", "Cu-Ni-Zn"),
         broader=("copper alloy",), note="no silver in it"),
    term("aluminium-bronze", ("aluminum-bronze", "aluminium bronze", "aluminum bronze"),
         everywhere("CuAl", "Cu-Al", "Al-bronze"), broader=("copper alloy",)),
    term("Nordic gold", (), everywhere("CuAlZnSn"), broader=("copper alloy",), note="no gold in it"),
    term("cupro-nickel", ("cupronickel", "copper-nickel", "copper nickel"),
         everywhere("CuNi", "Cu-Ni", "Cu/Ni", "CN"), broader=("copper alloy",)),
    element("nickel", "Ni", "pure nickel", under="base metal"),
    element("zinc", "Zn", under="base metal"),
    element("aluminium", "Al", "aluminum", "aluminium alloy", "aluminum alloy", under="base metal"),
    element("iron", "Fe", under="base metal"),
    element("tin", "Sn", under="base metal"),
    element("lead", "Pb", under="base metal"),
    element("titanium", "Ti", under="base metal"),
    element("niobium", "Nb", under="base metal"),
    term("pewter", (), broader=("base metal",)),
    term("potin", (), broader=("base metal",)),
    term("steel", (), broader=("iron",)),
    term("stainless steel", ("chromium steel", "chrome steel", "acmonital"), broader=("steel",)),
    term("plated", ("plated metal", "coated", "washed")),
    term("copper-covered steel", ("copper-plated steel", "copper plated steel", "copper-coated steel", "copper clad steel"),
         broader=("plated",)),
    term("bronze-plated steel", ("bronze plated steel", "bronze-coated steel", "bronze clad steel"),
         broader=("plated",)),
    term("brass-plated steel", ("brass plated steel", "brass-coated steel", "brass clad steel"), broader=("plated",)),
    term("nickel-plated steel", ("nickel plated steel", "nickel-coated steel", "nickel clad steel"),
         broader=("plated",)),
    term("zinc-coated steel", ("zinc-plated steel", "zinc plated steel", "galvanised steel", "galvanized steel"),
         broader=("plated",)),
    term("copper-plated zinc", ("copper plated zinc", "copper-coated zinc"), broader=("plated",)),
    term("clad", ("clad metal", "sandwich"), note="layers bonded before striking"),
    term("cupro-nickel on nickel", ("three layers of cupro-nickel and nickel",), broader=("clad",)),
    term("nickel-brass on nickel", ("three layers of nickel-brass and nickel",), broader=("clad",)),
    term("silver and copper", ("silver-copper",), everywhere("AgCu", "Ag-Cu"), broader=("silver",)),
    term("silver .800 and copper .200", (), broader=("silver",)),
    term("bimetallic", ("bi-metallic", "bimetal", "bi-metal", "ring and centre", "ring and center")),
    term("porcelain", ("ceramic",)),
    term("leather", ()),
    term("wood", ("wooden",)),
]  # fmt: skip


def ruler(
    identity: str, reign: str, where: str, issuers: str = "", names: tuple[str, ...] = (), short: tuple[str, ...] = ()
) -> dict[str, Any]:
    """`names` are other names everywhere, `short` those that hold for `issuers` only."""
    return term(identity, names, only(issuers, *short), note=f"reigned {reign} over {where} (from memory)")


BRITISH = "GB IN AU CA NZ ZA IE x-newfoundland x-straits x-british-india x-brit-west-africa x-brit-east-africa"
BRITISH += " HK LK CY JM MU FJ RHZW JE GG IM MT"


def british(number: str, name: str, reign: str, names: tuple[str, ...], short: tuple[str, ...]) -> dict[str, Any]:
    return ruler(f"{name} {number}".strip(), reign, "the United Kingdom", BRITISH, names, short)


RULERS: list[dict[str, Any]] = [
    ruler("Anne", "1702 to 1714", "Great Britain", "GB", ("Queen Anne",)),
    british("I", "George", "1714 to 1727", (), ("Geo I", "Geo. I", "King George I", "G I")),
    british("II", "George", "1727 to 1760", (), ("Geo II", "Geo. II", "King George II", "G II")),
    british("III", "George", "1760 to 1820", (), ("Geo III", "Geo. III", "King George III", "G III")),
    british("IV", "George", "1820 to 1830", (), ("Geo IV", "Geo. IV", "King George IV", "G IV")),
    ruler("William IV", "1830 to 1837", "the United Kingdom", BRITISH, ("King William IV",), ("Wm IV", "Will. IV")),
    ruler("Victoria", "1837 to 1901", "the United Kingdom", BRITISH, ("Queen Victoria", "Victoria I"), ("Vic", "Vict")),
    ruler("Edward VII", "1901 to 1910", "the United Kingdom", BRITISH, ("King Edward VII",), ("Ed VII", "Edw VII")),
    british("V", "George", "1910 to 1936", (), ("Geo V", "Geo. V", "King George V", "G V")),
    ruler("Edward VIII", "1936", "the United Kingdom", BRITISH, ("King Edward VIII",), ("Ed VIII", "Edw VIII")),
    british("VI", "George", "1936 to 1952", (), ("Geo VI", "Geo. VI", "King George VI", "G VI")),
    ruler("Elizabeth II", "1952 to 2022", "the United Kingdom", BRITISH, ("Queen Elizabeth II", "QEII", "QE II"),
          ("Eliz II", "E II R")),
    ruler("Charles III", "since 2022", "the United Kingdom", BRITISH, ("King Charles III",), ("Chas III",)),
    ruler("Maria Theresa", "1740 to 1780", "the Habsburg lands", "AT", ("Maria Theresia", "Empress Maria Theresa")),
    ruler("Joseph II", "1765 to 1790", "the Holy Roman Empire", "AT", ("Josef II",)),
    ruler("Francis I of Austria", "1804 to 1835", "Austria", "AT", ("Franz I of Austria",), ("Franz I", "Francis I")),
    ruler("Ferdinand I of Austria", "1835 to 1848", "Austria", "AT", (), ("Ferdinand I",)),
    ruler("Franz Joseph I", "1848 to 1916", "Austria, later Austria-Hungary", "AT x-austria-hungary HU",
          ("Francis Joseph I", "Francis Joseph", "Franz Joseph", "Franz Josef I", "Franz Josef", "Ferenc József")),
    ruler("Wilhelm I", "1861 to 1888", "Prussia, from 1871 the German Empire", "x-prussia x-german-empire",
          ("Kaiser Wilhelm I",), ("William I",)),
    ruler("Friedrich III", "1888", "Prussia and the German Empire", "x-prussia x-german-empire", ("Kaiser Friedrich III",),
          ("Frederick III",)),
    ruler("Wilhelm II", "1888 to 1918", "Prussia and the German Empire", "x-prussia x-german-empire",
          ("Kaiser Wilhelm II",), ("William II",)),
    ruler("Friedrich Wilhelm III", "1797 to 1840", "Prussia", "x-prussia", ("Frederick William III",)),
    ruler("Friedrich Wilhelm IV", "1840 to 1861", "Prussia", "x-prussia", ("Frederick William IV",)),
    ruler("Ludwig II of Bavaria", "1864 to 1886", "Bavaria", "x-bavaria", (), ("Ludwig II", "Louis II")),
    ruler("Otto of Bavaria", "1886 to 1913", "Bavaria", "x-bavaria", (), ("Otto", "Otto I")),
    ruler("Ludwig III of Bavaria", "1913 to 1918", "Bavaria", "x-bavaria", (), ("Ludwig III", "Louis III")),
    ruler("Napoleon I", "1804 to 1814, 1815", "France", "FR", ("Napoléon I", "Napoleon Bonaparte")),
    ruler("Louis XVI", "1774 to 1792", "France", "FR"),
    ruler("Louis XVIII", "1814 to 1824", "France", "FR"),
    ruler("Charles X", "1824 to 1830", "France", "FR"),
    ruler("Louis Philippe I", "1830 to 1848", "France", "FR", ("Louis-Philippe", "Louis Philippe")),
    ruler("Napoleon III", "1852 to 1870", "France", "FR", ("Napoléon III",)),
    ruler("Victor Emmanuel II", "1849 to 1878", "Sardinia, from 1861 Italy", "IT x-sardinia", ("Vittorio Emanuele II",)),
    ruler("Umberto I", "1878 to 1900", "Italy", "IT", ("Humbert I",)),
    ruler("Victor Emmanuel III", "1900 to 1946", "Italy", "IT", ("Vittorio Emanuele III",)),
    ruler("Carlo Alberto", "1831 to 1849", "Sardinia", "x-sardinia", ("Charles Albert",)),
    ruler("Ferdinand II of the Two Sicilies", "1830 to 1859", "the Two Sicilies", "x-two-sicilies", (), ("Ferdinand II",)),
    ruler("Pius IX", "1846 to 1878", "the Papal States until 1870", "x-papal VA", ("Pio IX",)),
    ruler("Pius XI", "1922 to 1939", "the Vatican City from 1929", "VA", ("Pio XI",)),
    ruler("Pius XII", "1939 to 1958", "the Vatican City", "VA", ("Pio XII",)),
    ruler("Leopold I of Belgium", "1831 to 1865", "Belgium", "BE", (), ("Leopold I",)),
    ruler("Leopold II of Belgium", "1865 to 1909", "Belgium", "BE x-belgian-congo", (), ("Leopold II",)),
    ruler("Albert I of Belgium", "1909 to 1934", "Belgium", "BE x-belgian-congo", (), ("Albert I",)),
    ruler("Leopold III of Belgium", "1934 to 1951", "Belgium", "BE", (), ("Leopold III",)),
    ruler("Baudouin", "1951 to 1993", "Belgium", "BE", ("Boudewijn", "Baudouin I")),
    ruler("Willem I", "1815 to 1840", "the Netherlands", "NL", (), ("William I",)),
    ruler("Willem II", "1840 to 1849", "the Netherlands", "NL", (), ("William II",)),
    ruler("Willem III", "1849 to 1890", "the Netherlands", "NL", (), ("William III",)),
    ruler("Wilhelmina", "1890 to 1948", "the Netherlands", "NL", ("Queen Wilhelmina",)),
    ruler("Juliana", "1948 to 1980", "the Netherlands", "NL", ("Queen Juliana",)),
    ruler("Beatrix", "1980 to 2013", "the Netherlands", "NL", ("Queen Beatrix",)),
    ruler("Christian IX", "1863 to 1906", "Denmark", "DK"),
    ruler("Frederik VIII", "1906 to 1912", "Denmark", "DK", ("Frederick VIII",)),
    ruler("Christian X", "1912 to 1947", "Denmark", "DK"),
    ruler("Frederik IX", "1947 to 1972", "Denmark", "DK", ("Frederick IX",)),
    ruler("Margrethe II", "1972 to 2024", "Denmark", "DK", ("Margaret II",)),
    ruler("Oscar II", "1872 to 1907", "Sweden, until 1905 Norway too", "SE NO", ("Oskar II",)),
    ruler("Gustaf V", "1907 to 1950", "Sweden", "SE", ("Gustav V",)),
    ruler("Gustaf VI Adolf", "1950 to 1973", "Sweden", "SE", ("Gustav VI Adolf",)),
    ruler("Haakon VII", "1905 to 1957", "Norway", "NO"),
    ruler("Olav V", "1957 to 1991", "Norway", "NO"),
    ruler("Isabella II", "1833 to 1868", "Spain", "ES", ("Isabel II",)),
    ruler("Alfonso XII", "1874 to 1885", "Spain", "ES", ("Alphonso XII",)),
    ruler("Alfonso XIII", "1886 to 1931", "Spain", "ES", ("Alphonso XIII",)),
    ruler("Juan Carlos I", "1975 to 2014", "Spain", "ES", ("Juan Carlos",)),
    ruler("Nicholas I of Russia", "1825 to 1855", "Russia", "RU", (), ("Nicholas I", "Nikolai I")),
    ruler("Alexander II of Russia", "1855 to 1881", "Russia", "RU", (), ("Alexander II",)),
    ruler("Alexander III of Russia", "1881 to 1894", "Russia", "RU", (), ("Alexander III",)),
    ruler("Nicholas II", "1894 to 1917", "Russia", "RU", ("Nikolai II",)),
    ruler("George I of Greece", "1863 to 1913", "Greece", "GR", (), ("George I", "Georgios I")),
    ruler("Constantine II of Greece", "1964 to 1973", "Greece", "GR", (), ("Constantine II",)),
    ruler("Abdul Hamid II", "1876 to 1909", "the Ottoman Empire", "x-ottoman", ("Abdülhamid II", "Abdulhamid II")),
    ruler("Mehmed V", "1909 to 1918", "the Ottoman Empire", "x-ottoman", ("Mehmed Reshad",)),
    ruler("Meiji", "1868 to 1912", "Japan", "JP", ("Mutsuhito",)),
    ruler("Taisho", "1912 to 1926", "Japan", "JP", ("Yoshihito", "Taishō")),
    ruler("Showa", "1926 to 1989", "Japan", "JP", ("Hirohito", "Shōwa")),
    ruler("Kalakaua", "1874 to 1891", "Hawaii", "x-hawaii", ("Kalākaua",)),
]  # fmt: skip

FROM_MEMORY = "words of the trade, from memory; no published source"


def vocabulary(name: str, label: str, concepts: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "name": name,
        "label": label,
        "edition": "1",
        "source": FROM_MEMORY,
        "licence": "CC-BY-4.0",
        "notice": "Our own work, CC-BY-4.0.",
        "concepts": concepts,
    }


def term_vocabularies() -> dict[str, dict[str, Any]]:
    """The three files by their names."""
    return {
        "denominations.json": vocabulary("denominations", "Denominations", denominations()),
        "materials.json": vocabulary("materials", "Materials", without_clashes(MATERIALS)),
        "rulers.json": vocabulary("rulers", "Rulers and authorities", without_clashes(RULERS)),
    }
