// Vocabularies that definitions carry: small ones of their own, and additions to those that are there. Pure.

/** @typedef {{name: string, extends?: string | null, label?: string, concepts: any[]}} Carried an entry of `vocabularies` */

/** The vocabulary that a name means in the end: additions have another name and mean the one that they add to. @param {Carried[]} entries */
export function rootOf(name, entries) {
  const seen = new Set();
  let root = name;
  while (!seen.has(root)) {
    seen.add(root);
    root = entries.find((entry) => entry.name === root)?.extends ?? root;
  }
  return root;
}

/** Those of the entries that have to do with a vocabulary. @param {Carried[]} entries */
export const carriedFor = (name, entries) => entries.filter((entry) => rootOf(entry.name, entries) === rootOf(name, entries));

/** A concept with all members, as the service answers it. */
const whole = (concept) => ({
  alternative_labels: [], names: [], broader: [], note: "", ...concept, label: concept.label || concept.id,
  abbreviations: (concept.abbreviations ?? []).map((one) => ({ issuer: null, ...one })),
});

const union = (one, other) => [...new Set([...one, ...other])];

/** A concept with what another entry of its id adds to it; nothing is taken away. */
function joined(there, more) {
  const labels = more.label === more.id || more.label === there.label ? [] : [more.label];
  return {
    ...there,
    broader: union(there.broader, more.broader),
    alternative_labels: union(there.alternative_labels, [...labels, ...more.alternative_labels]),
    names: [...there.names, ...more.names],
    abbreviations: [...there.abbreviations, ...more.abbreviations],
    note: there.note || more.note,
  };
}

/** The concepts of several layers, one added to another. @param {any[][]} layers */
export function layered(layers) {
  const found = new Map();
  for (const concept of layers.flat().map(whole)) {
    const there = found.get(concept.id);
    found.set(concept.id, there === undefined ? concept : joined(there, concept));
  }
  return [...found.values()];
}

const isSaid = (value) => value !== "" && value !== null && !(Array.isArray(value) && value.length === 0);

/**
 * Attributes by name with those that definitions declare; each has in `carried` the entries of theirs for its vocabulary.
 * @param {any[]} known those of the service @param {any[]} documents @returns {Map<string, any>}
 */
export function withDeclared(known, documents) {
  const made = new Map(known.map((one) => [one.name, one]));
  for (const { attributes = [] } of documents) {
    // One of the service keeps what is not said anew.
    for (const one of attributes) made.set(one.name, { ...made.get(one.name), ...Object.fromEntries(Object.entries(one).filter(([, value]) => isSaid(value))) });
  }
  const layers = documents.map(({ vocabularies = [] }) => vocabularies).filter((entries) => entries.length > 0);
  for (const [name, one] of layers.length > 0 ? made : []) {
    const carried = one.vocabulary ? layers.flatMap((entries) => carriedFor(one.vocabulary, entries)) : [];
    if (carried.length > 0) made.set(name, { ...one, carried });
  }
  return made;
}
