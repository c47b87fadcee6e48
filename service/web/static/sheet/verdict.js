// Whether a coin fits a rule of a need sheet. Pure. Each known fact gives the truths that it may mean for the rule's clauses, as the
// service wrote them down; the verdict is over all combinations of them.

/**
 * @typedef {"yes" | "no" | "undecided" | "ask"} Verdict `ask`: only the service can tell
 * @typedef {(attribute: string, term: string) => boolean | undefined} Knows whether a vocabulary has the term; undefined: not known here
 */

const MOST_STEPS = 20_000;
const MOST_LISTS = 1_024;
const isObject = (fact) => fact !== null && typeof fact === "object" && !Array.isArray(fact);
// A number of more digits was another one before it was read.
const isExact = (value) => typeof value !== "number" || (Number.isInteger(value) ? Math.abs(value) < 1e15 : Number(value.toPrecision(15)) === value);

/** The region of a value: 0 below the first cut point, 1 the point itself, 2 above it, and so on. */
function regionOf(cuts, value) {
  let at = 0;
  while (at < cuts.length && cuts[at] < value) at += 1;
  return cuts[at] === value ? 2 * at + 1 : 2 * at;
}

const isOfKind = ({ cuts }, value) => isExact(value) && (cuts.length === 0 || typeof value === typeof cuts[0]);

function ofValue(lookup, value) {
  const truths = isOfKind(lookup, value) ? lookup.regions[regionOf(lookup.cuts, value)] : null;
  return truths === null ? null : [truths];
}

function between(lookup, from, to) {
  if ([from, to].some((end) => end !== undefined && !isOfKind(lookup, end))) return null;
  const first = from === undefined ? 0 : regionOf(lookup.cuts, from);
  const last = to === undefined ? lookup.regions.length - 1 : regionOf(lookup.cuts, to);
  // Where there is no whole number there is no coin.
  const found = lookup.regions.slice(first, last + 1).filter((truths) => truths !== null);
  return found.length > 0 ? [...new Set(found)] : null;
}

function ofTerm(lookup, value, knows) {
  const term = String(value);
  if (Object.hasOwn(lookup.terms, term)) return lookup.terms[term];
  if (lookup.known === null) return lookup.other;
  const isKnown = knows(lookup.attribute, term);
  return isKnown === undefined ? null : isKnown ? lookup.known : lookup.other;
}

function asks(test, list) {
  if (test.never) return false;
  if (test.all && !test.all.every((term) => list.has(term))) return false;
  if (test.any && !test.any.some((term) => list.has(term))) return false;
  if (test.only && [...list].some((term) => !test.only.includes(term))) return false;
  return !test.count || test.count[Math.min(list.size, test.count.length - 1)] === "y";
}

function ofList(lookup, terms, knows) {
  const list = new Set(terms);
  let plain = "";
  for (const test of lookup.tests) plain += !test.narrower && asks(test, list) ? "y" : "n";
  if (!lookup.tests.some((test) => test.narrower)) return [plain];
  // What its vocabulary does not know may stand below anything.
  if ([...list].some((term) => !knows(lookup.attribute, term))) return null;
  let found = new Set([plain]);
  for (const term of list) {
    if (!Object.hasOwn(lookup.meanings, term)) continue;
    const held = lookup.meanings[term];
    found = new Set([...found].flatMap((truths) => held.map((clauses) => [...truths].map((one, at) => (clauses.includes(at) ? "y" : one)).join(""))));
  }
  return [...found];
}

function subsets({ has = [], perhaps = [] }) {
  const made = [has];
  for (const term of perhaps) {
    if (made.length >= MOST_LISTS) return null;
    made.push(...made.map((list) => [...list, term]));
  }
  return made;
}

function ofPlain(lookup, value, knows) {
  if (isObject(value)) return value.none ? lookup.none : null;
  if (lookup.kind === "lists") return ofList(lookup, Array.isArray(value) ? value : [value], knows);
  return lookup.kind === "numbers" ? ofValue(lookup, value) : ofTerm(lookup, value, knows);
}

