// Creating and changing coins: the app has no other way to do it.
import { ask, get } from "./api.js";

/**
 * @typedef {{facts?: Record<string, unknown>, [own: string]: unknown}} Change facts and own fields by their names, each as a whole;
 *   null takes one away
 * @typedef {{data: object, etag: string}} Seen a coin as its owner saw it, as `get` of kept/api.js answers
 */

const TRIES = 4;
const path = (id) => `/v1/holdings/${id}`;

/** A new id (UUIDv7, RFC 9562). `crypto.randomUUID` is not there without HTTPS. */
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  const now = Date.now();
  for (let at = 0; at < 6; at += 1) bytes[at] = Math.floor(now / 256 ** (5 - at)) % 256;
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

/**
 * Records a new coin. With the same `id` a second time it is recorded once.
 * @param {Change} coin @param {string} [id] @returns {Promise<string>} its id
 */
export async function createCoin(coin, id = newId()) {
  await ask("POST", "/v1/holdings", { body: { id, ...coin }, headers: { "Idempotency-Key": id } });
  return id;
}

/**
 * A value as a part of a JSON Merge Patch (RFC 7396), which merges objects: of one that was there before nothing is to stay.
 * @param {unknown} before @param {unknown} value
 */
function patchOf(before, value) {
  const isObject = (one) => one !== null && typeof one === "object" && !Array.isArray(one);
  if (!isObject(before) || !isObject(value)) return value;
  return { ...Object.fromEntries(Object.keys(before).map((key) => [key, null])), ...value };
}

/** @param {Change} change @param {object} coin as it is now */
function mergePatch({ facts, ...own }, coin) {
  const patched = (values, before) =>
    Object.fromEntries(Object.entries(values).map(([name, value]) => [name, patchOf(before[name], value)]));
  return { ...patched(own, coin), ...(facts ? { facts: patched(facts, coin.facts) } : {}) };
}

/** Whether both are the same in all that a change names. */
function alike({ facts = {}, ...own }, one, other) {
  const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
  return Object.keys(own).every((name) => same(one[name], other[name])) && Object.keys(facts).every((name) => same(one.facts[name], other.facts[name]));
}

/**
 * Changes a coin. What another device changed of it meanwhile stays; where that is the same value, the change is refused (412).
 * @param {string} id @param {Change} change @param {Seen} [seen] left out: as it is now
 */
export async function changeCoin(id, change, seen) {
  let now = seen ?? (await get(path(id)));
  const before = now.data;
  for (let tried = 1; ; tried += 1) {
    const asked = { body: mergePatch(change, now.data), type: "application/merge-patch+json", headers: { "If-Match": now.etag } };
    try {
      await ask("PATCH", path(id), asked);
      return;
    } catch (refusal) {
      if (refusal.status !== 412 || tried === TRIES) throw refusal;
      now = await get(path(id));
      if (!alike(change, before, now.data)) throw refusal;
    }
  }
}

/** Deletes a coin, unless another device changed it since it was seen (412). @param {string} id @param {Seen} [seen] */
export async function deleteCoin(id, seen) {
  const { etag } = seen ?? (await get(path(id)));
  await ask("DELETE", path(id), { headers: { "If-Match": etag } });
}

/**
 * Adds a photo to a coin.
 * @param {string} id @param {Blob} file JPEG, PNG or WebP @param {"obverse" | "reverse" | "edge"} side
 */
export async function addPhoto(id, file, side) {
  await ask("POST", `${path(id)}/photos?side=${side}`, { body: file, headers: { "Idempotency-Key": newId() } });
}
