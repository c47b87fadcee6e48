// The app's words: keys by meaning, in words/LANGUAGE.json. Texts with numbers have a form for each plural category.
let words = {};
let language = "en";
let numbers = new Intl.NumberFormat(language);
let plurals = new Intl.PluralRules(language);

/** Loads the words of a language. */
export async function loadWords(wanted = "en") {
  const answer = await fetch(`/app/words/${wanted}.json`);
  if (!answer.ok) throw new Error(`no words: ${answer.status}`);
  words = await answer.json();
  language = wanted;
  numbers = new Intl.NumberFormat(language);
  plurals = new Intl.PluralRules(language);
}

/** @param {number} value */
export const number = (value) => numbers.format(value);

/**
 * The text of a key with its values put in; the plural follows `n`.
 * @param {string} key @param {Record<string, string | number>} [values]
 */
export function say(key, values = {}) {
  const entry = words[key];
  if (entry === undefined) throw new Error(`no words for ${key}`);
  const text = typeof entry === "string" ? entry : (entry[plurals.select(Number(values.n))] ?? entry.other);
  return text.replace(/\{(\w+)\}/g, (_, name) => {
    const value = values[name];
    if (value === undefined) throw new Error(`${key} needs ${name}`);
    return typeof value === "number" ? number(value) : value;
  });
}

/** Texts as one: "a, b and c". @param {string[]} texts */
export const listed = (texts) => new Intl.ListFormat(language, { type: "conjunction" }).format(texts);
