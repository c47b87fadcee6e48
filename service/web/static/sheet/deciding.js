// Which facts of a coin would decide most places, by need sheets. Pure.
import { waysDecide } from "./verdict.js";
import { knowsOf, viewsOf } from "./views.js";

/**
 * How many places of all sets a look at each fact would decide, whatever it says: for each place the share of the meanings for its rule,
 * which the fact may have, that leave a clear yes or no. Facts that decide nothing are left out; so are sets that only the service can tell of.
 * @param {object} document need-sheet/1 @param {Record<string, unknown>} facts of a coin that names no issue
 * @returns {Map<string, number>} by attribute
 */
export function decidingFacts(document, facts) {
  const found = new Map();
  for (const sheet of document.sets) {
    const knows = knowsOf(document, sheet);
    const seen = sheet.ask === null ? viewsOf(sheet, facts, knows) : null;
    if (seen === null) continue;
    const times = new Map();
    for (const { rule } of sheet.places) times.set(rule, (times.get(rule) ?? 0) + 1);
    for (const [rule, n] of times) {
      for (const view of seen.views) {
        for (const [name, share] of waysDecide(sheet.rules[rule], view, knows)) found.set(name, (found.get(name) ?? 0) + (n * share) / seen.views.length);
      }
    }
  }
  return found;
}
