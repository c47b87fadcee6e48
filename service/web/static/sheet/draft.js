// A definition while it is put together: places added, moved, renamed, put on pages; its rules where they stand. Pure: each gives a
// new document, and what it does not speak of stays as it is.

/**
 * @typedef {"slots" | "one_per" | "free_choice"} Kind
 * @typedef {{kind: Kind, at: number, part: object}} Entry
 * @typedef {{page: number | null, label: string, entries: Entry[]}} Leaf a page of the layout, null for what no page names
 */

export const KINDS = ["slots", "one_per", "free_choice"];
const LONGEST = 40;

export const blank = (title, language) => ({ format: "set-definition/1", title, language, slots: [] });

/** Everything that has places, in the order of the document. @returns {Entry[]} */
export const entriesOf = (document) => KINDS.flatMap((kind) => (document[kind] ?? []).map((part, at) => ({ kind, at, part })));

/** The entry with this id, or null. @returns {Entry | null} */
export const entryOf = (document, id) => entriesOf(document).find(({ part }) => part.id === id) ?? null;
export const isFreeChoice = (document, id) => (document.free_choice ?? []).some((part) => part.id === id);

/** The entry with this id, which there is. @returns {Entry} */
const known = (document, id) => /** @type {Entry} */ (entryOf(document, id));

/** The entries page by page, as the album has them; what no page names comes last. @returns {Leaf[]} */
export function leavesOf(document) {
  const left = new Map(entriesOf(document).map((entry) => [entry.part.id, entry]));
  const leaves = (document.layout ?? []).map((page, at) => {
    const entries = page.slots.map((id) => left.get(id)).filter((entry) => entry !== undefined);
    for (const entry of entries) left.delete(entry.part.id);
    return { page: at, label: page.page, entries };
  });
  return [...leaves, { page: null, label: "", entries: [...left.values()] }];
}

/** An id from a label, and unlike those that there are. */
export function newIdOf(document, label) {
  const plain = label.toLowerCase().normalize("NFKD").replace(/\p{M}/gu, "").replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-+|-+$/g, "");
  const start = plain.slice(0, LONGEST).replace(/-+$/, "") || "place";
  const taken = new Set([...entriesOf(document).map(({ part }) => part.id), ...(document.constraints ?? []).map(({ id }) => id)]);
  for (let n = 1; ; n += 1) {
    const id = n === 1 ? start : `${start}-${n}`;
    if (!taken.has(id)) return id;
  }
}

export const replaced = (list, at, item) => list.map((one, place) => (place === at ? item : one));

/** With a part added, on a page where one is named. @param {Kind} kind @param {any} part without an id @param {number | null} [page] @returns {{document: object, id: string}} */
export function withPart(document, kind, part, page = null) {
  const id = newIdOf(document, part.id ?? part.label ?? "");
  const made = { ...document, [kind]: [...(document[kind] ?? []), { ...part, id }] };
  return { document: page === null ? made : onPage(made, id, page), id };
}

/** An object with members changed; null takes one away. @param {object} object @param {object} more @returns {any} */
export const withMembers = (object, more) => Object.fromEntries(Object.entries({ ...object, ...more }).filter(([, value]) => value !== null));

/** With members of a part changed; null takes one away. */
export function changedPart(document, id, more) {
  const { kind, at, part } = known(document, id);
  return { ...document, [kind]: replaced(document[kind], at, withMembers(part, more)) };
}

/** Without a part, and without what names it. */
export function withoutPart(document, id) {
  const { kind } = known(document, id);
  const made = { ...document, [kind]: document[kind].filter((part) => part.id !== id) };
  if (made[kind].length === 0 && kind !== "slots") delete made[kind];
  return withoutNames(onPage(made, id, null), id);
}

/** On a page of the layout, or on none. */
export function onPage(document, id, page) {
  if (document.layout === undefined) return document;
  const layout = document.layout.map((one, at) => {
    const others = one.slots.filter((slot) => slot !== id);
    if (at === page) return { ...one, slots: [...others, id] };
    return others.length === one.slots.length ? one : { ...one, slots: others };
  });
  return { ...document, layout };
}

/** The page that a part is on, or null. */
export function pageOf(document, id) {
  const at = (document.layout ?? []).findIndex((page) => page.slots.includes(id));
  return at < 0 ? null : at;
}

/** With one more page, or with one renamed, or without one (its places stay). */
export const withPage = (document, page) => ({ ...document, layout: [...(document.layout ?? []), { page, slots: [] }] });
export const renamedPage = (document, at, page) => ({ ...document, layout: replaced(document.layout, at, { ...document.layout[at], page }) });
export function withoutPage(document, at) {
  const { layout, ...rest } = document;
  const left = layout.filter((_, place) => place !== at);
  return left.length === 0 ? rest : { ...rest, layout: left };
}

