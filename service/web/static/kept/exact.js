// JSON with its numbers digit for digit. A number that JavaScript would write otherwise (7.9880, or one with more digits than it
// has room for) is read as {"\u0000number": "7.9880"}, which IndexedDB keeps as it is, and goes out as it came. No text of the
// service has a NUL, so that nothing else looks like it.
const MARK = "\u0000number";
const TOKEN = /"(?:[^"\\]|\\.)*"|-?(?:0|[1-9]\d*)(?:\.\d+)?(?:[eE][+-]?\d+)?/g;
const MARKED = /\{"\\u0000number":"([^"]*)"\}/g;

/** @param {string} text JSON @throws {SyntaxError} */
export function read(text) {
  const isPlain = (token) => token[0] === '"' || String(Number(token)) === token;
  return JSON.parse(text.replace(TOKEN, (token) => (isPlain(token) ? token : `{"\\u0000number":"${token}"}`)));
}

/** The opposite. Throws RangeError for a number that JSON does not have: written as null it would remove what is recorded. */
export const written = (value) =>
  JSON.stringify(value, (_, one) => {
    if (typeof one === "number" && !Number.isFinite(one)) throw new RangeError(String(one));
    return one;
  }).replace(MARKED, "$1");

/** As JavaScript has it: each number the nearest that there is, to be shown and computed with, never to be sent. */
export function plain(value) {
  if (value === null || typeof value !== "object") return value;
  if (Array.isArray(value)) return value.map(plain);
  if (typeof value[MARK] === "string") return Number(value[MARK]);
  return Object.fromEntries(Object.entries(value).map(([name, one]) => [name, plain(one)]));
}
