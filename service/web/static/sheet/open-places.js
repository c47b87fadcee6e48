// What is still wanted, from need sheets: open places, and the facts that tell most about them. Pure.

const FIRST = 6;
const isOpen = ({ status }) => status !== "filled";

/** The open places of each set that has some. @returns {{set: string, title: string, places: object[]}[]} */
export const openPlaces = (document) =>
  document.sets
    .map(({ definition, title, places }) => ({ set: definition.id, title, places: places.filter(isOpen) }))
    .filter(({ places }) => places.length > 0);

/**
 * The attributes that the sets read, those first that the rules of most open places read; what is presumed of every coin tells little.
 * @returns {{first: object[], others: object[]}} attributes as the sheets have them
 */
export function askedFacts(document) {
  const known = new Map();
  const weights = new Map();
  const add = (name, weight) => weights.set(name, (weights.get(name) ?? 0) + weight);
  for (const sheet of document.sets) {
    for (const attribute of sheet.attributes) if (!known.has(attribute.name)) known.set(attribute.name, attribute);
    const usual = new Set(sheet.presume.filter(({ rule }) => rule === null).flatMap(({ facts }) => Object.keys(facts)));
    for (const place of sheet.places) {
      for (const name of sheet.rules[place.rule].reads) if (!usual.has(name)) add(name, isOpen(place) ? 1 : 1e-4);
      for (const number of place.preferences) if (sheet.preferences[number].attribute !== null) add(sheet.preferences[number].attribute, 1e-8);
    }
    for (const { parts } of sheet.open_groups) for (const { attribute } of parts) add(attribute, 1);
  }
  const order = [...known.values()].sort((one, other) => (weights.get(other.name) ?? 0) - (weights.get(one.name) ?? 0));
  return { first: order.slice(0, FIRST), others: order.slice(FIRST) };
}
