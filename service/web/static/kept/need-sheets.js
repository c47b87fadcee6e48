// What every set needs, kept for when there is no network: one document of the service, fetched anew when something changed.
import { ask } from "./api.js";
import { keep, kept } from "./database.js";
import { watchHoldings } from "./live.js";
import { areSheetsBehind, sheetsKnowAllBut, waitingNow } from "./said.js";
import { device } from "./sending.js";
import { conceptsOf } from "./vocabularies.js";
import { onLanguage, spoken } from "./words.js";

const PATH = "/v1/need-sheets";
const KEY = "need-sheets";
// Several changes often come together.
const SOON_MS = 1000;
const watching = new Set();
let renewing = null;
let again = false;

/** @typedef {{document: object, etag: string | null, language: string, fetched: string}} Kept `fetched`: when, as ISO 8601 text */

/** What this browser has; null: none was fetched yet. @returns {Promise<Kept | null>} */
export async function keptSheets() {
  return (await kept(KEY)) ?? null;
}

/** Calls `then` when newer sheets are kept. @param {(sheets: Kept) => void} then */
export function onSheets(then) {
  watching.add(then);
  return () => watching.delete(then);
}

async function renew() {
  const before = await keptSheets();
  const language = spoken();
  /** @type {Record<string, string>} */
  const headers = before?.etag && before.language === language ? { "If-None-Match": before.etag } : {};
  const left = await waitingNow();
  const answer = await ask("GET", PATH, { headers });
  const fetched = new Date().toISOString();
  /** @type {Kept} */
  const made = answer.status === 304
    ? { .../** @type {Kept} */ (before), fetched }
    : { document: await answer.json(), etag: answer.headers.get("ETag"), language, fetched };
  await keep(KEY, made);
  await sheetsKnowAllBut(left);
  for (const then of [...watching]) then(made);
  if (answer.status !== 304) keepTerms(made.document);
  return made;
}

/** The names of terms, by which people type them. */
async function keepTerms({ vocabularies }) {
  const names = new Set(Object.values(vocabularies).map(({ name }) => name));
  for (const name of names) await conceptsOf(name).catch(() => null);
}

/**
 * Fetches the sheets, if they changed. Whoever asks meanwhile waits for a request that begins afterwards.
 * @returns {Promise<Kept>} rejects with a Problem
 */
export async function renewSheets() {
  if (renewing !== null) {
    again = true;
    return renewing;
  }
  const work = async () => {
    try {
      for (;;) {
        again = false;
        const made = await renew();
        if (!again) return made;
      }
    } finally {
      renewing = null;
    }
  };
  renewing = work();
  return renewing;
}

/** Fetches the sheets now, and after each change of the holdings, here or on another device. Returns what ends it. */
export function keepSheets() {
  let timer;
  let isDue = false;
  const soon = (isSure) => {
    isDue ||= isSure;
    clearTimeout(timer);
    timer = setTimeout(async () => {
      if (!isDue && !(await areSheetsBehind())) return;
      isDue = false;
      await renewSheets().catch(() => {});
    }, SOON_MS);
  };
  const ends = [watchHoldings(() => soon(true)), device.watch(() => soon(false)), onLanguage(() => soon(true))];
  return () => {
    clearTimeout(timer);
    for (const end of ends) end();
  };
}
