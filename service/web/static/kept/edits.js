// Creating and changing coins: the app has no other way to do it. Each goes into this browser's outbox first, and is sent at once where
// there is a network, else later.
import { Problem, ask, send } from "./api.js";
import { plain } from "./exact.js";
import { named, newId as made, unflattened } from "./mutations.js";
import { device, turn } from "./sending.js";
import { say } from "./words.js";

/**
 * @typedef {{facts?: Record<string, unknown>, [own: string]: unknown}} Change facts and own fields by their names, each as a whole;
 *   null takes one away
 * @typedef {{data: object, etag?: string}} Seen a coin as its owner saw it, as `get` of kept/api.js answers
 */

// A form waits so long for the network, at most; what it did is kept by then.
const PATIENCE_SECONDS = 8;

/** A new id (UUIDv7, RFC 9562). */
export const newId = () => made(new Date());

/**
 * Records a new coin. With the same `id` a second time it is recorded once.
 * @param {Change} coin @param {string} [id] @returns {Promise<string>} its id
 */
export async function createCoin({ facts = {}, ...own }, id = newId()) {
  await device.create(facts, present(own), id);
  await sent((mutation) => mutation.id === id && mutation.op === "create");
  return id;
}

/**
 * Changes a coin. What another device changed of it meanwhile stays; where that is the same value, both are kept, and the owner is asked.
 * @param {string} id @param {Change} change @param {Seen} [seen] left out: as this browser has it
 */
export async function changeCoin(id, { facts = {}, ...own }, seen) {
  const changes = named(facts, own);
  const mutation = await device.edit(id, changes, await unseen(id, Object.keys(changes), seen));
  await sent((one) => one.mutation_id === mutation);
}

/** Deletes a coin. Where another device changed it unseen, it stays, and the owner is asked. @param {string} id @param {Seen} [seen] */
export async function deleteCoin(id, seen) {
  const names = seen === undefined ? [] : Object.keys((await device.holding(id)) ?? {});
  const mutation = await device.delete(id, await unseen(id, names, seen));
  await sent((one) => one.mutation_id === mutation);
}

/** Undoes the delete of a coin. @param {string} id */
export async function restoreCoin(id) {
  const mutation = await device.revive(id);
  await sent((one) => one.mutation_id === mutation);
}

// So many at once by one request: each answer lists as many coins (PlannedChange), and between two of them one sees how far it is.
const AT_ONCE = 50;

/**
 * @typedef {{id: string, status: "updated" | "unchanged" | "refused", before: object, after: object, message?: string, importId?: string}} Changed
 *   `before`, `after`: by the names of facts and own fields; `importId` undoes it with those that were changed at once with it
 */

/**
 * Changes the same in many coins: by one request for some of them at a time; without a network each goes into the outbox, as a change of
 * one does. @param {string[]} ids @param {Change} change @param {{dry?: boolean, told?: (n: number) => void}} [how] `dry`: nothing is changed;
 *   `told` is given how many are done @returns {Promise<Changed[]>}
 */
export async function changeMany(ids, change, { dry = false, told = () => {} } = {}) {
  /** @type {Changed[]} */
  const changed = [];
  // What waits here comes first.
  if (!dry) await atMost(turn());
  try {
    await changeAtService(ids, change, dry, changed, told);
  } catch (error) {
    if (error.status !== 0) throw error;
    // Those whose answer was lost are changed once more, to the same.
    await changeHere(ids.slice(changed.length), change, dry, changed, told);
  }
  if (!dry) await atMost(turn());
  return changed;
}

/** In this browser, to be sent later. @param {string[]} ids @param {Change} change @param {boolean} dry @param {Changed[]} changed */
async function changeHere(ids, { facts = {}, ...own }, dry, changed, told) {
  const changes = named(facts, own);
  const wanted = { ...own, ...facts };
  for (const id of ids) {
    const values = await device.holding(id);
    const known = values === undefined ? { facts: {} } : unflattened(plain(values));
    const now = Object.fromEntries(Object.keys(wanted).map((name) => [name, (Object.hasOwn(facts, name) ? known.facts : known)[name]]));
    const isSame = Object.keys(wanted).every((name) => same(name, now[name], wanted[name]));
    const status = values === undefined ? "refused" : isSame ? "unchanged" : "updated";
    if (status === "updated" && !dry) await device.edit(id, changes);
    changed.push({ id, status, before: present(now), after: present(wanted), message: status === "refused" ? say("here.not_here") : "" });
    told(changed.length);
  }
}

