// The app's words: keys by meaning, in words/LANGUAGE.json. Texts with numbers have a form for each plural category.
// Numbers, dates, lists and the order of texts are those of the language (Intl).
import { keep, kept } from "./database.js";

/** The languages that there are, in their own words. */
export const LANGUAGES = { en: "English", de: "Deutsch", fr: "Français" };
// Where a person said nothing else.
const FIRST = "en";

let words = {};
let language = FIRST;
let intl = formats(FIRST);
const watching = new Set();

function formats(locale) {
  return {
    locale,
    numbers: new Intl.NumberFormat(locale),
    // A year has no separators.
    bare: new Intl.NumberFormat(locale, { useGrouping: false, maximumFractionDigits: 20 }),
    plurals: new Intl.PluralRules(locale),
    all: new Intl.ListFormat(locale, { type: "conjunction" }),
    any: new Intl.ListFormat(locale, { type: "disjunction" }),
    order: new Intl.Collator(locale, { numeric: true }),
    days: new Intl.DateTimeFormat(locale, { dateStyle: "medium", timeZone: "UTC" }),
    instants: new Intl.DateTimeFormat(locale, { dateStyle: "medium", timeStyle: "short" }),
  };
}

/** The language of a tag (RFC 5646), with less and less of it (RFC 4647, section 3.4). @param {string} tag */
function languageOf(tag) {
  for (let range = tag.toLowerCase(); range !== ""; range = range.slice(0, Math.max(range.lastIndexOf("-"), 0))) {
    const found = Object.keys(LANGUAGES).find((one) => one.toLowerCase() === range);
    if (found !== undefined) return found;
  }
  return undefined;
}

/** From which side a language is read. @param {any} locale an Intl.Locale; browsers differ in how they tell it */
const direction = (locale) => (locale.getTextInfo?.() ?? locale.textInfo)?.direction ?? "ltr";

/** Loads the words of the language that was chosen here, else of the first of the browser's that there is. */
export async function loadWords() {
  const tags = [...navigator.languages];
  const chosen = await kept("language");
  if (typeof chosen === "string") tags.unshift(chosen);
  await useLanguage(tags.map(languageOf).find((found) => found !== undefined) ?? FIRST);
}

async function useLanguage(wanted) {
  const answer = await fetch(`/app/words/${wanted}.json`);
  if (!answer.ok) throw new Error(`no words: ${answer.status}`);
  words = await answer.json();
  language = wanted;
  // The browser may know the country as well: its dates and numbers differ.
  intl = formats(navigator.languages.find((tag) => languageOf(tag) === wanted) ?? wanted);
  document.documentElement.lang = wanted;
  document.documentElement.dir = direction(new Intl.Locale(wanted));
}

/** From now on this language, here and the next time. @param {string} wanted */
export async function chooseLanguage(wanted) {
  await useLanguage(wanted);
  await keep("language", wanted);
  for (const then of [...watching]) then();
}

/** Calls `then` after another language was chosen. @param {() => void} then */
export function onLanguage(then) {
  watching.add(then);
  return () => watching.delete(then);
}

/** The language that is spoken now. */
export const spoken = () => language;

/** @param {number} value */
export const number = (value) => intl.numbers.format(value);

/** A number of a coin, a year as well: without separators of thousands. @param {number} value */
export const bareNumber = (value) => intl.bare.format(value);

/** A day, or an instant in the time of this place. @param {string} text as the service tells it: 2026-11-29, or RFC 3339 */
export function date(text) {
  const isDay = /^\d{4}-\d\d-\d\d$/.test(text);
  const found = new Date(text);
  if (Number.isNaN(found.valueOf())) return text;
  return (isDay ? intl.days : intl.instants).format(found);
}

/**
 * The text of a key with its values put in; the plural follows `n`.
 * @param {string} key @param {Record<string, any>} [values] texts, and numbers
 */
export function say(key, values = {}) {
  const entry = words[key];
  if (entry === undefined) throw new Error(`no words for ${key}`);
  const text = typeof entry === "string" ? entry : (entry[intl.plurals.select(Number(values.n))] ?? entry.other);
  return text.replace(/\{(\w+)\}/g, (_, name) => {
    const value = values[name];
    if (value === undefined) throw new Error(`${key} needs ${name}`);
    return typeof value === "number" ? number(value) : value;
  });
}

/** Whether a count takes the word for one, where there are two. @param {number} count */
export const isOne = (count) => intl.plurals.select(count) === "one";

/** Texts as one: "a, b and c". @param {string[]} texts */
export const listed = (texts) => intl.all.format(texts);

/** Texts as one: "a, b or c". @param {string[]} texts */
export const either = (texts) => intl.any.format(texts);

/** Which of two texts comes first. @param {string} one @param {string} other */
export const inOrder = (one, other) => intl.order.compare(one, other);

/** A label inside a sentence; German keeps its capitals. @param {string} label */
export const inSentence = (label) =>
  language === "de" ? label : label.charAt(0).toLocaleLowerCase(language) + label.slice(1);
