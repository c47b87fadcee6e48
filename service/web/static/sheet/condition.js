// One condition on one attribute: which ways there are to ask for it, and what is chosen from. Pure.
import { kindOf } from "./fact-draft.js";

/** @typedef {import("./fact-draft.js").Attribute} Attribute */

// What each way takes: several values, one, two, or none.
export const TAKES = {
  is: "several", narrower: "several", has_any: "several", has_all: "several", is_not: "one", at_least: "one", at_most: "one", above: "one",
  below: "one", between: "two", none: "nothing", empty: "nothing", ended: "nothing",
};

/**
 * The ways in which an attribute can be asked for, the usual one first. @param {Attribute} attribute
 * @param {boolean} isTree whether some of its terms stand below others
 */
export function howsOf(attribute, isTree) {
  const kind = kindOf(attribute);
  if (kind === "number" || kind === "day") return ["between", "at_least", "at_most", "is", "above", "below", "is_not", "none"];
  if (kind === "yes_or_no") return ["is", "none"];
  if (attribute.many) return [...(isTree ? ["narrower"] : []), "has_any", "has_all", "empty"];
  const ended = attribute.vocabulary === "issuers" ? ["ended"] : [];
  return ["is", ...(isTree ? ["narrower"] : []), "is_not", ...ended, "none"];
}

/** The condition that is meant; null: something is missing. @param {Attribute & {name: string}} attribute */
export function conditionFrom(attribute, how, values) {
  const made = (way, given) => ({ kind: "condition", attribute: attribute.name, how: way, values: given });
  const takes = TAKES[how];
  if (takes === "nothing") return made(how, []);
  if (takes === "several") return values.length === 0 ? null : made(how, values);
  if (takes === "one") return values[0] === undefined || values[0] === null ? null : made(how, [values[0]]);
  const [low = null, high = null] = values;
  if (low === null && high === null) return null;
  // One end alone is no span, and the same twice is a value.
  if (low === null) return made("at_most", [high]);
  if (high === null) return made("at_least", [low]);
  return low === high ? made("is", [low]) : made("between", [low, high]);
}

/** A typed number or day as the value in a rule; null: nothing is there, undefined: it cannot be read. @param {Attribute} attribute */
export function valueFrom(attribute, text) {
  const typed = text.trim();
  if (typed === "") return null;
  if (kindOf(attribute) === "day") return /^\d{4}-\d\d-\d\d$/.test(typed) ? { date: typed } : undefined;
  const digits = typed.replace("\u2212", "-").replace(",", ".");
  if (attribute.type === "integer") return /^-?\d{1,15}$/.test(digits) ? Number(digits) : undefined;
  return /^-?\d{1,12}(\.\d{1,9})?$/.test(digits) ? Number(digits) : undefined;
}

export const textFrom = (value) => (value === null || value === undefined ? "" : String(value?.date ?? value));

/**
 * Numbers of coins in spans of like width, from the first to the last: for a bar of years. @param {{value: any, coins: number}[]} values
 * @param {number} most how many spans at most @returns {{from: number, to: number, coins: number}[]}
 */
export function spansOf(values, most = 24) {
  const found = values.filter(({ value, coins }) => typeof value === "number" && coins > 0);
  if (found.length === 0) return [];
  const numbers = found.map(({ value }) => Number(value));
  const [low, high] = [Math.min(...numbers), Math.max(...numbers)];
  const width = [1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 5000].find((one) => Math.floor(high / one) - Math.floor(low / one) < most) ?? 10000;
  const first = Math.floor(low / width);
  const spans = Array.from({ length: Math.floor(high / width) - first + 1 }, (_, at) => ({ from: (first + at) * width, to: (first + at + 1) * width - 1, coins: 0 }));
  for (const { value, coins } of found) spans[Math.floor(Number(value) / width) - first].coins += coins;
  return spans;
}
