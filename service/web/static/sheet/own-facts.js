// Facts and lists of a definition's own: attributes that it declares, vocabularies that it carries, their terms as a tree. Pure: each gives
// something new, and what it does not speak of stays as it is.
import { rootOf } from "./carried.js";
import { swapped, withMembers } from "./draft.js";

/** @typedef {{id: string, label?: string, broader?: string[]}} Concept */
/** @typedef {{concept: Concept, below: Branch[]}} Branch */

// What the value of a fact may be: a type of the document's, or a term of a list.
export const KINDS = ["term", "boolean", "decimal", "integer", "date", "text"];
const LONGEST = 50;
const MOST_LISTED = 40;
const LETTERS = { ß: "ss", ø: "o", æ: "ae", œ: "oe", ł: "l" };

/** Which of them a declared attribute is. @param {{type: string, vocabulary?: string | null}} attribute */
export const kindOfOwn = ({ type, vocabulary }) => (vocabulary ? "term" : type);

/**
 * A name for a fact or a list from what it is called: letters, digits and low lines, unlike those that there are.
 * @param {string} label @param {Set<string>} taken @param {string} [otherwise] where nothing of the label is left
 */
export function newName(label, taken, otherwise = "fact") {
  const plain = label.toLowerCase().replace(/[ßøæœł]/g, (letter) => LETTERS[letter]).normalize("NFKD").replace(/\p{M}/gu, "")
    .replace(/[^a-z0-9]+/g, "_").slice(0, LONGEST).replace(/^_+|_+$/g, "");
  const start = /^[a-z]/.test(plain) ? plain : plain === "" ? otherwise : `${otherwise}_${plain}`;
  for (let n = 1; ; n += 1) {
    const name = n === 1 ? start : `${start}_${n}`;
    if (!taken.has(name)) return name;
  }
}

/** @param {string} kind @param {string} label @param {string} name @param {string} [vocabulary] of a term */
export function newFact(kind, label, name, vocabulary) {
  return kind === "term" ? { name, type: "text", vocabulary, label } : { name, type: kind, label };
}

/**
 * A list of one's own without terms, or additions to one that is there. @param {string} label @param {string | null} base the one that it adds to
 * @param {Iterable<string>} taken names of lists
 */
export function newList(label, base, taken) {
  const names = new Set(taken);
  return base === null ? { name: newName(label, names, "list"), label, concepts: [] } : { name: newName(`${base} more`, names, "list"), extends: base, concepts: [] };
}

// --- terms

const upperOf = (concepts) => {
  const known = new Set(concepts.map(({ id }) => id));
  const upper = new Map(concepts.map(({ id, broader = [] }) => [id, broader.find((one) => one !== id && known.has(one)) ?? null]));
  // One of a circle is shown at the top: the service says what is wrong.
  for (const [id] of upper) {
    const seen = new Set();
    for (let at = upper.get(id); at && !seen.has(at); at = upper.get(at)) {
      seen.add(at);
      if (at === id) upper.set(id, null);
    }
  }
  return upper;
};

/**
 * Terms as a tree, each shown once, below the first of those above it that are in the same list. @param {Concept[]} concepts
 * @returns {Branch[]}
 */
export function branchesOf(concepts) {
  const upper = upperOf(concepts);
  const of = (parent) => concepts.filter(({ id }) => upper.get(id) === parent).map((concept) => ({ concept, below: of(concept.id) }));
  return of(null);
}

/** Ids of the terms in the order in which the tree shows them. @param {Concept[]} concepts @returns {string[]} */
export function inTreeOrder(concepts) {
  const ids = (branches) => branches.flatMap(({ concept, below }) => [concept.id, ...ids(below)]);
  return ids(branchesOf(concepts));
}

/** The term and all below it, whatever the tree shows. @param {Concept[]} concepts @param {string} id */
export function withThoseBelow(concepts, id) {
  const found = new Set([id]);
  let before = 0;
  while (before !== found.size) {
    before = found.size;
    for (const one of concepts) if ((one.broader ?? []).some((upper) => found.has(upper))) found.add(one.id);
  }
  return found;
}

const broaderOf = (concept, broader) => withMembers(concept, { broader: broader.length === 0 ? null : broader });

export const withTerm = (concepts, id, parent = null) => [...concepts, { id, ...(parent === null ? {} : { broader: [parent] }) }];

/** With members of a term changed; null takes one away. */
export const changedTerm = (concepts, id, more) => concepts.map((one) => (one.id === id ? withMembers(one, more) : one));

/** Without a term; those below it stand below what it stood below. */
export function withoutTerm(concepts, id) {
  const { broader: above = [] } = concepts.find((one) => one.id === id);
  return concepts.filter((one) => one.id !== id).map((one) => {
    const { broader = [] } = one;
    return broader.includes(id) ? broaderOf(one, [...new Set([...broader.filter((upper) => upper !== id), ...above])]) : one;
  });
}

const after = (concepts, moved, id) => {
  const others = concepts.filter((one) => one.id !== moved.id);
  const at = others.findIndex((one) => one.id === id) + 1;
  return [...others.slice(0, at), moved, ...others.slice(at)];
};

/**
 * A term a step further: "up" or "down" among those beside it, "in" below the one before it, "out" beside the one above it. The same list where
 * there is no such step. @param {Concept[]} concepts @param {string} id @param {"up" | "down" | "in" | "out"} step
 */
export function movedTerm(concepts, id, step) {
  const upper = upperOf(concepts);
  const parent = upper.get(id) ?? null;
  const level = concepts.filter((one) => upper.get(one.id) === parent).map((one) => one.id);
  const here = level.indexOf(id);
  const concept = concepts.find((one) => one.id === id);
  if (concept === undefined) return concepts;
  const others = (concept.broader ?? []).filter((one) => one !== parent);
  if (step === "out") {
    if (parent === null) return concepts;
    const above = upper.get(parent) ?? null;
    return after(concepts, broaderOf(concept, above === null ? others : [above, ...others.filter((one) => one !== above)]), parent);
  }
  const beside = level[here + (step === "down" ? 1 : -1)];
  if (beside === undefined) return concepts;
  if (step === "in") {
    const last = concepts.filter((one) => upper.get(one.id) === beside).pop();
    return after(concepts, broaderOf(concept, [beside, ...others.filter((one) => one !== beside)]), last?.id ?? beside);
  }
  const at = (one) => concepts.findIndex((other) => other.id === one);
  return swapped(concepts, at(id), at(beside) - at(id));
}

/**
 * The terms of an attribute in their own order, where they are a small list that definitions carry; else none.
 * @param {{vocabulary?: string | null, carried?: import("./carried.js").Carried[]}} attribute
 */
export function listedTerms({ vocabulary, carried = [] }) {
  const root = rootOf(vocabulary, carried);
  if (!carried.some((entry) => entry.name === root && !entry.extends)) return [];
  const ids = inTreeOrder([...new Map(carried.flatMap(({ concepts }) => concepts).map((one) => [one.id, one])).values()]);
  return ids.length > MOST_LISTED ? [] : ids;
}

// --- what goes with a removal

/**
 * What the service finds in a document that it did not find in the one before; entries of the list that one was taken out of have moved up.
 * @param {{code: string, severity: string, pointer: string, message: string}[]} before @param {any[]} now @param {string} list a pointer
 */
export function brokenBy(before, now, list) {
  const key = ({ code, pointer, message }) => `${code} ${pointer.startsWith(`${list}/`) ? list : pointer} ${message}`;
  const known = new Set(before.map(key));
  return now.filter((one) => one.severity !== "note" && !known.has(key(one)));
}
