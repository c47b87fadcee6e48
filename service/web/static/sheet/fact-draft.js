// One fact as it is being typed, and the fact that it says. Pure.
import { named } from "./terms.js";

/**
 * @typedef {{name: string, type: string, many: boolean, values: string[], vocabulary: string | null, low: number | null,
 *   high: number | null, unit: string | null, carried?: import("./carried.js").Carried[]}} Attribute `carried`: what definitions have of its vocabulary
 * @typedef {{text: string, id: string | null}} Word what was typed, or the term that was picked
 * @typedef {object} Draft
 * @property {"value" | "one_of" | "between" | "none" | "unknown"} way
 * @property {Word[]} words of texts and terms @property {Word[]} perhaps of a list: those that are not sure
 * @property {string} text of numbers and days @property {string} to
 * @property {unknown} kept a fact that no form shows; it stays until something is typed
 * @typedef {object} Reading
 * @property {unknown} fact null: nothing is recorded; undefined: it cannot be read, and `wrong` says why
 * @property {"" | "number" | "whole" | "bounds" | "day" | "two" | "order"} wrong
 * @property {{text: string, terms: import("./terms.js").Term[], sure: boolean}[]} read what the typed words were taken for
 */

/** @type {Draft} */
export const NOTHING = { way: "unknown", words: [], perhaps: [], text: "", to: "", kept: undefined };

/** How an attribute is asked for. @param {Attribute} attribute */
export function kindOf({ type, values, vocabulary }) {
  if (type === "integer" || type === "decimal") return "number";
  if (type === "boolean") return "yes_or_no";
  if (type === "date" || type === "timestamp") return "day";
  if (values?.length > 0) return "choice";
  return vocabulary ? "term" : "text";
}

/** The ways in which something may be known of an attribute. @param {Attribute} attribute */
export function waysOf(attribute) {
  const kind = kindOf(attribute);
  const ordered = kind === "number" || kind === "day";
  return ["value", ...(kind === "yes_or_no" ? [] : ["one_of"]), ...(ordered ? ["between"] : []), "none", "unknown"];
}

const isObject = (fact) => fact !== null && typeof fact === "object" && !Array.isArray(fact);

/**
 * A recorded fact as a draft. @param {Attribute} attribute @param {any} fact @param {import("./terms.js").Terms | null} [terms]
 * @returns {Draft}
 */
export function draftOf(attribute, fact, terms) {
  const word = (value) => ({ text: terms?.terms.get(String(value))?.label ?? String(value), id: String(value) });
  const made = (way, more) => ({ ...NOTHING, way, ...more });
  const typed = ["number", "day"].includes(kindOf(attribute));
  if (fact === null || fact === undefined) return NOTHING;
  if (Array.isArray(fact)) return fact.length === 0 ? made("none") : made("value", { words: fact.map(word) });
  if (!isObject(fact)) return made("value", typed ? { text: String(fact) } : { words: [word(fact)] });
  if (fact.none) return made("none");
  if (fact.has || fact.perhaps) return made("one_of", { words: (fact.has ?? []).map(word), perhaps: (fact.perhaps ?? []).map(word) });
  if (fact.one_of?.some((one) => one !== null && typeof one === "object")) return made("one_of", { kept: fact });
  if (fact.one_of) return made("one_of", typed ? { text: fact.one_of.join(" | ") } : { words: fact.one_of.map(word) });
  return made("between", { text: String(fact.from ?? ""), to: String(fact.to ?? "") });
}

/** @param {Reading["wrong"]} why @returns {Reading} */
const wrong = (why) => ({ fact: undefined, wrong: why, read: [] });
/** @param {unknown} fact @param {Reading["read"]} [read] @returns {Reading} */
const right = (fact, read = []) => ({ fact, wrong: "", read });

/** One number or day; undefined where it is none. @param {Attribute} attribute @param {string} text */
function one(attribute, text) {
  const typed = text.trim();
  if (kindOf(attribute) === "day") {
    const isDay = attribute.type === "timestamp" || (/^\d{4}-\d\d-\d\d$/.test(typed) && !Number.isNaN(Date.parse(typed)));
    return typed !== "" && isDay ? typed : undefined;
  }
  const digits = typed.replace(/^[+]/, "").replace("\u2212", "-");
  if (attribute.type === "integer") return /^-?\d{1,15}$/.test(digits) ? Number(digits) : undefined;
  return /^-?\d{1,15}([.,]\d+)?$/.test(digits) ? Number(digits.replace(",", ".")) : undefined;
}