/** Takes back a change of many that went into the outbox. @param {Changed[]} changed @param {Change} change as it was made */
export async function changeBack(changed, { facts = {}, ...own }) {
  for (const { id, before } of changed) {
    const back = (values) => Object.fromEntries(Object.keys(values).map((name) => [name, before[name] ?? null]));
    await device.edit(id, named(back(facts), back(own)));
  }
  await atMost(turn());
}

/** @param {string[]} ids @param {Change} change @param {boolean} dry @param {Changed[]} changed what was told of so far: more is added */
async function changeAtService(ids, { facts = {}, ...own }, dry, changed, told) {
  const columns = { ...own, ...Object.fromEntries(Object.entries(facts).map(([name, value]) => [`facts.${name}`, value])) };
  for (let at = 0; at < ids.length; at += AT_ONCE) {
    const some = ids.slice(at, at + AT_ONCE);
    const query = new URLSearchParams(dry ? { dry_run: "true" } : { skip_refused: "true", name: "web app" });
    const headers = dry ? {} : { "Idempotency-Key": newId() };
    const report = await send("POST", `/v1/holdings/imports?${query}`, { holdings: some.map((id) => ({ id, ...columns })) }, { headers });
    for (const [place, id] of some.entries()) {
      const wrong = report.refused.filter(({ row }) => row === null || row === place + 1).map(({ message }) => message);
      const found = report.items.find((item) => item.id === id);
      const status = wrong.length > 0 ? "refused" : (found?.outcome ?? "unchanged");
      changed.push({ id, status, before: found?.before ?? {}, after: found?.after ?? {}, message: wrong.join("; "), importId: report.import_id });
    }
    told(changed.length);
  }
}

/**
 * Adds a photo to a coin.
 * @param {string} id @param {Blob} file JPEG, PNG or WebP @param {"obverse" | "reverse" | "edge"} side
 */
export async function addPhoto(id, file, side) {
  if (crypto.subtle === undefined) {
    // Without HTTPS a browser does not say a file's digest, by which the device would name it.
    await ask("POST", `/v1/holdings/${id}/photos?side=${side}`, { body: file, headers: { "Idempotency-Key": newId() } });
    return;
  }
  const sha256 = await device.addPhoto(id, await file.arrayBuffer(), side, file.type);
  await sent((mutation) => (mutation.patch.photos ?? []).some((photo) => photo.sha256 === sha256));
  const refused = (await device.refusedPhotos()).find((photo) => photo.sha256 === sha256);
  if (refused !== undefined) throw new Problem(plain(refused.problem));
}

const present = (own) => Object.fromEntries(Object.entries(own).filter(([, value]) => value !== null && value !== undefined));

/** The flat name of a value, and the value, of a coin as the service answers it. */
const valueOf = (data, name) => (Object.hasOwn(data, name) && name !== "facts" ? data[name] : data.facts?.[name.replace(/^facts\./, "")]);

const isEmpty = (value) => value === null || value === undefined || (Array.isArray(value) && value.length === 0);

/** The same where the order of names and a field's default make no difference. */
function same(name, one, other) {
  const usual = { quantity: 1, status: "held" }[name];
  const [a, b] = [one, other].map((value) => (isEmpty(value) || value === usual ? null : value));
  return ordered(a) === ordered(b);
}

const ordered = (value) =>
  JSON.stringify(value, (_, one) =>
    one !== null && typeof one === "object" && !Array.isArray(one) ? Object.fromEntries(Object.entries(one).sort()) : one);

/**
 * The names whose value here is not the one that the owner was looking at. What the view showed may be newer than what this browser has
 * taken, so it takes first; what differs then came after the view was painted.
 */
async function unseen(id, names, seen) {
  // Of a coin that this browser has not taken yet it cannot say whose values they are.
  if ((await device.holding(id)) === undefined) await atMost(turn());
  if (seen === undefined) return [];
  const differing = async () => {
    const here = plain((await device.holding(id)) ?? {});
    return names.filter((name) => !same(name, here[name], valueOf(seen.data, name)));
  };
  if ((await differing()).length === 0) return [];
  await atMost(turn());
  return differing();
}

const atMost = (work) => Promise.race([work, new Promise((done) => setTimeout(done, PATIENCE_SECONDS * 1000))]);

/** Sends it. Throws the service's reason where it refused it: whoever typed it sees that at once, and may type it otherwise. */
async function sent(isIt) {
  await atMost(turn());
  const refused = (await device.attention()).find(({ mutation }) => isIt(mutation));
  if (refused === undefined) return;
  await device.dismiss(refused.mutation.mutation_id, { isNoted: false });
  const error = plain(refused.error);
  // A mutation is refused with messages, a whole request with a problem document.
  const errors = error.errors ?? (error.messages ?? []).map((detail) => ({ detail }));
  throw new Problem({ status: 422, ...error, errors });
}
