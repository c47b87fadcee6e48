// What one more coin would do in a set, from the set's need sheet. Pure. It says what the service says, or `ask`.
import { verdictOf, waysOf } from "./verdict.js";
import { isKnown, isObject, isSettled, knowsOf, viewsOf } from "./views.js";

/**
 * @typedef {import("./views.js").Facts} Facts
 * @typedef {{number: string | null, facts: Facts | null, gone?: string, isSeveral?: boolean}} Unsent a coin that was said here and that
 *   the sheet does not know; `gone`: the id of one that was changed or deleted; `facts` null: it no longer counts; `isSeveral`: several
 *   pieces, or its issue is named
 * @typedef {object} Answer what a coin would do in one set
 * @property {string} set @property {string} title
 * @property {"fills" | "frees" | "betters" | "spare" | "undecided" | "outside" | "bought" | "ask"} effect
 * @property {boolean} exact whether `places` is known
 * @property {string[]} places those that are empty without it and filled with it, by address
 * @property {string | null} at where the coin sits
 * @property {{from: string, to: string | null, holding: string}[]} moves coins that change their place
 * @property {{place: string, criterion: object, from: unknown, to: unknown} | null} betters
 * @property {{place: string, failing: string[]} | null} closest with `outside`
 * @property {string[]} look attributes to look at, with `undecided`
 * @property {string[]} fits places, and free choices by their groups @property {string[]} mayFit
 * @property {string} because with `ask`: why
 * @property {Unsent | null} unsent with `bought`
 * @property {{label: string, key: unknown[]} | null} opens a new place of an open group
 */

const UNIT = 1_000_000;
const DAY_MS = 86_400_000;
const ORDINAL_OF_1970 = 719_163;

class Ask extends Error {}

function scaled(value) {
  const units = Math.round(value * UNIT);
  if (!Number.isSafeInteger(units)) throw new Ask("numbers");
  return units;
}

const plus = (one, other) => one.map((value, at) => value + other[at]);

/** Negative where the first loses less on the first level on which they differ. */
function compared(one, other, levels) {
  for (const at of levels ?? one.keys()) if (one[at] !== other[at]) return one[at] - other[at];
  return 0;
}

/** The verdicts of a coin's views, each rule judged once. */
function judged(sheet, seen, knows) {
  const over = (views) => {
    const known = new Map();
    return (rule) => {
      if (!known.has(rule)) {
        const all = new Set(views.map((view) => verdictOf(sheet.rules[rule], view, knows)));
        known.set(rule, all.size === 1 ? [...all][0] : all.has("ask") ? "ask" : "undecided");
      }
      return known.get(rule);
    };
  };
  const verdict = over(seen.views);
  const fit = (place) => {
    const whole = verdict(place.rule);
    return whole === "ask" && place.clauses.some((clause) => verdict(clause.rule) === "no") ? "no" : whole;
  };
  return { views: seen.views, knows, verdict, bare: seen.views.every((view, at) => Object.keys(view).length === Object.keys(seen.bare[at]).length) ? verdict : over(seen.bare), fit };
}

// --- keys that the coin shows ------------------------------------------------------------------------------------------

function keysIn(view, part, knows) {
  const fact = view[part.attribute];
  if (!isKnown(fact)) return [];
  if (!part.is_plain) throw new Ask("keys");
  const values = isObject(fact) ? (fact.one_of ?? (fact.none ? [fact] : [...(fact.has ?? []), ...(fact.perhaps ?? [])])).flat() : [fact].flat();
  if (values.some((value) => typeof value === "string" && knows(part.attribute, value) === false)) throw new Ask("keys");
  return values.filter((value) => !isObject(value) || part.none);
}

/** The new place of an open group that the coin brings with it, or null. */
function opened(sheet, coin) {
  let found = null;
  for (const group of sheet.open_groups) {
    const verdict = group.rule === null ? "yes" : coin.verdict(group.rule);
    if (verdict === "no") continue;
    const shown = coin.views.map((view) => group.parts.map((part) => keysIn(view, part, coin.knows))
      .reduce((keys, values) => keys.flatMap((key) => values.map((value) => [...key, value])), [[]]).map((key) => JSON.stringify(key)));
    const known = new Set(group.keys.map((key) => JSON.stringify(key)));
    const all = new Set(shown.flat());
    if ([...all].every((key) => known.has(key))) continue;
    const isOne = all.size === 1 && shown.every((keys) => keys.length > 0) && coin.views.every((view) => group.parts.every((part) => isSettled(view[part.attribute])));
    if (found !== null || !group.is_free || verdict !== "yes" || !isOne) throw new Ask("keys");
    found = { label: group.label, id: group.id, key: JSON.parse([...all][0]) };
  }
  return found;
}

