// The lists of terms that the account keeps: read, made, saved change by change, given out as a file and taken in from one.
import { ask, get, send } from "./api.js";

/** @typedef {{name: string, extends: string | null, concepts: any[]} & Record<string, any>} List as the service answers it */

const LISTS = "/v1/vocabularies";
// So long nobody types before a change is sent.
const PAUSE_MS = 600;
const FIELDS = ["extends", "label", "source", "notice", "iri", "names", "concepts"];
const TURTLE = "text/turtle";

const pathOf = (name) => `${LISTS}/${encodeURIComponent(name)}`;

/** @param {string} name @returns {Promise<{list: List, etag: string}>} */
export async function readList(name) {
  const { data, etag } = await get(pathOf(name));
  return { list: data, etag };
}

/** @param {{name: string, label?: string, extends?: string, concepts: any[]}} list @returns {Promise<List>} */
export const makeList = (list) => send("POST", LISTS, list);

/** @param {string} name @param {string} etag of the list as it was read */
export const deleteList = (name, etag) => send("DELETE", pathOf(name), undefined, { headers: { "If-Match": etag } });

/** The list as SKOS in Turtle. @param {string} name */
export const listAsFile = async (name) => (await ask("GET", pathOf(name), { headers: { Accept: TURTLE } })).blob();

/** Keeps a list that stands in a file: SKOS in Turtle or JSON-LD, or JSON as the service answers it. @param {File} file @returns {Promise<List>} */
export async function listFromFile(file) {
  const text = await file.text();
  // In JSON-LD each member of the scheme has a name of its own; only the service's own JSON has `concepts`.
  const type = file.name.toLowerCase().endsWith(".ttl") ? TURTLE : /"concepts"\s*:/.test(text) ? "application/json" : "application/ld+json";
  return (await ask("POST", LISTS, { body: new Blob([text], { type }) })).json();
}

/**
 * Saves a list as it changes, one request after another; of changes that wait only the last is sent.
 * @param {string} name @param {string} etag of the list as it was read
 * @param {(how: "saved" | "saving" | "unsaved", error: any) => void} told what became of it
 */
export function savingList(name, etag, told) {
  let version = etag;
  /** @type {object | null} */
  let waiting = null;
  /** @type {Promise<void> | null} */
  let sending = null;
  let timer = 0;
  const all = async () => {
    while (waiting !== null) {
      const body = waiting;
      waiting = null;
      try {
        const answer = await ask("PUT", pathOf(name), { body, headers: { "If-Match": version } });
        version = String(answer.headers.get("ETag"));
      } catch (error) {
        // A newer change has all that this one had.
        waiting ??= body;
        told("unsaved", error);
        return;
      }
    }
    told("saved", null);
  };
  /** Sends what waits; comes back when nothing is on its way any more. */
  const now = async () => {
    clearTimeout(timer);
    if (sending === null && waiting !== null) {
      sending = all().finally(() => {
        sending = null;
      });
    }
    await sending;
  };
  return {
    /** @param {List} list */
    put(list) {
      waiting = Object.fromEntries(FIELDS.map((field) => [field, list[field]]));
      clearTimeout(timer);
      timer = window.setTimeout(now, PAUSE_MS);
      told("saving", null);
    },
    now,
    isSaved: () => waiting === null && sending === null,
    version: () => version,
  };
}
