// Which facts of a coin are asked for first.
import { keptSheets } from "../kept/need-sheets.js";
import { decidingFacts } from "../sheet/deciding.js";
import { attributesRead, firstFacts } from "../sheet/rule-attributes.js";

/**
 * The facts of a coin to ask for first. @param {{documents: object[], known: Set<string>, settle?: string[], coin?: {facts: object, issue?: unknown}}} of
 * `settle`: what would settle a doubt about it; `coin`: what is recorded of it
 */
export async function loadFirstFacts({ documents, known, settle = [], coin = { facts: {} } }) {
  const sheets = await keptSheets();
  // What an issue says of a coin no sheet knows.
  const deciding = sheets === null || (coin.issue ?? null) !== null ? undefined : decidingFacts(sheets.document, coin.facts);
  return firstFacts({ counts: attributesRead(documents, known), settle, deciding, known });
}
