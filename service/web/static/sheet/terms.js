// Terms of a vocabulary, found by what people write. Pure.

/**
 * @typedef {{id: string, label: string, alternative_labels: string[], abbreviations: {text: string, issuer: string | null}[],
 *   names: {text: string}[], note: string, broader: string[]}} Concept
 * @typedef {{id: string, label: string, note: string}} Term
 * @typedef {{terms: Map<string, Term>, names: Map<string, Set<string>>, short: Map<string, Map<string, Set<string>>>,
 *   words: {id: string, own: string, others: string[]}[]}} Terms `names`: folded name, to ids; `short`: by issuer, "" for all;
 *   `words`: what is searched
 */

const LETTERS = { ß: "ss", ø: "o", æ: "ae", œ: "oe", ł: "l", "&": " and " };
// Names of countries are known in these languages (Unicode CLDR, as the browser has it).
const LANGUAGES = ["en", "de", "fr", "es", "it", "nl"];
const ISSUERS = "issuers";

/** Small letters without accents; hyphens, blanks, dots and apostrophes are alike, as the service compares what people write. */
export function folded(text) {
  const plain = text.toLowerCase().replace(/[ßøæœł&]/g, (letter) => LETTERS[letter]);
  const words = plain.normalize("NFKD").replace(/\p{M}/gu, "").replace(/[-_\u2010-\u2013'\u2019.\s]+/g, " ").trim();
  return words.startsWith("the ") ? words.slice(4) : words;
}

/** What a word may be the plural of, in English. */
function singular(word) {
  if (/.{2}ies$/.test(word)) return word.replace(/ies$/, "y");
  if (/(?:ss|x|ch|sh)es$/.test(word)) return word.slice(0, -2);
  return /.{2}[^s]s$/.test(word) ? word.slice(0, -1) : null;
}

function countryNames(id) {
  if (!/^[A-Z]{2}$/.test(id)) return [];
  return LANGUAGES.map((language) => new Intl.DisplayNames([language], { type: "region", fallback: "none" }).of(id)).filter(Boolean);
}

function added(map, key, id) {
  if (!map.has(key)) map.set(key, new Set());
  map.get(key).add(id);
}

/** The terms of a vocabulary, made ready for searching. @param {string} name @param {Concept[]} concepts @returns {Terms} */
export function termsOf(name, concepts) {
  /** @type {Terms} */
  const made = { terms: new Map(), names: new Map(), short: new Map(), words: [] };
  for (const { id, label, alternative_labels: others, abbreviations, names, note } of concepts) {
    made.terms.set(id, { id, label, note });
    const called = [...others, ...names.map(({ text }) => text), ...(name === ISSUERS ? countryNames(id) : [])].map(folded);
    for (const one of [folded(label), folded(id), ...called]) added(made.names, one, id);
    for (const { text, issuer } of abbreviations) {
      const key = issuer ?? "";
      if (!made.short.has(key)) made.short.set(key, new Map());
      added(made.short.get(key), folded(text), id);
    }
    const short = abbreviations.filter(({ issuer }) => issuer === null).map(({ text }) => folded(text));
    made.words.push({ id, own: folded(label), others: [folded(id), ...called, ...short] });
  }
  return made;
}

/**
 * The terms that a text names, as the service reads it: none where it is not known, several where it may be any of them; not
 * surely one where it is a short name of some other issuer's.
 * @param {Terms} terms @param {string} text @param {string} [issuer] of the coin, whose short names count then
 * @returns {{sure: boolean, terms: Term[]}}
 */
export function named({ terms, names, short }, text, issuer = "") {
  const exact = terms.get(text.trim());
  if (exact) return { sure: true, terms: [exact] };
  const word = folded(text);
  const ids = (issuer && short.get(issuer)?.get(word)) || names.get(word) || short.get("")?.get(word) || names.get(singular(word));
  const others = ids || issuer ? [] : [...short.values()].flatMap((of) => [...(of.get(word) ?? [])]);
  const told = [...new Set(ids ?? others)].flatMap((id) => terms.get(id) ?? []);
  return { sure: ids?.size === 1, terms: told };
}

/** How well a word fits what was typed: the less, the better; null: not at all. */
function distance({ own, others }, typed) {
  if (own === typed) return 0;
  if (own.startsWith(typed)) return 1;
  if (others.some((other) => other.startsWith(typed))) return 2;
  if (own.includes(` ${typed}`)) return 3;
  if (others.some((other) => other.includes(` ${typed}`))) return 4;
  return typed.length > 2 && own.includes(typed) ? 5 : null;
}

/**
 * Terms to pick from, the likeliest first: by what they are called and by their other names.
 * @param {Terms} terms @param {string} text @param {{most?: number, counts?: Map<string, number>}} [how] `counts`: how often each
 *   is used; the more, the earlier
 * @returns {Term[]}
 */
export function found(terms, text, { most = 8, counts = new Map() } = {}) {
  const typed = folded(text);
  const used = (id) => counts.get(id) ?? 0;
  const fitting = terms.words.map((words) => ({ words, far: typed === "" ? 0 : distance(words, typed) })).filter(({ far }) => far !== null);
  fitting.sort((one, other) => Number(one.far) - Number(other.far) || used(other.words.id) - used(one.words.id) || one.words.own.length - other.words.own.length
    || (one.words.own < other.words.own ? -1 : 1));
  return fitting.slice(0, most).flatMap(({ words }) => terms.terms.get(words.id) ?? []);
}