/** Two neighbours of a list changed over; the same list where there is no neighbour. */
export function swapped(list, at, step) {
  const to = at + step;
  if (at < 0 || to < 0 || to >= list.length) return list;
  const made = [...list];
  [made[at], made[to]] = [made[to], made[at]];
  return made;
}

/** Whether a part can go a step up or down: on its page, or else among its like. */
export function canMove(document, id, step) {
  return moved(document, id, step) !== document;
}

/** A step up (-1) or down (1). */
export function moved(document, id, step) {
  const page = pageOf(document, id);
  if (page !== null) {
    const slots = swapped(document.layout[page].slots, document.layout[page].slots.indexOf(id), step);
    return slots === document.layout[page].slots ? document : { ...document, layout: replaced(document.layout, page, { ...document.layout[page], slots }) };
  }
  const { kind, at } = known(document, id);
  // Past those on pages, which are not its neighbours where it is shown.
  const loose = document[kind].map((part, place) => ({ part, place })).filter(({ part }) => pageOf(document, part.id) === null);
  const here = loose.findIndex(({ place }) => place === at);
  const other = loose[here + step];
  if (other === undefined) return document;
  const made = [...document[kind]];
  [made[at], made[other.place]] = [made[other.place], made[at]];
  return { ...document, [kind]: made };
}

/** A page a step up or down. */
export const movedPage = (document, at, step) => {
  const layout = swapped(document.layout, at, step);
  return layout === document.layout ? document : { ...document, layout };
};

const steps = (pointer) => pointer.split("/").slice(1).map((step) => step.replaceAll("~1", "/").replaceAll("~0", "~"));

/** What a JSON pointer (RFC 6901) leads to. */
export const valueAt = (document, pointer) => steps(pointer).reduce((value, step) => value?.[step], document);

/** The document with another value where a pointer leads. */
export function withValueAt(document, pointer, value) {
  const put = (/** @type {any} */ here, /** @type {string[]} */ [step, ...rest]) => {
    if (step === undefined) return value;
    if (Array.isArray(here)) return replaced(here, Number(step), put(here[Number(step)], rest));
    return { ...here, [step]: put(here[step], rest) };
  };
  return put(document, steps(pointer));
}

/** The list where a pointer leads; none is an empty one. @returns {any[]} */
export const listAt = (document, pointer) => valueAt(document, pointer) ?? [];

const parentOf = (pointer) => pointer.slice(0, pointer.lastIndexOf("/"));
const lastOf = (pointer) => pointer.slice(pointer.lastIndexOf("/") + 1);

/** The document without what a pointer leads to: a member of an object. */
export function withoutMember(document, pointer) {
  const parent = valueAt(document, parentOf(pointer));
  if (parent === undefined || !Object.hasOwn(parent, lastOf(pointer))) return document;
  const { [lastOf(pointer)]: _, ...rest } = parent;
  return withValueAt(document, parentOf(pointer), rest);
}

/** With a list where a pointer leads; an empty one is left out. */
export const withList = (document, pointer, list) => (list.length === 0 ? withoutMember(document, pointer) : withValueAt(document, pointer, list));

/** Without what names a part that is gone: rules over no other place, test cases of no other one. */
function withoutNames(document, id) {
  const others = (names) => names.filter((name) => name !== id && !name.startsWith(`${id}/`));
  const rules = listAt(document, "/constraints")
    .filter(({ place, places }) => place !== id && (places === undefined || others(places).length > 0))
    .map((rule) => (rule.places === undefined ? rule : { ...rule, places: others(rule.places) }));
  const examples = listAt(document, "/examples")
    .map((one) => ({ ...one, ...(one.fits ? { fits: others(one.fits) } : {}), ...(one.not ? { not: others(one.not) } : {}) }))
    .filter(({ fits = [], not = [] }) => fits.length + not.length > 0);
  return withList(withList(document, "/constraints", rules), "/examples", examples);
}

/** The pointer of a part's rule. @param {Entry} entry */
export const pointerOf = ({ kind, at }) => `/${kind}/${at}/accepts`;

/** The id of the part that a pointer leads into, or null. */
export function partAt(document, pointer) {
  const [kind, at] = steps(pointer);
  return KINDS.includes(kind) ? (document[kind]?.[Number(at)]?.id ?? null) : null;
}

/** The entry of a list beside the places that a pointer leads into: a preference, a presumption, a rule over several places or of a free choice, a fact or list of the set's own; or null. */
export const focusOf = (pointer) => /^(\/(prefer|presume|identify|constraints|attributes|vocabularies)\/\d+|\/\w+\/\d+\/(?:prefer|at_most)\/\d+)(\/|$)/.exec(pointer)?.[1] ?? null;

/** An example of the author's: what a coin has to fit, or must not fit. */
export function withExample(document, example) {
  return { ...document, examples: [...(document.examples ?? []), example] };
}

export function withoutExample(document, at) {
  const { examples, ...rest } = document;
  const left = examples.filter((_, place) => place !== at);
  return left.length === 0 ? rest : { ...rest, examples: left };
}
