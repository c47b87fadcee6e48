// An evaluation put in the order of the album. Pure: plain values in, plain values out.

/**
 * @typedef {object} Cell one place as it is shown
 * @property {string} address @property {string} label @property {string} note @property {string} tier
 * @property {string} state filled, tentative, empty or contested
 * @property {boolean} interchangeable @property {string[]} presumed attributes
 * @property {string | null} holding @property {{number: string | null, title: string} | null} coin
 * @property {{label: string, look_at: string}[]} checks what would settle a doubt
 * @property {string} takes in words @property {string} lookAt
 * @property {{places: number, coins: number} | null} contest
 * @property {boolean} free whether it is of a free choice
 * @typedef {{id: string, kind: string, label: string, note: string, tier: string, cells: Cell[]}} Block
 * @typedef {{key: string, label: string, note: string, blocks: Block[]}} Page
 */

/**
 * The pages of a set in the order of its layout; what no page names comes last, on a page without a label.
 * @param {import("./types.js").Evaluation} evaluation @param {import("./types.js").Definition} definition @returns {Page[]}
 */
export function arranged(evaluation, definition) {
  const blocks = new Map(blocksOf(evaluation, definition).map((block) => [block.id, block]));
  /** @type {{page: string, slots: string[]}[]} */
  const layout = definition.document.layout ?? [];
  const pages = layout.map((page, at) => {
    const told = evaluation.pages[at] ?? {};
    const named = page.slots.map((id) => blocks.get(id)).filter((block) => block !== undefined);
    for (const block of named) blocks.delete(block.id);
    return { key: `page-${at + 1}`, label: told.label ?? page.page, note: told.note ?? "", blocks: named };
  });
  const others = { key: "page-others", label: "", note: "", blocks: [...blocks.values()] };
  return [...pages, others].filter((page) => page.blocks.length > 0);
}

/**
 * Every place of a set as it is shown, by its address.
 * @param {import("./types.js").Evaluation} evaluation @param {import("./types.js").Definition} definition @returns {Map<string, Cell>}
 */
export function cellsOf(evaluation, definition) {
  return new Map(blocksOf(evaluation, definition).flatMap(({ cells }) => cells.map((cell) => [cell.address, cell])));
}

/** How many cells there are of each state. @param {Cell[]} cells */
export function counted(cells) {
  const of = (state) => cells.filter((cell) => cell.state === state).length;
  return { places: cells.length, filled: of("filled"), tentative: of("tentative"), empty: of("empty") + of("contested") };
}

/**
 * The contests between different places. A free choice that lacks coins lists its own places as a contest: these want nothing of one
 * another, they are empty.
 * @param {import("./types.js").Evaluation} evaluation
 */
export function contested(evaluation) {
  const group = new Map(evaluation.free_choice.flatMap(({ id, places }) => places.map(({ place }) => [place, id])));
  const differ = ({ places }) => new Set(places.map((place) => group.get(place) ?? place)).size > 1;
  return evaluation.conflicts.flatMap((conflict) => (conflict.kind === "contested" && differ(conflict) ? [conflict] : []));
}

/** @param {import("./types.js").Evaluation} evaluation @param {import("./types.js").Definition} definition @returns {Block[]} */
function blocksOf(evaluation, definition) {
  const about = aboutPlaces(evaluation, definition);
  const slots = evaluation.slots.map((slot) => {
    const cell = cellOf(slot, slot.place, about, false);
    return { id: slot.place, kind: "slot", label: slot.label, note: "", tier: slot.tier, cells: [cell] };
  });
  const groups = [
    ...evaluation.one_per.map((group) => ({ group, kind: "one_per" })),
    ...evaluation.free_choice.map((group) => ({ group, kind: "free_choice" })),
  ].map(({ group, kind }) => ({
    id: group.id,
    kind,
    label: group.label,
    note: group.note ?? "",
    tier: group.places[0]?.tier ?? "required",
    cells: group.places.map((place) => cellOf(place, group.id, about, kind === "free_choice")),
  }));
  return [...slots, ...groups];
}

function aboutPlaces(evaluation, definition) {
  const contests = new Map();
  const checks = new Map();
  for (const { places, holdings } of contested(evaluation)) {
    for (const place of places) contests.set(place, { places: places.length, coins: holdings.length });
  }
  for (const conflict of evaluation.conflicts) {
    if (conflict.kind === "undecided") checks.set(conflict.holding, conflict.parts.check ?? []);
  }
  const { slots = [], one_per: groups = [], free_choice: choices = [] } = definition.document;
  const lookAt = new Map([...slots, ...groups, ...choices].map((part) => [part.id, part.look_at ?? ""]));
  return { contests, checks, lookAt, takes: definition.places_in_words, named: evaluation.named };
}

/** @returns {Cell} */
function cellOf(place, id, about, free) {
  const contest = place.status === "empty" ? (about.contests.get(place.place) ?? null) : null;
  return {
    address: place.place,
    label: place.label,
    note: place.note ?? "",
    tier: place.tier,
    state: contest === null ? place.status : "contested",
    interchangeable: place.certainty === "choice",
    presumed: place.presumed ?? [],
    holding: place.holding,
    coin: place.holding === null ? null : (about.named[place.holding] ?? null),
    checks: place.status === "tentative" ? (about.checks.get(place.holding) ?? []) : [],
    takes: about.takes[id] ?? "",
    lookAt: about.lookAt.get(id) ?? "",
    contest,
    free,
  };
}
