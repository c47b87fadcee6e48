"""TABLE of the core attributes: what the service knows how to record of any coin. A new attribute is one entry.

`CORE` is an Attributes table. Names, units and enumerations come from the project's attribute vocabulary (64 terms, of
which each names its origin: trade words, Nomisma ontology, ISO codes, Dublin Core, laws); what is compound there is
flattened here to typed attributes. `source` is where the term comes from. Bounds are inclusive.

Left out, because it is the owner's bookkeeping and no fact of the coin: owner, lent_to, holder, location, acquired,
provenance, value_estimate, photos. Left out, because it stands beside the facts of a holding: quantity, status,
issue_id and issue_ref (`issue`), pinned_to and keep_out_of (pins). Left out too: certainty (how a fact is known; doubt
is said with `one_of` and `from`/`to`). `unknown` and `not examined` are no values here: what was not looked at is
left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from service.facts.attributes import Attribute, Attributes

_NO_SYNONYMS: Mapping[str, str] = MappingProxyType({})

OBJECT_KINDS = ("coin", "pattern", "token", "medal", "counterfeit", "fantasy", "bullion piece")
ISSUER_KINDS = (
    "state",
    "dependency",
    "currency union",
    "currency board",
    "city",
    "unrecognised",
    "company",
    "private",
    "fictional",
)
STRIKES = ("circulation", "proof", "specimen", "reverse proof", "hammered", "cast")
FINISHES = ("brilliant", "matt", "frosted", "antiqued", "coloured", "gilded by mint")
SHAPES = ("round", "polygon", "scalloped", "Spanish flower", "square", "holed by design", "irregular")
EDGES = ("plain", "milled", "interrupted milled", "lettered", "grooved", "scalloped", "security")
PROBLEMS = (
    "holed",
    "plugged",
    "cleaned",
    "polished",
    "scratched",
    "bent",
    "clipped",
    "mounted",
    "ex-jewellery",
    "gilded",
    "plated later",
    "corroded",
    "verdigris",
    "rim damage",
    "graffiti",
    "counter-stamped",
    "repaired",
    "tooled",
    "environmental",
    "artificially toned",
    "cast copy suspected",
)


def _text(
    name: str, label: str, meaning: str, look_at: str, source: str, *, vocabulary: str | None = None
) -> Attribute:
    return Attribute(name, "text", vocabulary=vocabulary, label=label, help=meaning, look_at=look_at, source=source)


def _one(
    name: str,
    label: str,
    meaning: str,
    look_at: str,
    source: str,
    values: tuple[str, ...],
    synonyms: Mapping[str, str] = _NO_SYNONYMS,
) -> Attribute:
    return Attribute(
        name, "text", values=values, synonyms=synonyms, label=label, help=meaning, look_at=look_at, source=source
    )


def _many(
    name: str,
    label: str,
    meaning: str,
    look_at: str,
    source: str,
    *,
    values: tuple[str, ...] = (),
    vocabulary: str | None = None,
) -> Attribute:
    return Attribute(
        name,
        "text",
        many=True,
        values=values,
        vocabulary=vocabulary,
        label=label,
        help=meaning,
        look_at=look_at,
        source=source,
    )


def _number(
    name: str,
    number: str,
    label: str,
    meaning: str,
    look_at: str,
    source: str,
    *,
    unit: str | None = None,
    low: int | None = None,
    high: int | None = None,
) -> Attribute:
    return Attribute(
        name, number, unit=unit, low=low, high=high, label=label, help=meaning, look_at=look_at, source=source
    )


def _yes_no(name: str, label: str, meaning: str, look_at: str, source: str) -> Attribute:
    return Attribute(name, "boolean", label=label, help=meaning, look_at=look_at, source=source)


def _date(name: str, label: str, meaning: str, look_at: str, source: str) -> Attribute:
    return Attribute(name, "date", label=label, help=meaning, look_at=look_at, source=source)


def _motifs(name: str, label: str, meaning: str, look_at: str) -> Attribute:
    source = "nmo:hasPortrait, nmo:hasIconography (Nomisma, from memory); SKOS concepts"
    return _many(name, label, meaning, look_at, source, vocabulary="motifs")


WHO = (
    _text(
        "issuer",
        "Issuer",
        "who struck it or had it struck: ISO 3166-1 code of a living country (DE), ISO 3166-3 code of a former one "
        "(DDDE), else an x- key (x-danzig); never the two-letter code of a former country, those are used again",
        "legend around the rim, either side; arms; currency name",
        "nmo:hasIssuer (Nomisma); ISO 3166",
        vocabulary="issuers",
    ),
    _text(
        "legend_issuer",
        "Issuer as the legend says",
        "what the coin itself says, which may differ from who struck it (NEDERLANDSE ANTILLEN in 2012)",
        "legend around the rim, either side",
        "nmo:hasLegend (Nomisma, from memory)",
    ),
    _text(
        "authority",
        "Authority",
        "in whose name it was issued: a ruler, a republic, a bank",
        "obverse, legend around the portrait or arms",
        "nmo:hasAuthority (Nomisma)",
        vocabulary="rulers",
    ),
    _one(
        "issuer_kind",
        "Kind of issuer",
        "what sort of body issued it",
        "not on the coin: follows from the issuer",
        "trade; our list",
        ISSUER_KINDS,
    ),
    _one(
        "object_kind",
        "Kind of object",
        "a coin, or something that is struck like one; leave it out when you cannot tell",
        "both sides: a coin names an issuer and mostly a value",
        "nmo:hasObjectType (Nomisma)",
        OBJECT_KINDS,
    ),
)

VALUE = (
    _text(
        "denomination",
        "Denomination",
        "number and unit as collectors say it: half crown, 2 euro, 50 euro cent",
        "reverse, centre or legend; small coins may bear none",
        "nmo:hasDenomination (Nomisma)",
        vocabulary="denominations",
    ),
    _number(
        "face_value",
        "decimal",
        "Face value",
        "the value in units of the currency: 0.50 for a 50 euro cent coin",
        "reverse, the figure or word of value",
        "schema.org value",
        unit="units of the currency",
        low=0,
    ),
    _text(
        "currency",
        "Currency",
        "ISO 4217 code, historic ones included (DDM), or an x- key",
        "reverse, the word beside the figure of value",
        "ISO 4217; Unicode CLDR",
    ),
    _date(
        "tender_from",
        "Legal tender from",
        "first day on which it was legal tender",
        "not on the coin: look in the law or a catalogue",
        "Unicode CLDR currency data",
    ),
    _date(
        "tender_to",
        "Legal tender to",
        "last day on which it was legal tender",
        "not on the coin: look in the law or a catalogue",
        "Unicode CLDR currency data",
    ),
    _many(
        "catalogue_numbers",
        "Catalogue numbers",
        "each as 'list: number', of any list you use (club list 2026: 14a); none are shipped",
        "not on the coin: look in the list",
        "nmo:hasTypeSeriesItem (Nomisma); skos:notation",
    ),
)

DATE = (
    _number(
        "year_on_coin",
        "integer",
        "Year on the coin",
        "the year that it bears, in the common era; worn figures are a range or alternatives; no year at all is none",
        "reverse, below the design, or obverse, below the portrait or in the legend",
        "nmo:hasDate (Nomisma)",
        unit="year CE",
    ),
    _number(
        "struck",
        "integer",
        "Year struck",
        "when it was made, which differs from the year on it for restrikes and frozen dates",
        "strike sharpness, privy marks and mintmark; else the mint's records",
        "nmo:hasStartDate, nmo:hasEndDate (Nomisma, seen)",
        unit="year CE",
    ),
    _yes_no(
        "restrike",
        "Restrike",
        "whether it was struck later with an old date",
        "small marks beside the date; edge; weight",
        "trade",
    ),
    _text(
        "date_as_written",
        "Date as written",
        "the date letter by letter, as the coin has it: 1327/8",
        "wherever the figures stand; on Islamic coins often both sides",
        "our term; Unicode CLDR calendar data",
    ),
    _text(
        "calendar",
        "Calendar",
        "the calendar of the date as written: gregorian, islamic, buddhist ...",
        "the script of the figures and words such as 'sanat'",
        "Unicode CLDR calendar data",
    ),
    _text(
        "era",
        "Era",
        "the era within the calendar: AH, BE, Meiji ...",
        "beside the figures of the date",
        "Unicode CLDR calendar data",
    ),
    _number(
        "year_as_written",
        "integer",
        "Year as written",
        "the year in its own calendar: 1327 (convert it to year_on_coin as a range)",
        "the figures of the date",
        "Unicode CLDR calendar data",
        unit="year of its own calendar",
        low=0,
    ),
    _number(
        "regnal_year",
        "integer",
        "Regnal year",
        "the year of the reign when the coin counts by reigns: 8 in 1327/8",
        "above the toughra or beside the accession year",
        "Unicode CLDR calendar data",
        unit="year of the reign",
        low=0,
    ),
)

MINT = (
    _text(
        "mint",
        "Mint",
        "where it was struck",
        "mintmark or privy mark near the date; else a catalogue",
        "nmo:hasMint (Nomisma)",
    ),
    _text(
        "mintmark",
        "Mintmark",
        "the letters or sign of the mint; looked and there is none: say none",
        "beside or below the date, below the wreath, at the foot of the shield",
        "nmo:Mintmark (Nomisma, seen)",
    ),
    _one(
        "mintmark_place",
        "Place of the mintmark",
        "the side that bears it",
        "both sides, then the edge",
        "trade",
        ("obverse", "reverse", "edge"),
    ),
    _number(
        "mintage",
        "integer",
        "Mintage",
        "how many were struck",
        "not on the coin: the mint's records",
        "trade",
        unit="pieces",
        low=0,
    ),
    _one(
        "strike",
        "Strike",
        "how it was made and for what",
        "fields: mirror or plain; rim: sharp and square on a proof",
        "nmo:hasManufacture (Nomisma); trade",
        STRIKES,
        MappingProxyType({"business": "circulation"}),
    ),
    _many(
        "finish",
        "Finish",
        "what the mint did to the surface; an empty list: looked, nothing special",
        "fields and raised design, tilted under a lamp",
        "trade",
        values=FINISHES,
    ),
    _number(
        "die_axis",
        "integer",
        "Die axis",
        "with the obverse upright, turn the coin about its vertical axis: where the top of the reverse points, as an "
        "hour (6 is coin alignment, 12 medal alignment)",
        "both sides against each other",
        "nmo:hasAxis (Nomisma)",
        unit="hours of the clock",
        low=1,
        high=12,
    ),
    _many(
        "designers",
        "Designers",
        "names of designers and engravers",
        "initials below the neck, or at the rim of the reverse",
        "dcterms:creator (Dublin Core)",
    ),
)

METAL = (
    _text(
        "material",
        "Material",
        "the metal or alloy in trade words: gold, silver, platinum, palladium, copper, bronze, brass, cupro-nickel, "
        "nickel, nickel-brass, steel, zinc, aluminium, bimetallic, clad, plated, billon; your own alloys are welcome",
        "colour on the high points and the edge; weight; a magnet",
        "nmo:hasMaterial (Nomisma); Getty AAT materials facet (from memory)",
        vocabulary="materials",
    ),
    _number(
        "fineness",
        "decimal",
        "Fineness",
        "share of precious metal as a fraction: 0.925 for sterling",
        "a hallmark or the legend if any; else specific gravity or an assay",
        "law (per mille); trade",
        unit="fraction",
        low=0,
        high=1,
    ),
    _text(
        "core_material",
        "Material of the core",
        "what lies inside a clad or plated coin",
        "edge, where the layers show",
        "Coinage Act of 1965 (US), section 101",
    ),
    _text(
        "cladding_material",
        "Material of the cladding",
        "what lies outside on a clad or plated coin",
        "edge, where the layers show; worn high points",
        "Coinage Act of 1965 (US), section 101",
    ),
    _text(
        "ring_material",
        "Material of the ring",
        "the outer part of a bimetallic coin",
        "outer ring, either side",
        "Coinage Act of 1965 (US), section 101, by extension",
    ),
    _text(
        "centre_material",
        "Material of the centre",
        "the inner part of a bimetallic coin",
        "centre, either side",
        "Coinage Act of 1965 (US), section 101, by extension",
    ),
    _many(
        "composition",
        "Composition",
        "each element with its share by mass in per cent: 'Cu 75', 'Ni 25'",
        "not to be seen: the law or an analysis",
        "law",
    ),
    _yes_no(
        "magnetic",
        "Magnetic",
        "whether a magnet holds it (settles steel against bronze)",
        "a small magnet on a thread, held to the edge",
        "trade",
    ),
)

MEASURES = (
    _number(
        "weight_legal",
        "decimal",
        "Legal weight",
        "what the law says it weighs; a grain is exactly 0.06479891 g",
        "not on the coin: the law or a catalogue",
        "nmo:hasWeight (Nomisma); law",
        unit="g",
        low=0,
    ),
    _number(
        "weight_tolerance",
        "decimal",
        "Tolerance of the weight",
        "how far a new coin may lie off the legal weight (the remedy)",
        "not on the coin: the law",
        "31 U.S.C. 5113(a); 'remedy' in United Kingdom coinage acts",
        unit="g",
        low=0,
    ),
    _number(
        "weight_least",
        "decimal",
        "Least current weight",
        "below this weight the law takes the coin for worn out: it is legal tender no longer",
        "not on the coin: the law",
        "Coinage Act 1870, first schedule; 'least current weight' in United Kingdom coinage acts",
        unit="g",
        low=0,
    ),
    _number(
        "weight_measured",
        "decimal",
        "Measured weight",
        "what your scale says; with a coarse scale give a range (27.05 to 27.15); wear only takes weight off",
        "the whole coin on a scale, dry",
        "nmo:hasWeight (Nomisma)",
        unit="g",
        low=0,
    ),
    _number(
        "fine_weight",
        "decimal",
        "Fine weight",
        "weight of the precious metal: weight times fineness; say in a note which weight you took",
        "not to be seen: it is computed",
        "weight x fineness; a troy ounce is 31.1034768 g",
        unit="g",
        low=0,
    ),
    _number(
        "diameter",
        "decimal",
        "Diameter",
        "largest diameter; an inch is exactly 25.4 mm",
        "calipers across the face",
        "nmo:hasDiameter (Nomisma)",
        unit="mm",
        low=0,
    ),
    _number(
        "thickness",
        "decimal",
        "Thickness",
        "thickness at the rim; laws give it as indicative only",
        "calipers across the rim",
        "nmo:hasDepth (Nomisma)",
        unit="mm",
        low=0,
    ),
    _one(
        "shape",
        "Shape",
        "the outline; a hole that the mint made belongs here, not among the problems",
        "the outline, and the centre for a hole",
        "nmo:hasShape (Nomisma)",
        SHAPES,
    ),
    _one(
        "edge",
        "Edge",
        "the pattern of the edge",
        "the edge, turned once around under a lens",
        "nmo:hasEdge (Nomisma)",
        EDGES,
    ),
    _text(
        "edge_legend",
        "Legend on the edge",
        "what is written on the edge: EINIGKEIT UND RECHT UND FREIHEIT",
        "the edge, turned once around under a lens",
        "nmo:hasEdge (Nomisma)",
    ),
)

DESIGN = (
    _text(
        "design",
        "Design",
        "your own key for a design that returns on other metals or denominations",
        "both sides together",
        "our term",
    ),
    _text(
        "obverse_design",
        "Design of the obverse",
        "the obverse in a word or two: bare head left, crowned shield",
        "obverse, the main device",
        "nmo:hasObverse (Nomisma)",
    ),
    _text(
        "reverse_design",
        "Design of the reverse",
        "the reverse in a word or two: wren, English lion",
        "reverse, the main device",
        "nmo:hasReverse (Nomisma)",
    ),
    _text(
        "obverse_legend",
        "Legend of the obverse",
        "the words as they stand, in capitals: GEORGIVS VI",
        "obverse, around the rim, from seven o'clock on",
        "nmo:hasObverse, nmo:hasLegend (Nomisma)",
    ),
    _text(
        "reverse_legend",
        "Legend of the reverse",
        "the words as they stand, in capitals: ONE SHILLING",
        "reverse, around the rim and in the field",
        "nmo:hasReverse, nmo:hasLegend (Nomisma)",
    ),
    _motifs("motifs", "Motifs", "all that is pictured, on either side, in any part", "both sides"),
    _motifs("main_motifs", "Main motifs", "what is the main device", "the centre of either side"),
    _motifs(
        "supporting_motifs",
        "Supporting motifs",
        "what stands beside the main device",
        "beside and below the main device",
    ),
    _motifs("arms_motifs", "Motifs in arms", "what appears within a coat of arms only", "shield and supporters"),
    _motifs(
        "privy_mark_motifs",
        "Motifs as privy marks",
        "small marks of mint or mint master",
        "beside the date or the mintmark, under a lens",
    ),
    _motifs(
        "background_motifs",
        "Motifs in the background",
        "what lies behind the main device: hills, waves, a city",
        "the field behind the main device",
    ),
    _motifs("obverse_motifs", "Motifs of the obverse", "all that the obverse pictures", "obverse"),
    _motifs("reverse_motifs", "Motifs of the reverse", "all that the reverse pictures", "reverse"),
    _yes_no(
        "commemorative",
        "Commemorative",
        "whether it was struck for an occasion",
        "a second date, a name or an event in the legend",
        "trade; Regulation (EU) 729/2014, article 9 (number from memory)",
    ),
    _text("occasion", "Occasion", "what a commemorative remembers", "legend and second date", "trade"),
    _text("series", "Series", "the series or joint issue that it belongs to", "a series mark or the legend", "trade"),
    _text(
        "variety",
        "Variety",
        "the variety within the type, in your list's words",
        "where the list says: mostly letters, figures and leaves under a lens",
        "trade; skos:narrower of the type",
    ),
    _many(
        "features",
        "Features",
        "small features that tell varieties apart, each in a few words (lion seated, head on)",
        "where the variety's description points: crest, berries, letter spacing",
        "nmo:PecularityOfProduction (Nomisma, seen)",
    ),
    _text(
        "countermark",
        "Countermark",
        "the words or sign that another authority punched in; looked and there is none: say none",
        "fields of both sides, often across the portrait",
        "nmo:hasCountermark (Nomisma)",
    ),
    _text(
        "countermark_authority",
        "Authority of the countermark",
        "in whose name the countermark was punched",
        "within the countermark, under a lens",
        "nmo:hasCountermark (Nomisma)",
    ),
)

STATE = (
    _number(
        "grade",
        "integer",
        "Grade",
        "a number from 1 to 70, or a range; an opinion, yours unless grade_by says otherwise",
        "high points of both sides: hair, cheek, crown, feathers",
        "W. H. Sheldon, 1949; trade",
        low=1,
        high=70,
    ),
    _text(
        "grade_words",
        "Grade in words",
        "the words of whoever graded it: VF, about uncirculated",
        "high points of both sides",
        "trade",
    ),
    _one(
        "grade_by",
        "Graded by",
        "whose opinion the grade is",
        "the ticket or holder",
        "trade",
        ("own", "seller", "club", "third party"),
    ),
    _many(
        "problems",
        "Problems",
        "what befell the coin after it left the mint; an empty list: looked and found none; a hole that the mint made "
        "is a shape",
        "both sides and the edge, tilted under a lamp: above the portrait for holes, fields for hairlines, edge for "
        "mounts",
        "nmo:hasCorrosion, nmo:SecondaryTreatment (Nomisma, seen); trade",
        values=PROBLEMS,
    ),
    _one(
        "authenticity",
        "Authenticity",
        "the owner's opinion, no authentication; leave it out when it was not examined",
        "edge seam, weight, softness of the letters",
        "nmo:Authenticity (Nomisma)",
        ("accepted", "doubtful", "counterfeit"),
    ),
    _text("toning", "Toning", "the colour that time gave it: grey, blue at the rim", "fields of both sides", "trade"),
)

CORE: Attributes = Attributes((*WHO, *VALUE, *DATE, *MINT, *METAL, *MEASURES, *DESIGN, *STATE))
