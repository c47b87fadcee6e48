// What was said of coins from the kept need sheets: kept with its stamps, and asked again of the service once it can be reached.
import { send } from "./api.js";
import { keep, kept } from "./database.js";
import { renewSheets } from "./need-sheets.js";
import { unsentCoins } from "./said.js";

const ANSWERS = "answers";
const TOLD = "answers-told";
const MOST_KEPT = 500;
const MOST_TOLD = 50;
const AT_ONCE = 20;
// Among equals ids decide: a coin that is not owned comes behind all.
const BEHIND = "~";

/**
 * @typedef {object} Answer of sheet/effect.js
 * @typedef {{at: string, what: string, facts: object, sets: {said: Answer, stamps: object, labels: Record<string, string>}[]}} Entry
 *   what was said of one coin; `labels`: of the places that the answers name, by address
 * @typedef {{at: string, what: string, title: string, said: Answer, labels: Record<string, string>, now: string, differs: string[]}} Difference
 * @typedef {{asked: number, equal: number, since: Difference[], wrong: Difference[], wrongs: number}} Told `equal`: at equal stamps the same;
 *   `since`: the set is another by now; `wrong`: at equal stamps not the same, which must not be
 * @typedef {(said: Answer, candidate: object) => string[]} Differences @typedef {(sheet: object) => object} Stamps
 */

const NOTHING = { asked: 0, equal: 0, since: [], wrong: [], wrongs: 0 };
/** @type {Promise<any>} */
let turn = Promise.resolve();

/**
 * One after the other: each reads and writes the whole list.
 * @template T @param {() => Promise<T>} work @returns {Promise<T>}
 */
function inTurn(work) {
  const mine = turn.then(work, work);
  turn = mine.catch(() => {});
  return mine;
}

/** Keeps what was said; of one coin at the same stamps once. @param {Entry} entry */
export const keepAnswer = (entry) => inTurn(async () => {
  const key = ({ facts, sets }) => JSON.stringify([facts, sets.map(({ said, stamps }) => [said.set, stamps])]);
  const others = ((await kept(ANSWERS)) ?? []).filter((one) => key(one) !== key(entry));
  await keep(ANSWERS, [...others, entry].slice(-MOST_KEPT));
});

/** What came of asking again. @returns {Promise<Told>} */
export const toldAgain = async () => (await kept(TOLD)) ?? NOTHING;

/** The owner has read what differs by newer stamps. */
export const forgetSince = () => inTurn(async () => keep(TOLD, { ...(await toldAgain()), since: [] }));

/** How many answers wait to be asked again. */
export const answersKept = async () => ((await kept(ANSWERS)) ?? []).length;

async function asked(entries, document, { differences, stampsOf, sameStamps }) {
  const sheets = new Map(document.sets.map((sheet) => [sheet.definition.id, sheet]));
  const definitions = [...new Set(entries.flatMap(({ sets }) => sets.map(({ said }) => said.set)))].filter((id) => sheets.has(id));
  if (definitions.length === 0) return [];
  const coins = entries.map(({ facts }, at) => ({ id: `${BEHIND}${at}`, facts }));
  const answer = await send("POST", "/v1/candidates", { coins, definitions, today: document.evaluated_on });
  const found = [];
  for (const { definition, candidates, title } of answer.sets) {
    const sheet = sheets.get(definition.id);
    // What the service answered belongs to the sheets that are kept only if nothing changed in between.
    const stamps = { ...stampsOf(sheet), digest: definition.digest, edition: answer.reference_edition, engine: answer.engine_version, day: answer.evaluated_on };
    const by = new Map(candidates.map((candidate) => [candidate.coin, candidate]));
    for (const [at, entry] of entries.entries()) {
      const one = entry.sets.find(({ said }) => said.set === definition.id);
      if (one === undefined || one.said.effect === "ask" || one.said.effect === "bought") continue;
      const candidate = by.get(`${BEHIND}${at}`);
      const isSame = sameStamps(one.stamps, stamps);
      found.push({ isSame, at: entry.at, what: entry.what, title, said: one.said, labels: one.labels, now: candidate.message, differs: differences(one.said, candidate) });
    }
  }
  return found;
}

/**
 * Asks the service again for every kept answer, once nothing waits to be sent. A network that fails leaves them for the next time.
 * @param {{differences: Differences, stampsOf: Stamps, sameStamps: (one: object, other: object) => boolean}} by of sheet/asked-again.js
 * @returns {Promise<Told>}
 */
export const askAgain = (by) => inTurn(async () => {
  for (;;) {
    const entries = ((await kept(ANSWERS)) ?? []).slice(0, AT_ONCE);
    if (entries.length === 0 || (await unsentCoins()).length > 0) return toldAgain();
    const before = await renewSheets();
    let found = [];
    try {
      found = await asked(entries, before.document, by);
    } catch (refusal) {
      // A coin that the service does not take any more cannot be asked about.
      if (refusal.status !== 422 && refusal.status !== 404) throw refusal;
    }
    const after = await renewSheets();
    const isSteady = after.etag === before.etag;
    if (!isSteady && found.some((one) => one.isSame && one.differs.length > 0)) continue;
    const told = await toldAgain();
    const differing = found.filter(({ differs }) => differs.length > 0);
    const wrong = differing.filter(({ isSame }) => isSame);
    for (const one of wrong) console.error(`an answer without the service was another: ${JSON.stringify(one)}`);
    await keep(TOLD, {
      asked: told.asked + found.length,
      equal: told.equal + found.filter(({ isSame, differs }) => isSame && differs.length === 0).length,
      since: [...told.since, ...differing.filter(({ isSame }) => !isSame)].slice(-MOST_TOLD),
      wrong: [...told.wrong, ...wrong].slice(-MOST_TOLD),
      wrongs: told.wrongs + wrong.length,
    });
    const done = new Set(entries.map((entry) => JSON.stringify(entry)));
    await keep(ANSWERS, ((await kept(ANSWERS)) ?? []).filter((entry) => !done.has(JSON.stringify(entry))));
  }
});
