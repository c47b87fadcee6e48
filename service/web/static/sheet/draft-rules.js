// What a definition says beside its places: preferences, presumptions, rules over several places, keys of a group. Pure: each gives a new
// document, and what it does not speak of stays as it is.
import { entriesOf, listAt, newIdOf, replaced, swapped, valueAt, withList, withMembers, withValueAt } from "./draft.js";

/** The kinds of rules over several places: what each is counted or compared by, and whether it needs places or one place. */
export const RULE_KINDS = {
  at_most: { by: "per", counts: true },
  different: { by: "by" },
  same: { by: "by" },
  at_least: { counts: true },
  not_elsewhere: { by: "by", needsPlaces: true },
  matches: { by: "by", place: true },
};

export const PREFERENCE_KINDS = ["highest", "lowest", "where", "order"];

/** Which of them a preference is. */
export const preferenceKind = (preference) => PREFERENCE_KINDS.find((kind) => preference[kind] !== undefined) ?? "where";

/** Whether an attribute can be what a preference of this kind is about. @param {string} kind @param {{type: string, many: boolean}} of */
export function suitsPreference(kind, { type, many }) {
  if (kind === "order") return type === "text" && !many;
  return ["integer", "decimal", "date", "timestamp"].includes(type) && !many;
}

export const withItem = (document, pointer, item) => withList(document, pointer, [...listAt(document, pointer), item]);
export const withoutItem = (document, pointer, at) => withList(document, pointer, listAt(document, pointer).filter((_, place) => place !== at));
export const movedItem = (document, pointer, at, step) => withList(document, pointer, swapped(listAt(document, pointer), at, step));

/** With members of an object changed; null takes one away. */
export const changedAt = (document, pointer, more) => withValueAt(document, pointer, withMembers(valueAt(document, pointer), more));

/** A rule over several places, with an id of its own; `by`: the attribute that it compares, null for one that counts coins of a rule. */
export function newRule(document, kind, by) {
  const { by: member, counts, needsPlaces, place } = RULE_KINDS[kind];
  const ids = entriesOf(document).map(({ part }) => part.id);
  return {
    id: newIdOf(document, kind.replaceAll("_", " ")),
    kind,
    ...(by === null ? { where: true } : { [member]: [by] }),
    ...(counts ? { count: 1 } : {}),
    ...(needsPlaces ? { places: ids.slice(0, 1) } : {}),
    ...(place ? { place: (document.slots ?? [])[0]?.id ?? "" } : {}),
  };
}

// --- keys of a group

/** The attributes of a group's keys, each with how it is cut. @returns {{attribute: string, band?: number, bands?: object[], none?: boolean}[]} */
export function keyParts({ attribute, band, bands, none }) {
  if (typeof attribute === "string") return [{ attribute, band, bands, none }];
  return attribute.map((one) => (typeof one === "string" ? { attribute: one } : one));
}

/** A group with one part of its keys changed; null takes a member away. */
export function withKeyPart(group, at, more) {
  if (typeof group.attribute === "string") return more;
  const now = withMembers(keyParts(group)[at], more);
  const plain = Object.keys(now).length === 1 ? now.attribute : now;
  return { attribute: replaced(group.attribute, at, plain) };
}

/** Where keys may come from. @param {object} group @param {Map<string, {type: string, vocabulary?: string | null}>} attributes */
export function sourcesOf(group, attributes) {
  const [first, ...more] = keyParts(group);
  const isConcepts = more.length === 0 && first.band === undefined && first.bands === undefined && Boolean(attributes.get(first.attribute)?.vocabulary);
  return ["holdings", "list", "catalogue", ...(isConcepts || group.keys.from === "vocabulary" ? ["vocabulary"] : [])];
}

/** Keys from elsewhere; those listed before are listed again. @param {unknown[]} values to begin a list with */
export function keysFrom(source, group, attributes, values) {
  if (source === "list") return { from: "list", values };
  if (source === "vocabulary") return { from: "vocabulary", name: attributes.get(keyParts(group)[0].attribute).vocabulary, level: "narrowest" };
  return { from: source };
}

/** A typed key as it stands in a list; undefined: it cannot be read. @param {{type: string}} attribute @param {object} part how it is cut */
export function keyFrom({ type }, part, text) {
  const typed = text.trim();
  if (typed === "") return undefined;
  if (part.bands !== undefined || type === "text" || type === "timestamp") return typed;
  if (type === "boolean") return { true: true, false: false }[typed];
  if (type === "date") return /^\d{4}-\d\d-\d\d$/.test(typed) ? typed : undefined;
  if (type === "integer") return /^-?\d{1,15}$/.test(typed) ? Number(typed) : undefined;
  return /^-?\d{1,12}(\.\d{1,9})?$/.test(typed) ? Number(typed) : undefined;
}
