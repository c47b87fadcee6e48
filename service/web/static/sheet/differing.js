// What two devices did without seeing each other, as the owner is asked about it. Pure.

// A number with all its digits is an object of one name (kept/exact.js).
const isPlain = (value) => ["number", "string", "boolean"].includes(typeof value) || Object.hasOwn(value ?? {}, "\u0000number");

function valuesOf(value) {
  if (isPlain(value)) return [value];
  return Array.isArray(value?.one_of) && value.one_of.every(isPlain) ? value.one_of : null;
}

/**
 * A fact that says that both may be true; null where there is none: of own fields, lists, ranges, and of what was removed.
 * @param {string} attribute @param {unknown} one @param {unknown} other @param {Set<string>} own names of own fields
 */
export function bothOf(attribute, one, other, own) {
  const values = [valuesOf(one), valuesOf(other)];
  if (own.has(attribute) || values.includes(null)) return null;
  return { one_of: [...new Set(values.flat())] };
}

/**
 * When a mutation was made by the clock of its device: an id of version 7 begins with it (RFC 9562, section 5.7). Of a writer that is
 * several mutations, the last. Null: the id is none. @param {string} writer @returns {string | null} RFC 3339
 */
export function madeAt(writer) {
  const times = writer.split("~", 1)[0].split("+").map((id) => /^([0-9a-f]{8})-([0-9a-f]{4})-7/.exec(id));
  const found = times.filter((time) => time !== null).map((time) => Number.parseInt(time[1] + time[2], 16));
  return found.length === 0 ? null : new Date(Math.max(...found)).toISOString();
}
