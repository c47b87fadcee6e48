// Starts for a set: what a template asks for, and the places that it makes. Pure data and plain functions; our own.
import { leavesOf, withPage, withPart } from "./draft.js";

/**
 * @typedef {{id: string, asks: ("issuer" | "motif" | "page")[], optional?: boolean, make: (document: object, chosen: Record<string, any>,
 *   say: (key: string, values?: object) => string) => object}} Template `make` gives the document with the places added
 */

const is = (name, value) => ({ op: "=", args: [{ property: name }, value] });
const and = (...args) => (args.length === 1 ? args[0] : { op: "and", args });
const eachOf = (document, part) => withPart(document, "one_per", { label: "{key}", ...part }).document;

/** @type {Template[]} */
export const TEMPLATES = [
  {
    id: "designs",
    asks: ["issuer"],
    make: (document, { issuer }, say) => {
      const id = say("template.designs_of", { issuer: issuer.label });
      return eachOf(document, { id, attribute: "reverse_design", accepts: is("issuer", issuer.id), keys: { from: "holdings" } });
    },
  },
  {
    id: "motifs",
    asks: ["motif"],
    make: (document, { motif }) =>
      eachOf(document, {
        id: motif.label,
        attribute: "main_motifs",
        accepts: { op: "narrower", args: [{ property: "main_motifs" }, motif.id] },
        keys: { from: "vocabulary", name: "motifs", level: { children_of: motif.id } },
      }),
  },
  {
    id: "vanished",
    asks: [],
    make: (document, _, say) =>
      eachOf(document, { id: say("template.vanished_of"), attribute: "issuer", accepts: { op: "defunct", args: [{ property: "issuer" }] }, keys: { from: "holdings" } }),
  },
  {
    id: "types",
    asks: ["issuer"],
    make: (document, { issuer }, say) => {
      const where = is("issuer", issuer.id);
      const id = say("template.types_of", { issuer: issuer.label });
      return eachOf(document, { id, attribute: ["denomination", "material"], label: "{denomination}, {material}", accepts: where, keys: { from: "catalogue", where } });
    },
  },
  {
    id: "decades",
    asks: ["issuer"],
    optional: true,
    make: (document, { issuer, decades }, say) => {
      const accepts = and(...(issuer ? [is("issuer", issuer.id)] : []), { op: "between", args: [{ property: "year_on_coin" }, decades[0], decades[1] + 9] });
      const values = [];
      for (let year = decades[0]; year <= decades[1]; year += 10) values.push(year);
      return eachOf(document, { id: say("template.decades_of"), attribute: "year_on_coin", band: 10, accepts, keys: { from: "list", values } });
    },
  },
  { id: "copied", asks: ["page"], make: (document, { from, page }) => withCopy(document, from, page) },
];

/** The decades of years, as their first years; those of the last hundred where there is no coin. @param {number[]} years */
export function decadesOf(years, thisYear) {
  const decade = (year) => Math.floor(year / 10) * 10;
  if (years.length === 0) return [decade(thisYear - 90), decade(thisYear)];
  return [decade(Math.min(...years)), decade(Math.max(...years))];
}

/** With a page of another document, its places under ids of their own. @param {number | null} page its number in that layout, null for the rest */
function withCopy(document, other, page) {
  const leaf = /** @type {import("./draft.js").Leaf} */ (leavesOf(other).find((one) => one.page === page));
  let made = leaf.label === "" ? document : withPage(document, leaf.label);
  const at = leaf.label === "" ? null : made.layout.length - 1;
  for (const { kind, part } of leaf.entries) made = withPart(made, kind, part, at).document;
  // What its rules read besides, where it is not known here.
  const known = new Set((made.attributes ?? []).map(({ name }) => name));
  const more = (other.attributes ?? []).filter(({ name }) => !known.has(name));
  if (more.length > 0) made = { ...made, attributes: [...(made.attributes ?? []), ...more] };
  const lists = new Set((made.vocabularies ?? []).map(({ name }) => name));
  const others = (other.vocabularies ?? []).filter(({ name }) => !lists.has(name));
  return others.length === 0 ? made : { ...made, vocabularies: [...(made.vocabularies ?? []), ...others] };
}

// What of a coin makes its type: offered when a place is made from a coin.
export const TYPE = ["issuer", "denomination", "reverse_design", "material", "mintmark", "year_on_coin"];
const CHOSEN = new Set(["issuer", "denomination", "reverse_design", "material"]);

/**
 * The conditions that a coin's facts give, those of its type ahead and chosen.
 * @param {Record<string, unknown>} facts @param {Map<string, {many?: boolean, type?: string}>} attributes
 * @returns {{condition: import("./rule-form.js").Condition, chosen: boolean}[]}
 */
export function conditionsOf(facts, attributes) {
  const found = [];
  const names = [...TYPE, ...Object.keys(facts).filter((name) => !TYPE.includes(name))];
  for (const name of names) {
    const condition = conditionOn(name, facts[name], attributes.get(name));
    if (condition !== null) found.push({ condition, chosen: CHOSEN.has(name) });
  }
  return found;
}

/** @param {string} attribute @param {any} fact @param {{many?: boolean, type?: string} | undefined} known @returns {import("./rule-form.js").Condition | null} */
function conditionOn(attribute, fact, known) {
  /** @returns {import("./rule-form.js").Condition} */
  const made = (how, values) => ({ kind: "condition", attribute, how, values });
  if (fact === undefined || known === undefined || known.type === "date" || known.type === "timestamp") return null;
  if (Array.isArray(fact)) return fact.length === 0 ? made("empty", []) : made("has_all", fact);
  if (["string", "number", "boolean"].includes(typeof fact)) return made("is", [fact]);
  if (fact?.none) return known.many ? made("empty", []) : made("none", []);
  if (fact?.one_of?.every((one) => ["string", "number"].includes(typeof one)) && !known.many) return made("is", fact.one_of);
  if (typeof fact?.from === "number" && typeof fact?.to === "number") return made("between", [fact.from, fact.to]);
  return null;
}
