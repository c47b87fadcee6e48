// Which attributes a set reads, and which facts to look at first. Pure.

const RULES = new Set(["accepts", "where", "scope"]);
const NAMES = new Set(["attribute", "highest", "lowest", "order", "per", "by", "distinct", "property"]);
const PARTS = ["slots", "one_per", "free_choice"];
const MOST_FIRST = 8;
// Where no set says what matters.
const USUAL = ["issuer", "denomination", "year_on_coin", "mintmark", "material", "grade", "problems", "variety"];

/** The attributes in a rule's text; what stands in quotes is no name. */
function namesIn(text, known) {
  const words = text.replace(/'(?:[^']|'')*'/g, " ").match(/[A-Za-z_][\w.]*/g) ?? [];
  return words.map((word) => word.replace(/^facts\./, "")).filter((word) => known.has(word));
}

/** Everything that is read in a part of a definition, its rules as text or as JSON. */
function readIn(value, known, found, key = "") {
  if (typeof value === "string") {
    if (RULES.has(key)) for (const name of namesIn(value, known)) found.add(name);
    else if (NAMES.has(key) && known.has(value)) found.add(value);
  } else if (Array.isArray(value)) for (const one of value) readIn(one, known, found, key);
  else if (value !== null && typeof value === "object") for (const [name, inner] of Object.entries(value)) readIn(inner, known, found, name);
  return found;
}

/**
 * How many places of these sets read each attribute.
 * @param {object[]} documents definitions @param {Set<string>} known names of attributes
 * @returns {Map<string, number>}
 */
export function attributesRead(documents, known) {
  const counts = new Map();
  const counted = (names, n) => {
    for (const name of names) counts.set(name, (counts.get(name) ?? 0) + n);
  };
  for (const document of documents) {
    const parts = PARTS.flatMap((kind) => document[kind] ?? []);
    for (const part of parts) counted(readIn(part, known, new Set()), part.places ?? 1);
    const rest = Object.fromEntries(Object.entries(document).filter(([key]) => !PARTS.includes(key) && key !== "examples" && key !== "presume"));
    counted(readIn(rest, known, new Set()), 1);
  }
  return counts;
}

/**
 * The facts to ask for first: what would settle a doubt about this coin, then what would decide most places, then what most places read,
 * then the usual ones. @param {{counts: Map<string, number>, settle: string[], deciding?: Map<string, number>, known: Set<string>}} of
 * @returns {string[]}
 */
export function firstFacts({ counts, settle, deciding = new Map(), known }) {
  const most = (numbers) => [...numbers].sort((one, other) => other[1] - one[1]).map(([name]) => name);
  return [...new Set([...settle, ...most(deciding), ...most(counts), ...USUAL])].filter((name) => known.has(name)).slice(0, MOST_FIRST);
}
