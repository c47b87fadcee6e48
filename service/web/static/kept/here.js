// Coins as this browser has them: what is shown without a network, and what was changed here and is not at the service yet.
import { get } from "./api.js";
import { plain } from "./exact.js";
import { unflattened } from "./mutations.js";
import { device } from "./sending.js";

const DEFAULTS = {
  issue: null, quantity: 1, status: "held", number: null, note: null, location: null, tags: [], values: [], mark: null, price_paid: null,
  bought_from: null, bought_on: null, photos: [], conflicts: [],
};
const SEARCHED = ["number", "note", "location", "tags", "bought_from"];

const coinOf = (id, values) => ({ id, ...DEFAULTS, ...plain(unflattened(values)) });

/** A coin as this browser has it, as the service answers it; null: it has none. */
export async function coinHere(id) {
  const values = await device.holding(id);
  return values === undefined ? null : coinOf(id, values);
}

/**
 * All coins as this browser has them, found by words and sorted by a column. @param {{q?: string, sort?: string}} asked
 * @param {(coin: object, name: string) => unknown} valueOf @param {(one: string, other: string) => number} inOrder
 */
export async function coinsHere({ q = "", sort = "" }, valueOf, inOrder) {
  const word = q.toLowerCase();
  const has = (coin) => SEARCHED.some((name) => String(coin[name] ?? "").toLowerCase().includes(word));
  const coins = [...(await device.holdings())].map(([id, values]) => coinOf(id, values)).filter(has);
  const name = sort.replace(/^-/, "") || "number";
  const direction = sort.startsWith("-") ? -1 : 1;
  const text = (coin) => valueOf(coin, name);
  // What has no value comes last, as in the service's own order.
  const compared = (one, other) => {
    const [a, b] = [text(one), text(other)];
    if (a === undefined || b === undefined) return Number(a === undefined) - Number(b === undefined);
    return direction * (typeof a === "number" && typeof b === "number" ? a - b : inOrder(String(a), String(b)));
  };
  return coins.sort(compared);
}

/** A coin of the service with what was changed here on top; the same object where nothing was. */
export async function withPending(coin) {
  const changes = plain(await device.pendingOf(coin.id));
  if (Object.keys(changes).length === 0) return coin;
  const { facts, ...own } = unflattened(changes);
  const kept = Object.entries({ ...coin.facts, ...facts }).filter(([, value]) => value !== null);
  const fields = Object.entries(own).map(([name, value]) => [name, value ?? DEFAULTS[name] ?? null]);
  return { ...coin, ...Object.fromEntries(fields), facts: Object.fromEntries(kept) };
}

/**
 * The coin as the service has it, with what was changed here on top; without a network as this browser has it (`isHere`).
 * @param {string} coin @returns {Promise<{data: object, etag: string, isHere?: boolean, isUnsent?: boolean}>}
 */
export async function loadCoin(coin) {
  try {
    const found = await get(`/v1/holdings/${coin}`);
    const data = await withPending(found.data);
    return data === found.data ? found : { ...found, data, isUnsent: true };
  } catch (error) {
    const data = error.status === 0 || error.status === 404 ? await coinHere(coin) : null;
    if (data === null) throw error;
    return { data, etag: JSON.stringify(data), isHere: error.status === 0, isUnsent: error.status === 404 };
  }
}
