// Names, ids and values as a device has them. Nothing here knows where they are kept.

/** The owner's own fields, as sync names them; everything else that a record has by name is a fact. */
export const OWN_FIELDS = [
  "issue", "quantity", "status", "number", "note", "location", "tags", "values", "mark", "price_paid", "bought_from", "bought_on", "photos",
];
const OWN = new Set(OWN_FIELDS);
const PREFIX = "facts.";
const ABOUT = new Set(["id", "facts", "destroyed", "destroyed_by", "writers", "conflicts", "created_at", "updated_at"]);

/**
 * @typedef {{mutation_id: string, op: string, id: string, patch: Record<string, unknown>, from: Record<string, string | null>,
 *   edited_at: string, resolves?: string[], revive?: boolean, writers?: Record<string, string>, partial?: boolean}} Mutation
 */

/** The name of a fact among flat names. @param {string} fact */
export const flatName = (fact) => (OWN.has(fact) ? PREFIX + fact : fact);

/** Facts and own fields by their flat names. */
export const named = (facts, own) => ({
  ...Object.fromEntries(Object.entries(facts).map(([name, value]) => [flatName(name), value])),
  ...own,
});

/** Flat values as a holding has them: own fields by their names, facts together. */
export function unflattened(values) {
  const found = { facts: {} };
  for (const [name, value] of Object.entries(values)) {
    if (OWN.has(name)) found[name] = value;
    else found.facts[name.startsWith(PREFIX) ? name.slice(PREFIX.length) : name] = value;
  }
  return found;
}

/**
 * The values of a record by their flat names: all those that have a writer. An own field that only newer services know is among
 * them: sent in a copy without its value, it would count as removed.
 */
export function flat(record) {
  const facts = record.facts ?? {};
  const found = {};
  for (const name of Object.keys(record.writers ?? {})) {
    let value;
    if (OWN.has(name)) value = record[name];
    else if (Object.hasOwn(facts, name)) value = facts[name];
    else if (name.startsWith(PREFIX)) value = facts[name.slice(PREFIX.length)];
    else value = ABOUT.has(name) ? null : record[name];
    if (value !== null && value !== undefined) found[name] = value;
  }
  return found;
}

/** A record whose writers came grouped (by writer the names), with the writer of each name. */
export function byName(record) {
  const writers = {};
  for (const [writer, names] of Object.entries(record.writers ?? {})) {
    if (Array.isArray(names)) for (const name of names) writers[name] = writer;
  }
  return { ...record, writers };
}

/** Whether the record may be sent as a copy: one that was asked for with `fields` has a part of the values alone. */
export const isWhole = (record) => record !== undefined && record.partial !== true;

/** A UUID of version 7 (RFC 9562, section 5.7): 48 bits of Unix milliseconds, then random bits. @param {Date} now */
export function newId(now) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  let left = now.getTime();
  for (let at = 5; at >= 0; at -= 1) {
    bytes[at] = left % 256;
    left = Math.floor(left / 256);
  }
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const text = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [text.slice(0, 8), text.slice(8, 12), text.slice(12, 16), text.slice(16, 20), text.slice(20)].join("-");
}

/** Whether a state of one history comes after another. All else about a state is the service's own affair. */
export const isNewer = (state, than) =>
  than === null || BigInt(state.split(".", 1)[0]) > BigInt(than.split(".", 1)[0]);

/** SHA-256 as the service names files, in hexadecimal. Only in a secure context. @param {ArrayBuffer} content */
export async function sha256Of(content) {
  const digest = await crypto.subtle.digest("SHA-256", content);
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
