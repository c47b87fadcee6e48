// Coins that were said or changed here and that the kept need sheets do not know: those that wait to be sent, and those that were sent
// since the sheets were fetched.
import { keep, kept } from "./database.js";
import { plain } from "./exact.js";
import { unflattened } from "./mutations.js";
import { device } from "./sending.js";

const KEY = "said";
// Own fields that decide whether a coin counts; of the others sets read nothing.
const READ = ["issue", "quantity", "status"];
const isRead = (name) => READ.includes(name) || Object.keys(unflattened({ [name]: null }).facts).length > 0;

/** By coin whether it is new. */
async function waiting() {
  /** @type {Record<string, boolean>} */
  const found = {};
  for (const { id, op, patch = {} } of await device.store.view((within) => within.pending())) {
    if (op === "create") found[id] = true;
    else if (op === "destroy" || Object.keys(patch).some(isRead)) found[id] ??= false;
  }
  return found;
}

/** Those that wait now: what is fetched from now on knows all others. */
export const waitingNow = () => waiting();

/** Whether coins that were sent are not in the sheets that are kept. */
export async function areSheetsBehind() {
  const left = await waiting();
  return Object.keys((await kept(KEY)) ?? {}).some((id) => !(id in left));
}

/** The sheets that are kept now know all coins but these. @param {Record<string, boolean>} left */
export const sheetsKnowAllBut = (left) => keep(KEY, left);

/** @returns {Promise<object[]>} as sheet/effect.js takes them: Unsent */
export async function unsentCoins() {
  const all = { ...(await kept(KEY)), ...(await waiting()) };
  await keep(KEY, all);
  const found = [];
  for (const [id, isNew] of Object.entries(all)) {
    const values = await device.holding(id);
    const { facts, ...own } = /** @type {Record<string, any>} */ (unflattened(values ?? {}));
    const counts = values !== undefined && (own.status ?? "held") === "held";
    if (!counts && isNew) continue;
    found.push({
      number: own.number ?? null,
      facts: counts ? plain(facts) : null,
      isSeveral: (own.quantity ?? 1) !== 1 || (own.issue ?? null) !== null,
      ...(isNew ? {} : { gone: id }),
    });
  }
  return found;
}
