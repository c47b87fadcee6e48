// What the service reads a draft's rules as: text to tree, tree to text. Pure.
import { same } from "./rule-form.js";
import { valueAt, withValueAt } from "./draft.js";

/**
 * @typedef {{json: import("./rule-form.js").Tree | null, text: string | null, faults: {message: string, hint?: string, line?: number,
 *   column?: number}[]}} Reading
 * @typedef {Map<string, Reading>} Readings by what was sent: a text as it is, a tree as JSON
 */

export const keyOf = (rule) => (typeof rule === "string" ? rule : JSON.stringify(rule));

/** What is known of a document's rules after a preview of it. @param {Readings} before @returns {Readings} */
export function readingsOf(document, rules, before = new Map()) {
  const found = new Map(before);
  for (const { pointer, json, text, faults } of rules) {
    const sent = valueAt(document, pointer);
    found.set(keyOf(sent), { json, text, faults });
    // The text that the service writes reads as the same tree.
    if (text !== null && typeof sent !== "string" && faults.length === 0) found.set(text, { json, text, faults });
  }
  return found;
}

/**
 * The document now, with the service's text for every tree that was sent and is there still. What was typed stays as it was typed.
 */
export function withTexts(now, sent, rules) {
  let document = now;
  for (const { pointer, text, faults } of rules) {
    const before = valueAt(sent, pointer);
    if (typeof before !== "object" || text === null || faults.length > 0) continue;
    if (same(valueAt(document, pointer), before)) document = withValueAt(document, pointer, text);
  }
  return document;
}
