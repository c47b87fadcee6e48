// Coins in tables and forms. Pure.

// The owner's own fields, beside the facts of the coin, in the order in which a form has them.
export const OWN = new Set([
  "number", "status", "mark", "quantity", "location", "tags", "price_paid", "bought_from", "bought_on", "note", "issue",
]);
export const USUAL = ["year_on_coin", "denomination", "issuer", "grade", "status"];
const ON_A_PAGE = "100";

// Attributes in the order in which a form has them; those of no group (declared by a definition) come last.
export const GROUPS = {
  what: [
    "issuer", "legend_issuer", "authority", "issuer_kind", "object_kind", "denomination", "face_value", "currency", "series", "commemorative",
    "occasion", "catalogue_numbers", "tender_from", "tender_to",
  ],
  when: [
    "year_on_coin", "struck", "restrike", "date_as_written", "calendar", "era", "year_as_written", "regnal_year", "mint", "mintmark", "mintmark_place",
    "mintage", "strike", "finish",
  ],
  metal: [
    "material", "fineness", "weight_measured", "diameter", "thickness", "magnetic", "shape", "edge", "edge_legend", "die_axis", "composition",
    "core_material", "cladding_material", "ring_material", "centre_material", "weight_legal", "weight_tolerance", "weight_least", "fine_weight",
  ],
  pictured: [
    "design", "obverse_design", "reverse_design", "obverse_legend", "reverse_legend", "main_motifs", "motifs", "supporting_motifs", "arms_motifs",
    "privy_mark_motifs", "background_motifs", "obverse_motifs", "reverse_motifs", "variety", "features", "designers",
  ],
  state: ["grade", "grade_words", "grade_by", "problems", "authenticity", "toning", "countermark", "countermark_authority"],
};

/** The attributes by group, without those that are left out. @param {string[]} names @param {Set<string>} without */
export function grouped(names, without = new Set()) {
  const left = new Set(names.filter((name) => !without.has(name)));
  const groups = Object.entries(GROUPS).map(([key, members]) => ({ key, names: members.filter((name) => left.delete(name)) }));
  return [...groups, { key: "declared", names: [...left] }].filter((group) => group.names.length > 0);
}

/** What a coin has in a column; undefined: nothing is recorded. */
export function valueOf(coin, name) {
  const value = OWN.has(name) ? coin[name] : coin.facts[name];
  return value === null || value === "" || (name === "tags" && value?.length === 0) ? undefined : value;
}

/** The order after another press on a heading: upwards, downwards, none. */
export function nextSort(sort, name) {
  return { [name]: `-${name}`, [`-${name}`]: "" }[sort] ?? name;
}

/** The request for a page of coins. @param {{q?: string, filter?: string, doubtful?: string, sort?: string, cursor?: string}} asked */
export function pagePath({ q, filter, doubtful, sort, cursor }) {
  const query = new URLSearchParams({ limit: ON_A_PAGE, count: "true" });
  for (const [name, value] of Object.entries({ q, filter, doubtful, sort, cursor })) if (value) query.set(name, value);
  return `/v1/holdings?${query}`;
}

// What is of one piece alone, and is not the next one's.
const OF_ONE_PIECE = new Set([
  "weight_measured", "diameter", "thickness", "die_axis", "grade", "grade_words", "grade_by", "problems", "authenticity", "toning", "countermark",
  "countermark_authority",
]);
const REPEATS = ["status", "location", "tags", "bought_from", "bought_on", "issue"];

/** The number after one: what ends in figures counts on, with as many of them. @param {string | null} number */
export function nextNumber(number) {
  const found = /^(.*?)(\d+)(\D*)$/.exec(number ?? "");
  if (found === null) return number ?? null;
  const [, before, figures, after] = found;
  return `${before}${String(BigInt(figures) + 1n).padStart(figures.length, "0")}${after}`;
}

/** What the next coin like this one begins with. @param {object} coin @returns {object} as a new coin is sent */
export function likeThis(coin) {
  const facts = Object.fromEntries(Object.entries(coin.facts).filter(([name]) => !OF_ONE_PIECE.has(name)));
  const own = Object.fromEntries(REPEATS.filter((name) => valueOf(coin, name) !== undefined).map((name) => [name, coin[name]]));
  const number = nextNumber(coin.number ?? null);
  return { ...own, ...(number === null ? {} : { number }), facts };
}

const MEASURED = ["weight_measured", "diameter", "thickness", "magnetic", "year_on_coin", "problems"];

/** What was measured of a coin, to be compared; null: neither weighed nor measured. */
export function measuredOf(facts) {
  const found = Object.fromEntries(MEASURED.filter((name) => facts[name] !== undefined && facts[name] !== null).map((name) => [name, facts[name]]));
  return MEASURED.slice(0, 4).some((name) => name in found) ? found : null;
}

/** Whether what is plainly recorded of a coin contradicts an issue of the catalogue. */
function contradicts(facts, issue) {
  const plain = (value) => (value !== null && typeof value !== "object" ? value : undefined);
  const { from = -Infinity, to = Infinity } = issue.facts.year_on_coin ?? {};
  const year = plain(facts.year_on_coin);
  if (year !== undefined && typeof issue.facts.year_on_coin === "object" && (year < from || year > to)) return true;
  return ["issuer", "denomination", "material", "fineness", "strike"].some((name) => {
    const [mine, its] = [plain(facts[name]), plain(issue.facts[name])];
    return mine !== undefined && its !== undefined && mine !== its;
  });
}

/** The issues that a coin may be. @param {object} facts @param {object[]} issues of the catalogue */
export const fitting = (facts, issues) => issues.filter((issue) => !contradicts(facts, issue));