/** All truths that a fact may mean for the clauses of a lookup; null: only the service knows. @returns {string[] | null} */
export function waysOf(lookup, fact, knows) {
  if (fact === undefined || fact === null) return lookup.unknown;
  if (!isObject(fact) || fact.none) return ofPlain(lookup, fact, knows);
  if (fact.from !== undefined || fact.to !== undefined) return lookup.kind === "numbers" ? between(lookup, fact.from, fact.to) : null;
  const values = fact.one_of ?? subsets(fact);
  const found = values?.map((value) => ofPlain(lookup, value, knows)) ?? [null];
  return found.includes(null) || found.length === 0 ? null : [...new Set(found.flat())];
}

/** Kleene's truth of the tree: true, false, or undefined where it is open. @param {any} tree @param {(boolean | undefined)[]} truths */
export function truthOf(tree, truths) {
  if (typeof tree === "boolean") return tree;
  if (typeof tree === "number") return truths[tree];
  const [op, ...parts] = tree;
  if (op === "not") {
    const truth = truthOf(parts[0], truths);
    return truth === undefined ? undefined : !truth;
  }
  const decides = op === "or";
  let open = false;
  for (const part of parts) {
    const truth = truthOf(part, truths);
    if (truth === decides) return decides;
    if (truth === undefined) open = true;
  }
  return open ? undefined : !decides;
}

const put = (truths, leaves, way) => leaves.forEach((leaf, letter) => (truths[leaf] = way === null ? undefined : way[letter] === "y"));

/** The verdict over all worlds: any of these truths of an open lookup with any of the others. */
function overWorlds(tree, truths, open) {
  const seen = new Set();
  let steps = 0;
  const go = (at) => {
    steps += 1;
    const truth = truthOf(tree, truths);
    if (truth !== undefined || at === open.length) {
      seen.add(truth);
      return;
    }
    for (const way of open[at].ways) {
      put(truths, open[at].leaves, way);
      go(at + 1);
      if (seen.size > 1 || steps > MOST_STEPS) return;
    }
    put(truths, open[at].leaves, null);
  };
  go(0);
  if (seen.size > 1) return "undecided";
  return steps > MOST_STEPS || seen.has(undefined) ? "ask" : seen.has(true) ? "yes" : "no";
}

/** What is sure of a rule's clauses, and the lookups that leave several meanings, those of few first; null: only the service can tell. */
function meanings(rule, facts, knows) {
  if (rule.ask !== null) return null;
  const truths = [];
  const open = [];
  for (const lookup of rule.lookups) {
    const { attribute, leaves } = lookup;
    const ways = waysOf(lookup, facts[attribute], knows);
    if (ways === null) return null;
    if (ways.length === 1) put(truths, leaves, ways[0]);
    else open.push({ attribute, leaves, ways });
  }
  return { truths, open: open.sort((one, other) => one.ways.length - other.ways.length) };
}

/**
 * @param {object} rule of a need sheet @param {Record<string, unknown>} facts @param {Knows} knows
 * @returns {Verdict}
 */
export function verdictOf(rule, facts, knows) {
  const found = meanings(rule, facts, knows);
  return found === null ? "ask" : overWorlds(rule.tree, found.truths, found.open);
}

/**
 * Of each fact that leaves the verdict open: the share of its meanings for the rule that would leave it open no more.
 * @param {object} rule of a need sheet @param {Record<string, unknown>} facts @param {Knows} knows @returns {[string, number][]} by attribute
 */
export function waysDecide(rule, facts, knows) {
  const found = meanings(rule, facts, knows);
  // It leaves the truths as they were when it had seen enough.
  if (found === null || overWorlds(rule.tree, [...found.truths], found.open) !== "undecided") return [];
  return found.open.map((asked) => {
    const others = found.open.filter((one) => one !== asked);
    const decided = asked.ways.filter((way) => {
      const truths = [...found.truths];
      put(truths, asked.leaves, way);
      return ["yes", "no"].includes(overWorlds(rule.tree, truths, others));
    });
    return /** @type {[string, number]} */ ([asked.attribute, decided.length / asked.ways.length]);
  }).filter(([, share]) => share > 0);
}