/** @param {Attribute} attribute */
function misread({ type }) {
  if (type === "integer") return wrong("whole");
  return wrong(type === "decimal" ? "number" : "day");
}

/** Values of a number or a day as a fact, within the attribute's bounds. */
function within(attribute, fact, values) {
  const { low = null, high = null } = attribute;
  if (values.some((value) => typeof value === "number" && ((low !== null && value < low) || (high !== null && value > high)))) return wrong("bounds");
  return right(fact);
}

function between(attribute, low, high) {
  const [from, to] = [low, high].map((text) => (text.trim() === "" ? null : one(attribute, text)));
  if (from === null && to === null) return right(null);
  if (from === undefined || to === undefined) return misread(attribute);
  if (from !== null && to !== null && from > to) return wrong("order");
  const fact = { ...(from === null ? {} : { from }), ...(to === null ? {} : { to }) };
  return within(attribute, fact, Object.values(fact));
}

function alternatives(attribute, text) {
  const parts = text.split(attribute.type === "decimal" ? /[;|]/ : /[;|,]/).map((part) => part.trim()).filter((part) => part !== "");
  const values = parts.map((part) => one(attribute, part));
  if (values.includes(undefined)) return misread(attribute);
  return values.length < 2 ? wrong("two") : within(attribute, { one_of: values }, values);
}

const SPAN = /^\s*(.*?\d)\s*(?:\.\.|-|\u2013)\s*(-?\d.*?)\s*$/;

/** A number or a day, or what the language of sheets has for more: 1892|1893, 1890-1895, 1890.., a hyphen for none. */
function plain(attribute, text) {
  if (text.trim() === "") return right(null);
  if (text.trim() === "-") return right({ none: true });
  const value = one(attribute, text);
  if (value !== undefined) return within(attribute, value, [value]);
  if (kindOf(attribute) === "day") return misread(attribute);
  if (text.includes("|")) return alternatives(attribute, text);
  if (/\.\.\s*$/.test(text)) return between(attribute, text.replace(/\.\.\s*$/, ""), "");
  if (/^\s*\.\./.test(text)) return between(attribute, "", text.replace(/^\s*\.\./, ""));
  const span = SPAN.exec(text);
  return span ? between(attribute, span[1], span[2]) : misread(attribute);
}

/** What words were taken for: the term that was picked, the one that they name, or the words themselves. */
function termsIn(attribute, words, terms, issuer) {
  const read = [];
  const values = words.map(({ text, id }) => {
    if (id !== null || kindOf(attribute) !== "term") return id ?? text.trim();
    const told = terms ? named(terms, text, issuer) : { sure: false, terms: [] };
    read.push({ text, ...told });
    return told.sure ? told.terms[0].id : text.trim();
  });
  return { values: [...new Set(values)], read };
}

const written = (words) => words.filter(({ text }) => text.trim() !== "");

/**
 * What a draft says. Words that name no term stay as they were typed, and `read` tells which.
 * @param {Attribute} attribute @param {Draft} draft @param {{terms?: import("./terms.js").Terms | null, issuer?: string}} [by] `issuer`:
 *   that of the coin, whose short names for terms count
 * @returns {Reading}
 */
export function readDraft(attribute, draft, { terms, issuer } = {}) {
  const { way, text, to } = draft;
  const kind = kindOf(attribute);
  if (draft.kept !== undefined) return right(draft.kept);
  if (way === "unknown") return right(null);
  if (way === "none") return right(attribute.many ? [] : { none: true });
  if (way === "between") return between(attribute, text, to);
  if (kind === "number" || kind === "day") return way === "value" ? plain(attribute, text) : text.trim() === "" ? right(null) : alternatives(attribute, text);
  const { values, read } = termsIn(attribute, written(draft.words), terms, issuer);
  if (way === "one_of" && attribute.many) {
    const { values: more, read: reads } = termsIn(attribute, written(draft.perhaps), terms, issuer);
    const perhaps = more.filter((value) => !values.includes(value));
    if (perhaps.length === 0) return values.length === 0 ? right(null) : right(values, read);
    return right({ ...(values.length > 0 ? { has: values } : {}), perhaps }, [...read, ...reads]);
  }
  if (values.length === 0) return right(null);
  if (kind === "yes_or_no") return right(values[0] === "true");
  if (way === "one_of") return values.length < 2 ? wrong("two") : right({ one_of: values }, read);
  return right(attribute.many ? values : values[0], read);
}
