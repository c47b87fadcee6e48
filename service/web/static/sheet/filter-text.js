// Conditions that are picked, as text of the rule language (CQL2). Pure.
import { OWN } from "./coins.js";
import { kindOf } from "./fact-draft.js";

/** @typedef {import("./fact-draft.js").Attribute} Attribute */

const field = (name, more) => ({ name, type: "text", many: false, values: [], vocabulary: null, low: null, high: null, unit: null, ...more });

// The owner's own fields as a filter reads them.
export const OWN_ATTRIBUTES = new Map(
  [
    field("number"),
    field("status", { values: ["held", "for trade", "on approval", "ordered", "wanted", "sold", "lost", "stolen"] }),
    field("mark", { values: ["keep", "replace"] }),
    field("quantity", { type: "integer", low: 1 }),
    field("location"),
    field("tags", { many: true }),
    field("price_paid", { type: "decimal", low: 0 }),
    field("bought_from"),
    field("bought_on", { type: "date" }),
    field("note"),
  ].map((one) => [one.name, one]),
);

const SIGNS = { is: "=", is_not: "<>", less: "<", at_most: "<=", more: ">", at_least: ">=" };

/** What a condition may say of an attribute. @param {Attribute} attribute @returns {string[]} */
export function relationsOf(attribute) {
  const kind = kindOf(attribute);
  const below = kind === "term" ? ["kind_of"] : [];
  if (attribute.many) return [...below, "has", "empty"];
  if (kind === "number" || kind === "day") return ["is", "is_not", "at_least", "at_most", "more", "less", "between", "none"];
  if (kind === "yes_or_no") return ["is", "none"];
  return [...below, "is", "is_not", ...(kind === "text" ? ["begins", "contains"] : []), "none"];
}

/** Whether a relation takes no value. */
export const isBare = (relation) => relation === "none" || relation === "empty";

const quoted = (text) => `'${String(text).replaceAll("'", "''")}'`;

function literal(attribute, value) {
  if (typeof value === "number") return String(value);
  if (typeof value === "boolean") return value ? "TRUE" : "FALSE";
  return kindOf(attribute) === "day" ? `DATE(${quoted(value)})` : quoted(value);
}

// A percent sign or an underscore that is meant as such (OGC 21-065r2, like).
const pattern = (text) => text.replace(/[\\%_]/g, (sign) => `\\${sign}`);

/**
 * One condition as text; null: what is given is no value for it.
 * @param {Attribute} attribute @param {boolean} isOwn whether it is one of the owner's own fields @param {string} relation
 * @param {any} value a fact, as a fact field tells it
 */
export function conditionText(attribute, isOwn, relation, value) {
  const name = !isOwn && OWN.has(attribute.name) ? `facts.${attribute.name}` : attribute.name;
  if (relation === "none") return `${name} IS NULL`;
  if (relation === "empty") return `count(${name}) = 0`;
  if (value === null || value === undefined) return null;
  if (relation === "between") {
    const { from, to } = /** @type {{from?: unknown, to?: unknown}} */ (value);
    if (from === undefined && to === undefined) return null;
    if (to === undefined) return `${name} >= ${literal(attribute, from)}`;
    if (from === undefined) return `${name} <= ${literal(attribute, to)}`;
    return `${name} BETWEEN ${literal(attribute, from)} AND ${literal(attribute, to)}`;
  }
  if (Array.isArray(value)) {
    if (value.length === 0) return null;
    if (relation === "kind_of") return value.map((one) => `narrower(${name}, ${quoted(one)})`).join(" AND ");
    return `A_CONTAINS(${name}, (${value.map(quoted).join(", ")}))`;
  }
  if (typeof value === "object") return null;
  if (relation === "kind_of") return `narrower(${name}, ${quoted(value)})`;
  if (relation === "begins") return `${name} LIKE ${quoted(`${pattern(value)}%`)}`;
  if (relation === "contains") return `${name} LIKE ${quoted(`%${pattern(value)}%`)}`;
  return `${name} ${SIGNS[relation]} ${literal(attribute, value)}`;
}

/** A rule with one more condition. @param {string} rule @param {string} condition */
export function joined(rule, condition) {
  if (rule.trim() === "") return condition;
  const bare = rule.replace(/'(?:[^']|'')*'/g, "");
  return `${/\bOR\b/i.test(bare) ? `(${rule.trim()})` : rule.trim()} AND ${condition}`;
}