// --- what the coin itself loses in a place ---------------------------------------------------------------------------------

function numberOf(preference, type, value) {
  if (preference.criterion.order !== undefined && preference.criterion.order !== null) {
    if (typeof value !== "string") return null;
    const at = preference.values.indexOf(value);
    return at < 0 ? preference.values.length : at;
  }
  if (type === "timestamp") throw new Ask("numbers");
  if (type === "date" && typeof value === "string") return Math.round(Date.parse(`${value}T00:00:00Z`) / DAY_MS) + ORDINAL_OF_1970;
  return typeof value === "number" ? value : null;
}

/** What a coin loses by a preference: of several values the worst; null: the fact is missing. */
function lossBy(sheet, preference, coin) {
  if (preference.attribute === null) {
    const verdict = coin.verdict(preference.rule);
    if (verdict === "ask") throw new Ask("rule");
    return verdict === "yes" ? -UNIT : 0;
  }
  const isMore = isKnown(preference.criterion.highest);
  const { type } = sheet.attributes.find((one) => one.name === preference.attribute);
  let worst = -Infinity;
  for (const view of coin.views) {
    const fact = view[preference.attribute];
    if (!isKnown(fact) || (isObject(fact) && (fact.has || fact.perhaps))) return null;
    const isRange = isObject(fact) && (fact.from !== undefined || fact.to !== undefined);
    const ends = isRange ? [isMore ? fact.from : fact.to] : isObject(fact) && fact.one_of ? fact.one_of : [fact];
    for (const end of ends) {
      const number = numberOf(preference, type, end);
      if (number === null) return null;
      worst = Math.max(worst, scaled(isMore ? -number : number));
    }
  }
  return worst;
}

/** The losses of the coin in a place, level by level, and what it is worth by each of its preferences. */
function ownLosses(sheet, place, coin) {
  const losses = sheet.levels.map(() => 0);
  const add = (level, units) => (losses[sheet.levels.indexOf(level)] += units);
  add("places", -UNIT);
  if (place.tier === "required") add("required", -UNIT);
  if (coin.bare(place.rule) !== "yes") add("presumed", UNIT);
  const worth = place.preferences.map((number) => {
    const preference = sheet.preferences[number];
    const loss = lossBy(sheet, preference, coin);
    const isWorst = loss !== null && (preference.worst === null || loss > scaled(preference.worst));
    if (isWorst && preference.missing_counts) throw new Ask("worst");
    add(preference.level, loss ?? scaled(preference.missing));
    if (loss === null) return null;
    return (isKnown(preference.criterion.lowest) || isKnown(preference.criterion.order) ? loss : -loss) / UNIT;
  });
  return { losses, worth };
}

// --- what follows ------------------------------------------------------------------------------------------------------------

const conditionMet = (condition, coin) => {
  if (condition.kind === "rule") return coin.verdict(condition.rule) === "no";
  const shown = coin.views.map((view) => condition.by.map((name) => view[name]));
  if (shown.some((key) => key.some((value) => !isKnown(value) || isObject(value) || Array.isArray(value)))) return false;
  const keys = new Set(shown.map((key) => JSON.stringify(key)));
  return keys.size === 1 && condition.among === condition.values.some((key) => keys.has(JSON.stringify(key)));
};

function stepOf(sheet, at, coin) {
  const place = sheet.places[at];
  const own = ownLosses(sheet, place, coin);
  return { at, place, own, total: plus(own.losses, place.coin.loss.map(scaled)) };
}

function bestOf(steps) {
  return steps.reduce((best, one) => {
    const by = compared(one.total, best.total);
    return by < 0 || (by === 0 && one.place.coin.rank < best.place.coin.rank) ? one : best;
  });
}

