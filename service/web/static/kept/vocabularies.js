// The concepts of vocabularies, kept for when there is no network.
import { all, get } from "./api.js";
import { keep, kept } from "./database.js";

const keyOf = (name) => `terms of ${name}`;
const known = new Map();

/**
 * The concepts of a vocabulary and of what the owner added to it, layer by layer, and what tells whether they changed; null: there is none.
 * @param {string} name @returns {Promise<{version: string, layers: object[][]} | null>} without a network as they were the last time
 */
export async function conceptsOf(name) {
  const path = (one) => `/v1/vocabularies/${encodeURIComponent(one)}`;
  const key = keyOf(name);
  try {
    const own = await all("/v1/vocabularies?private=true");
    const layers = [name];
    // Additions may have additions.
    for (const layer of layers) layers.push(...own.filter((one) => one.extends === layer).map((one) => one.name));
    const found = await Promise.all(layers.map((layer) => get(path(layer))));
    const version = found.map(({ etag }) => etag).join();
    if (known.get(key)?.version !== version) {
      known.set(key, { version, layers: found.map(({ data }) => data.concepts) });
      await keep(key, known.get(key));
    }
    return known.get(key);
  } catch (error) {
    if (error.status === 404) return null;
    const before = known.get(key) ?? (await kept(key));
    if (error.status === 0 && before !== undefined) return before;
    throw error;
  }
}
