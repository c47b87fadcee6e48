// What a coin may be for one need sheet: its facts as the service reads them, what identifies it, what is presumed of it. Pure.
import { verdictOf } from "./verdict.js";

/**
 * @typedef {Record<string, unknown>} Facts
 * @typedef {{views: Facts[], bare: Facts[]}} Seen `bare`: without what is presumed
 */

const MOST_ISSUES = 100;
// What is measured of a coin, or computed, contradicts no issue.
const NEVER_CONTRADICTS = new Set([
  "weight_measured", "weight_legal", "weight_tolerance", "weight_least", "fine_weight", "diameter", "thickness",
]);

/** Only the service can tell. */
class Ask extends Error {}

export const isObject = (fact) => fact !== null && typeof fact === "object" && !Array.isArray(fact);
export const isKnown = (fact) => fact !== undefined && fact !== null;
const isPlain = (fact) => isKnown(fact) && !isObject(fact);
/** Whether a fact leaves several values. */
const isDoubt = (fact) => isObject(fact) && !fact.none;
/** Whether a fact is one value, a list or none. */
export const isSettled = (fact) => isKnown(fact) && !isDoubt(fact);

/** Which terms there are: those of a document's vocabularies. @returns {import("./verdict.js").Knows} */
export function knowsOf(document, sheet) {
  const vocabularies = new Map(sheet.attributes.map(({ name, vocabulary }) => [name, document.vocabularies[vocabulary ?? ""]?.terms]));
  return (attribute, term) => {
    const terms = vocabularies.get(attribute);
    return terms === undefined ? undefined : Object.hasOwn(terms, term);
  };
}

function textOf(attribute, text, issuer, knows) {
  const means = attribute.by_issuer[Object.hasOwn(attribute.by_issuer, issuer) ? issuer : ""] ?? {};
  if (Object.hasOwn(means, text)) return means[text];
  if (attribute.is_open || attribute.values.includes(text) || attribute.terms.includes(text) || knows(attribute.name, text)) return text;
  throw new Ask();
}

/** The facts that the set knows, with its own terms. */
function readFacts(sheet, facts, knows) {
  const issuer = typeof facts.issuer === "string" ? facts.issuer : "";
  const read = {};
  for (const attribute of sheet.attributes) {
    const fact = facts[attribute.name];
    if (!isKnown(fact)) continue;
    const one = (value) => (typeof value === "string" && attribute.type === "text" ? textOf(attribute, value, issuer, knows) : value);
    const whole = (value) => (Array.isArray(value) ? value.map(one) : attribute.many && typeof value === "string" ? [one(value)] : one(value));
    if (!isObject(fact)) read[attribute.name] = whole(fact);
    else if (fact.one_of) read[attribute.name] = { one_of: fact.one_of.map(whole) };
    else if (fact.has || fact.perhaps) read[attribute.name] = { has: (fact.has ?? []).map(one), perhaps: (fact.perhaps ?? []).map(one) };
    else read[attribute.name] = fact;
  }
  return read;
}

function surely(sheet, rule, facts, knows) {
  const verdict = verdictOf(sheet.rules[rule], facts, knows);
  if (verdict === "ask") throw new Ask();
  return verdict;
}

/** A number as whole units of its last decimal, and how many decimals. */
function decimals(value) {
  const [, sign, whole, part = ""] = /^(-?)(\d+)(?:\.(\d+))?$/.exec(String(value)) ?? [];
  if (whole === undefined) throw new Ask();
  return { units: BigInt(sign + whole + part), places: part.length };
}

/** Whether an issue's number, rounded to the decimals of the coin's, gives it; at a tie both neighbours do. */
export function roundsTo(issue, coin) {
  const [theirs, mine] = [decimals(issue), decimals(coin)];
  const places = Math.max(theirs.places, mine.places);
  const scaled = ({ units, places: own }) => units * 10n ** BigInt(places - own);
  const apart = scaled(theirs) - scaled(mine);
  return 2n * (apart < 0n ? -apart : apart) <= 10n ** BigInt(places - mine.places);
}

function agrees(sheet, attribute, mine, theirs) {
  const values = isDoubt(theirs) ? (theirs.one_of ?? []) : [theirs];
  const isNone = (value) => isObject(value) && value.none === true;
  if (isNone(mine)) return values.some(isNone);
  if (isDoubt(theirs) && !theirs.one_of) return (theirs.from === undefined || theirs.from <= mine) && (theirs.to === undefined || mine <= theirs.to);
  const folds = sheet.agreement[attribute];
  const also = folds && Object.hasOwn(folds, mine) ? folds[mine] : [];
  return values.some((value) => value === mine || also.includes(value) || (typeof mine === "number" && typeof value === "number" && roundsTo(value, mine)));
}

/** The issues that the coin may be, those of the first entry that surely speaks of it; null: it is not identified. */
function issuesOf(sheet, facts, knows) {
  const entry = sheet.identify.find(({ rule }) => surely(sheet, rule, facts, knows) === "yes");
  if (entry === undefined) return null;
  const many = new Set(sheet.attributes.filter((one) => one.many).map((one) => one.name));
  const contradicts = (name) => !many.has(name) && !NEVER_CONTRADICTS.has(name);
  const all = entry.issues.map((at) => ({ at, ...sheet.issues[at] }));
  const names = new Set(all.flatMap((issue) => Object.keys(issue.facts)).filter(contradicts));
  if (!isPlain(facts.year_on_coin) || [...names].some((name) => isDoubt(facts[name]))) throw new Ask();
  let left = all.filter((issue) => [...names].every((name) => !isKnown(facts[name]) || !(name in issue.facts) || agrees(sheet, name, facts[name], issue.facts[name])));
  left = left.filter((issue) => issue.part_of !== null || !left.some((other) => other.part_of === issue.at));
  const there = new Set(left.map((issue) => issue.at));
  left = left.filter((issue) => !issue.within.some((at) => there.has(at)));
  return left.length === 0 || left.length > MOST_ISSUES ? null : left;
}

/** The facts with what is presumed besides. */
function presumed(sheet, facts, knows) {
  const view = { ...facts };
  for (const entry of sheet.presume) {
    const news = Object.entries(entry.facts).filter(([name]) => !isKnown(view[name]));
    if (news.length === 0) continue;
    const verdict = entry.rule === null ? "yes" : surely(sheet, entry.rule, view, knows);
    if (verdict === "undecided" && sheet.rules[entry.rule].reads.some((name) => isDoubt(view[name]))) throw new Ask();
    if (verdict === "yes") Object.assign(view, Object.fromEntries(news));
  }
  return view;
}

/** All that a coin may be for a set; null: only the service can tell. @param {Facts} facts @returns {Seen | null} */
export function viewsOf(sheet, facts, knows) {
  try {
    const own = readFacts(sheet, facts, knows);
    const issues = issuesOf(sheet, own, knows);
    const bare = issues === null ? [own] : issues.map((issue) => ({ ...issue.facts, ...own }));
    return { bare, views: bare.map((view) => presumed(sheet, view, knows)) };
  } catch (error) {
    if (error instanceof Ask) return null;
    throw error;
  }
}