const movesOf = ({ at, place }) => {
  const all = [{ place: at, before: place.coin.seat, after: null }, ...place.coin.moves];
  return all.filter(({ before }) => before !== null && before !== undefined).map(({ place: from, before }) => {
    const to = all.find(({ after }) => after?.holding === before.holding);
    return { from, to: to?.place ?? null, holding: before.holding };
  });
};

function filled(step) {
  const { fills } = step.place.coin;
  return { effect: fills === step.at ? "fills" : "frees", places: [fills], at: step.at, moves: movesOf(step), step };
}

/** What a coin in its place rests on, where that is a doubt. */
const doubtOf = (sheet, seat) => ["unknown", "alternatives"].find((name) => seat.loss[sheet.levels.indexOf(name)] > 0) ?? null;

function bettered(sheet, step) {
  const from = sheet.levels.indexOf("unknown");
  const level = sheet.levels.findIndex((name, at) => at >= from && name !== "moved" && step.total[at] !== 0);
  const { seat, moves } = step.place.coin;
  const name = sheet.levels[level];
  const loses = (one) => scaled(one.loss[level]);
  const own = seat !== null && step.own.losses[level] < loses(seat)
    ? { at: step.at, before: seat, worth: step.own.worth, loss: step.own.losses[level], doubt: null }
    : moves.filter(({ before, after }) => before !== null && loses(after) < loses(before))
        .map(({ place, before, after }) => ({ at: place, before, worth: after.values, loss: loses(after), doubt: doubtOf(sheet, after) }))[0];
  if (own === undefined) throw new Ask("other");
  const place = sheet.places[own.at];
  const told = (criterion, was, is) => ({ place: own.at, criterion, from: was, to: is });
  const count = (units) => units / UNIT;
  if (name === "unknown" || name === "alternatives") return told({ doubt: true }, name, own.doubt);
  if (name === "to_check") return told({ to_check: true }, count(loses(own.before)), count(own.loss));
  if (name === "presumed") return told({ presumed: true }, true, false);
  const by = place.preferences.findIndex((number) => sheet.preferences[number].level === name);
  if (by < 0) throw new Ask("other");
  return told(sheet.preferences[place.preferences[by]].criterion, own.before.values[by], own.worth[by]);
}

function placed(sheet, coin, fits, mayFit) {
  const kindOf = (at) => sheet.places[at].coin.kind;
  const gains = (step) => ["required", "places"].some((name) => step.total[sheet.levels.indexOf(name)] < 0);
  if ([...fits, ...mayFit].some((at) => kindOf(at) !== "chain")) {
    const free = fits.filter((at) => kindOf(at) === "beside" && sheet.places[at].coin.conditions.every((one) => conditionMet(one, coin)));
    const chains = fits.filter((at) => kindOf(at) === "chain").map((at) => stepOf(sheet, at, coin)).filter(gains);
    if (free.length === 0 && chains.length === 0) throw new Ask("rules");
    return { effect: "fills", exact: false, at: free[0] ?? chains[0].at, places: [] };
  }
  const best = bestOf(fits.map((at) => stepOf(sheet, at, coin)));
  // A coin worse than any other would change what a missing fact counts.
  for (const at of mayFit) stepOf(sheet, at, coin);
  const first = ["pins", "required", "places"].map((name) => sheet.levels.indexOf(name));
  const doubts = ["unknown", "alternatives"].map((name) => sheet.levels.indexOf(name));
  const perhaps = mayFit.map((at) => {
    const place = sheet.places[at];
    const losses = sheet.levels.map((name) => (name === "places" || (name === "required" && place.tier === "required") ? -UNIT : 0));
    return { at, place, total: plus(losses, place.coin.loss.map(scaled)) };
  });
  const better = perhaps.filter((one) => compared(one.total, best.total, first) < 0);
  if (better.length > 0) {
    const least = better.filter((one) => better.every((other) => compared(one.total, other.total, first) <= 0));
    if (least.length > 1 || least[0].total[first[0]] !== 0 || least[0].place.coin.fills === null) throw new Ask("doubt");
    return filled(least[0]);
  }
  for (const one of perhaps.filter((other) => compared(other.total, best.total, first) === 0)) {
    const there = [...one.total];
    there[doubts[1]] += UNIT;
    if (compared(best.total, there, doubts) >= 0) throw new Ask("doubt");
  }
  const level = best.total.findIndex((units) => units !== 0);
  const name = sheet.levels[level];
  if (level >= 0 && name !== "moved" && best.total[level] < 0) {
    if ((name === "required" || name === "places") && best.place.coin.fills !== null) return filled(best);
    if (name === "pins") throw new Ask("pins");
    return { effect: "betters", at: best.at, moves: movesOf(best), betters: bettered(sheet, best), step: best };
  }
  if ((level < 0 || name === "moved") && [...fits, ...mayFit].some((at) => sheet.places[at].coin.is_doubtful)) throw new Ask("doubt");
  return { effect: "spare", at: null, moves: [] };
}

