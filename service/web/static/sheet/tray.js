// Which coins of a tray bring most places for a sum of money. Pure. Coins of one set that need the same place are not counted
// twice; where that leaves open whether more would be filled, the number is a least one.

/**
 * @typedef {{required: boolean, uses: string[]}} Way one way to fill a place more: all places that it needs, by address
 * @typedef {{id: string, price: number, sets: Record<string, Way[]>}} Considered `price` in thousandths; `sets`: the ways by set
 * @typedef {{buy: string[], cost: number, places: number, required: number, atLeast: boolean, proven: boolean}} Choice
 */

const MOST_TRIED = 20_000;
const MOST_PACKED = 5_000;

/** A sum of money as it is typed, in thousandths; undefined: it is none. @param {string} text */
export function moneyOf(text) {
  const [, whole, part = ""] = /^\s*(\d{1,9})(?:[.,](\d{1,3}))?\s*$/.exec(text) ?? [];
  return whole === undefined ? undefined : Number(whole) * 1000 + Number(part.padEnd(3, "0"));
}

const isMore = (one, other) => {
  for (let at = 0; at < one.length; at += 1) if (one[at] !== other[at]) return one[at] > other[at];
  return false;
};
const plus = (one, other) => one.map((value, at) => value + other[at]);

/** The most that these coins fill in one set without sharing a place: required places, places. @param {Way[][]} coins */
function packed(coins) {
  let best = [0, 0];
  let tried = 0;
  const go = (at, taken, sum) => {
    tried += 1;
    if (isMore(sum, best)) best = sum;
    const most = plus(sum, [coins.length - at, coins.length - at]);
    if (at === coins.length || tried > MOST_PACKED || !isMore(most, best)) return;
    for (const way of coins[at]) {
      if (way.uses.some((place) => taken.has(place))) continue;
      go(at + 1, new Set([...taken, ...way.uses]), plus(sum, [way.required ? 1 : 0, 1]));
    }
    go(at + 1, taken, sum);
  };
  go(0, new Set(), [0, 0]);
  return best;
}

/** What these coins fill over all sets: required places, places. @param {Considered[]} coins */
function gainOf(coins) {
  const sets = new Set(coins.flatMap((coin) => Object.keys(coin.sets)));
  return [...sets].map((set) => packed(coins.map((coin) => coin.sets[set] ?? []).filter((ways) => ways.length > 0))).reduce(plus, [0, 0]);
}

/**
 * Most required places, then most places, then the least money, then the fewest coins: in the order of the service.
 * @param {Considered[]} coins @param {number} budget in thousandths @returns {Choice}
 */
export function bestFor(coins, budget) {
  const order = coins.filter((coin) => coin.price <= budget && Object.keys(coin.sets).length > 0).sort((a, b) => b.price - a.price || (a.id < b.id ? -1 : 1));
  const known = new Map();
  const gain = (chosen) => {
    const key = chosen.map((coin) => coin.id).join("\n");
    if (!known.has(key)) known.set(key, gainOf(chosen));
    return known.get(key);
  };
  const costOf = (chosen) => chosen.reduce((sum, coin) => sum + coin.price, 0);
  const rank = (chosen) => [...gain(chosen), -costOf(chosen), -chosen.length];
  /** @type {Considered[]} */
  let best = [];
  let bestRank = rank(best);
  let tried = 0;
  const go = (chosen, left) => {
    tried += 1;
    if (tried > MOST_TRIED) return;
    const here = rank(chosen);
    if (isMore(here, bestRank)) [best, bestRank] = [chosen, here];
    const cost = costOf(chosen);
    const open = left.filter((coin) => cost + coin.price <= budget);
    if (open.length === 0) return;
    const most = gain([...chosen, ...open].sort((a, b) => (a.id < b.id ? -1 : 1)));
    if (!isMore([...most, -cost, -chosen.length - 1], bestRank)) return;
    go([...chosen, open[0]], open.slice(1));
    go(chosen, open.slice(1));
  };
  go([], order);
  const [required, places] = gain(best);
  const alone = best.map((coin) => gainOf([coin])).reduce(plus, [0, 0]);
  const ids = new Set(best.map((coin) => coin.id));
  return {
    buy: coins.filter((coin) => ids.has(coin.id)).map((coin) => coin.id),
    cost: costOf(best),
    places,
    required,
    atLeast: alone[1] !== places,
    proven: tried <= MOST_TRIED,
  };
}
