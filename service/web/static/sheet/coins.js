// The table of coins. Pure.

// The owner's own fields, beside the facts of the coin.
export const OWN = new Set(["number", "status", "mark", "quantity", "location", "bought_from", "bought_on", "note"]);
export const COLUMNS = [
  "year_on_coin", "denomination", "issuer", "mintmark", "material", "grade", "problems", "status", "mark", "quantity", "location",
  "bought_from", "bought_on", "note",
];
export const USUAL = ["year_on_coin", "denomination", "issuer", "grade", "status"];
const ON_A_PAGE = "100";

/** What a coin has in a column; undefined: nothing is recorded. */
export function valueOf(coin, name) {
  const value = OWN.has(name) ? coin[name] : coin.facts[name];
  return value === null || value === "" ? undefined : value;
}

/** The order after another press on a heading: upwards, downwards, none. */
export function nextSort(sort, name) {
  return { [name]: `-${name}`, [`-${name}`]: "" }[sort] ?? name;
}

/** The request for a page of coins. @param {{q?: string, filter?: string, sort?: string, cursor?: string}} asked */
export function pagePath({ q, filter, sort, cursor }) {
  const query = new URLSearchParams({ limit: ON_A_PAGE, count: "true" });
  for (const [name, value] of Object.entries({ q, filter, sort, cursor })) if (value) query.set(name, value);
  return `/v1/holdings?${query}`;
}