/** The place whose rule the coin breaks in the fewest clauses; null: only the service can tell. */
function closest(sheet, coin) {
  let best = null;
  const rules = new Set();
  for (const [at, place] of sheet.places.entries()) {
    if (rules.has(place.rule)) continue;
    rules.add(place.rule);
    const verdicts = place.clauses.map((clause) => coin.verdict(clause.rule));
    if (verdicts.includes("ask")) return null;
    const failing = place.clauses.filter((_, clause) => verdicts[clause] === "no").map((clause) => clause.needs);
    const broken = Math.max(failing.length, 1);
    if (best === null || broken < best.broken) best = { place: at, failing, broken };
  }
  return best === null ? null : { place: best.place, failing: best.failing };
}

/** Attributes whose facts leave open whether these places take the coin. */
function lookAt(sheet, coin, places) {
  const rules = [...new Set(places.map((at) => sheet.places[at].rule))];
  const isOpen = (lookup) => coin.views.some((view) => (waysOf(lookup, view[lookup.attribute], coin.knows) ?? []).length > 1);
  return [...new Set(rules.flatMap((rule) => sheet.rules[rule].lookups.filter(isOpen).map(({ attribute }) => attribute)))];
}

// --- coins that were said here and not sent yet ----------------------------------------------------------------------------

/** All places that change when one more coin sits in one of these. */
const reached = (sheet, places) => new Set(places.flatMap((at) => {
  const { coin } = sheet.places[at];
  return [at, ...(coin.kind === "chain" ? [coin.fills ?? at, ...coin.moves.map(({ place }) => place)] : [])];
}));

// They are the same while somebody types.
const alreadyTouched = new WeakMap();

/**
 * What the unsent coins touch of a set. `all`: more than can be told here; `by`: the coin that fills a place, by place.
 * @returns {{all: boolean, places: Set<number>, by: Map<number, Unsent>, groups: boolean}}
 */
function touchedBy(sheet, unsent, knows) {
  const before = alreadyTouched.get(sheet);
  if (before?.unsent === unsent) return before;
  const touched = { unsent, all: false, places: new Set(), by: new Map(), groups: false };
  alreadyTouched.set(sheet, touched);
  for (const one of unsent) {
    if (one.gone !== undefined && sheet.places.some(({ holding, coin }) => holding === one.gone || coin.kind !== "chain")) touched.all = true;
    if (one.facts === null) continue;
    const seen = one.isSeveral ? null : viewsOf(sheet, one.facts, knows);
    if (seen === null) {
      touched.all = true;
      continue;
    }
    const coin = judged(sheet, seen, knows);
    const there = [...sheet.places.keys()].filter((at) => coin.fit(sheet.places[at]) !== "no");
    const reach = reached(sheet, there);
    if (sheet.open_groups.some(({ rule }) => rule === null || coin.verdict(rule) !== "no")) touched.groups = true;
    if (there.some((at) => sheet.places[at].coin.kind !== "chain") || [...reach].some((at) => touched.places.has(at))) touched.all = true;
    const told = answered(sheet, coin);
    if (told.exact && (told.effect === "fills" || told.effect === "frees")) for (const at of told.places) touched.by.set(at, one);
    for (const at of reach) touched.places.add(at);
  }
  return touched;
}

/** The answer when some places are not as the sheet has them. */
function judgedAgain(sheet, told, touched) {
  if (touched.groups && told.effect !== "spare") return asking(told, "unsent");
  if (told.effect === "outside" || told.effect === "undecided" || told.effect === "ask") return told;
  const reach = told.step === undefined ? new Set() : reached(sheet, [told.step.at]);
  const taken = [...told.places, ...reach].map((at) => touched.by.get(at)).find((one) => one !== undefined);
  if (taken !== undefined) return { ...told, effect: "bought", unsent: taken };
  if (touched.all || (!told.exact && touched.places.size > 0) || [...reach].some((at) => touched.places.has(at))) return asking(told, "unsent");
  return told;
}

