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

/**
 * What is typed of one attribute as the fact that is sent; null takes it away, undefined: it cannot be read.
 * @param {string} way value, one_of, between, none or unknown
 * @param {(text: string) => unknown} read one value of the attribute
 */
export function factOf(way, first, second, read) {
  if (way === "unknown") return null;
  if (way === "none") return { none: true };
  if (way === "between") {
    const [from, to] = [read(first), read(second)];
    return typeof from === "number" && typeof to === "number" ? { from, to } : undefined;
  }
  if (way === "one_of") {
    const values = first.split(",").map(read);
    return values.length > 1 && values.every((value) => value !== undefined) ? { one_of: values } : undefined;
  }
  return read(first);
}
