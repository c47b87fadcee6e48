// Definitions that are put together in this browser: kept with each change, until the service has them.
import { ask } from "./api.js";
import { drop, keep, kept, keptFrom } from "./database.js";
import { newId } from "./mutations.js";

/**
 * @typedef {{document: any, etag: string | null, unsaved: boolean, changes?: number}} Draft `etag`: of the definition as it was read; null: a new one;
 *   `changes`: how often its owner changed it
 */

const PREFIX = "draft ";
const NEW = "new";
const key = (id) => `${PREFIX}${id ?? NEW}`;

/** The draft of a definition, or of a new one (null). @param {string | null} id @returns {Promise<Draft | null>} */
export const keptDraft = async (id) => (await kept(key(id))) ?? null;
export const keepDraft = (id, draft) => keep(key(id), draft);
export const dropDraft = (id) => drop(key(id));

/**
 * Those that the service does not have as they are here. @param {(start: string) => Promise<[string, any][]>} from where they are read
 * @returns {Promise<{id: string | null, draft: Draft}[]>}
 */
export async function unsavedDrafts(from = keptFrom) {
  const found = await from(PREFIX);
  return found.filter(([, draft]) => draft.unsaved).map(([name, draft]) => ({ id: name === key(null) ? null : name.slice(PREFIX.length), draft }));
}

/** The draft on the service: created, or replaced where it is as it was read. @param {string | null} id @param {Draft} draft @returns {Promise<{id: string, etag: string | null, changes?: number}>} */
export async function storeDraft(id, { document, etag, changes }) {
  if (id === null) {
    const made = newId(new Date());
    const answer = await ask("POST", "/v1/definitions", { body: { id: made, document }, headers: { "Idempotency-Key": made } });
    return told(id, { id: made, etag: answer.headers.get("ETag"), changes });
  }
  const answer = await ask("PUT", `/v1/definitions/${id}`, { body: { document }, headers: { "If-Match": String(etag) } });
  return told(id, { id, etag: answer.headers.get("ETag"), changes });
}

const watching = new Set();

async function told(id, stored) {
  for (const then of [...watching]) then(id, stored);
  // What was changed while it was under way is not stored yet: it goes on from what is.
  const later = await keptDraft(id);
  if (later !== null && later.changes !== stored.changes) await keepDraft(stored.id, { ...later, etag: stored.etag });
  if (later === null || later.changes === stored.changes || id !== stored.id) await dropDraft(id);
  return stored;
}

/** Calls `then` with the id before (null: a new one) and what was stored, whoever stored it. */
export function watchStored(then) {
  watching.add(then);
  return () => watching.delete(then);
}