// --- the answer --------------------------------------------------------------------------------------------------------------

const NOTHING = { exact: true, places: [], at: null, moves: [], betters: null, closest: null, look: [], because: "", unsent: null, opens: null };
const asking = (told, because) => ({ ...NOTHING, fits: told.fits ?? [], mayFit: told.mayFit ?? [], effect: /** @type {const} */ ("ask"), exact: false, because });

function answered(sheet, coin) {
  const verdicts = sheet.places.map((place) => coin.fit(place));
  const among = (verdict) => verdicts.flatMap((one, at) => (one === verdict ? [at] : []));
  const [fits, mayFit] = [among("yes"), among("undecided")];
  const common = { ...NOTHING, fits, mayFit };
  try {
    const opens = opened(sheet, coin);
    if (opens !== null) return { ...common, effect: "fills", exact: false, opens };
    if (verdicts.includes("ask")) return asking(common, "rule");
    if (fits.length > 0) return { ...common, ...placed(sheet, coin, fits, mayFit) };
    if (mayFit.length > 0) return { ...common, effect: "undecided", look: lookAt(sheet, coin, mayFit) };
    return { ...common, effect: "outside", closest: closest(sheet, coin) };
  } catch (error) {
    if (error instanceof Ask) return asking(common, error.message);
    throw error;
  }
}

/**
 * What a coin would do in one set.
 * @param {object} document need-sheet/1 @param {object} sheet one of its sets @param {Facts} facts
 * @param {Unsent[]} [unsent] coins that the sheet does not know @returns {Answer}
 */
export function effectIn(document, sheet, facts, unsent = []) {
  const about = { set: sheet.definition.id, title: sheet.title };
  if (sheet.ask !== null) return { ...about, ...asking({}, "set") };
  const knows = knowsOf(document, sheet);
  const seen = viewsOf(sheet, facts, knows);
  if (seen === null) return { ...about, ...asking({}, "coin") };
  const told = answered(sheet, judged(sheet, seen, knows));
  const now = unsent.length === 0 ? told : judgedAgain(sheet, told, touchedBy(sheet, unsent, knows));
  return { ...about, ...addressed(sheet, now) };
}

/** The same with addresses for positions. @param {object} sheet @param {any} answer @returns {Omit<Answer, "set" | "title">} */
function addressed(sheet, { step, ...told }) {
  const address = (at) => (at === null ? null : sheet.places[at].place);
  const placed = (one) => one && { ...one, place: address(one.place) };
  return {
    ...told,
    places: told.places.map(address),
    at: address(told.at),
    moves: told.moves.map(({ from, to, holding }) => ({ from: address(from), to: address(to), holding })),
    betters: placed(told.betters),
    closest: told.closest && { ...told.closest, place: shownAs(sheet.places[told.closest.place]) },
    fits: [...new Set(told.fits.map((at) => shownAs(sheet.places[at])))],
    mayFit: [...new Set(told.mayFit.map((at) => shownAs(sheet.places[at])))],
  };
}

/** Places of a free choice are alike: the group stands for them. */
const shownAs = ({ kind, group, place }) => (kind === "free_choice" ? group : place);

/** For each place that a coin surely fits and that fills one more: whether that is required, and all places that change. */
export function waysIn(sheet, { fits, effect, opens }) {
  // How much a new place counts the sheet does not say.
  if (opens !== null) return [{ required: false, uses: [`${opens.id}/${JSON.stringify(opens.key)}`] }];
  if (effect !== "fills" && effect !== "frees") return [];
  const level = sheet.levels.indexOf("required");
  return sheet.places.flatMap((place, at) => {
    if (!fits.includes(shownAs(place)) || place.coin.kind !== "chain" || place.coin.fills === null) return [];
    const required = place.coin.loss[level] + (place.tier === "required" ? -1 : 0) < 0;
    return [{ required, uses: [...reached(sheet, [at])].map((one) => sheet.places[one].place) }];
  });
}

/** What a coin would do in every set. @returns {Answer[]} */
export const effects = (document, facts, unsent = []) => document.sets.map((sheet) => effectIn(document, sheet, facts, unsent));
