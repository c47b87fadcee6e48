// A device of one owner: what it shows, what it queues. `from` is fixed when the owner edits and never computed again when sending: it
// says whose value the owner was looking at, the device's own pending edit before the service's.
import { written, read } from "./exact.js";
import { flat, named, newId, sha256Of } from "./mutations.js";
import { Store } from "./store.js";

export const UNSENT = "unsent-edits/1";
// What later deletes name of a revival that changed nothing else.
const REVIVAL = "~revive";
const DECIDED = "decided";
const UNDO_MINUTES = 10;
const SOON_MILLISECONDS = 40;

/** The file, or the stores, belong to another account. */
export class OtherAccount extends Error {}

/** Names of flat values to values. @typedef {Record<string, unknown>} Values */

export class Device {
  /** @param {{store?: Store, now?: () => Date, newId?: (now: Date) => string}} [of] */
  constructor({ store = new Store(), now = () => new Date(), newId: made = newId } = {}) {
    this.store = store;
    this.now = now;
    this._made = made;
    /** @type {Set<() => void>} */
    this._watching = new Set();
  }

  /** Calls `then` after each change that this page makes of what the device has. @param {() => void} then */
  watch(then) {
    this._watching.add(then);
    return () => this._watching.delete(then);
  }

  /** Says that something of what the device has may have changed. */
  changed() {
    // A sync has many steps; one after the other at once, nobody looks at each.
    this._soon ??= setTimeout(() => {
      this._soon = undefined;
      for (const then of [...this._watching]) then();
    }, SOON_MILLISECONDS);
  }

  async _step(work) {
    const found = await this.store.step(work);
    this.changed();
    return found;
  }

  // -- what the owner sees

  /**
   * Every holding as the owner sees it: by id, flat names and values, the pending edits on top.
   * @returns {Promise<Map<string, Values>>}
   */
  holdings() {
    return this.store.view(async (within) => shown(within, await within.records(), await within.pending()));
  }

  /** One of them, or undefined. @param {string} id @returns {Promise<Values | undefined>} */
  holding(id) {
    return this.store.view(async (within) => shownOne(within, id));
  }

  /** Flat names and values that were changed here and are not in what the service told; null: removed. @returns {Promise<Values>} */
  pendingOf(id) {
    return this.store.view(async (within) => {
      const mine = (await within.outbox()).filter((mutation) => mutation.id === id);
      return Object.assign({}, ...mine.map((mutation) => mutation.patch));
    });
  }

  /** What two devices did without seeing each other. @returns {Promise<{holding: string, conflict: object}[]>} */
  conflicts() {
    return this.store.view(async (within) =>
      (await within.openRecords()).flatMap((record) => record.conflicts.map((conflict) => ({ holding: record.id, conflict }))));
  }

  /**
   * Those that the owner has not decided yet, with the writers of what is shown: a decision that waits to be sent is one.
   * @returns {Promise<{holding: string, conflict: object, writers: Record<string, string>}[]>}
   */
  open() {
    return this.store.view(async (within) => {
      const decided = new Set((await within.pending()).flatMap((mutation) => mutation.resolves ?? []));
      const records = await within.openRecords();
      const found = [];
      for (const { id, conflicts } of records) {
        const writers = await seenBy(within, id);
        found.push(...conflicts.filter((one) => !decided.has(one.id)).map((conflict) => ({ holding: id, conflict, writers })));
      }
      return found;
    });
  }

  /** The mutations that were made here. @returns {Promise<Set<string>>} */
  async made() {
    const mutations = await this.store.view(async (within) => [...(await within.journal()), ...(await within.outbox())]);
    return new Set(mutations.map((mutation) => mutation.mutation_id));
  }

  /** What the service refused, with its reason, until the owner dismisses it. @returns {Promise<{mutation: object, error: object}[]>} */
  async attention() {
    return (await this.store.view((within) => within.attention())).map(({ mutation, error }) => ({ mutation, error }));
  }

  /** Photos (their SHA-256) that the service does not take, with its reason; their bytes are still here. */
  refusedPhotos() {
    return this.store.view((within) => within.refusedPhotos());
  }

  /**
   * How much waits: conflicts to be decided, edits and photos to be sent, and what was refused. `synced`: when everything was last sent and taken.
   * @returns {Promise<{open: number, unsent: number, refused: number, synced: string | null}>}
   */
  async waiting() {
    const open = await this.open();
    return this.store.view(async (within) => ({
      open: open.length,
      unsent: (await within.outboxSize()) + (await within.unsentPhotos()).length,
      refused: (await within.attentionSize()) + (await within.refusedPhotos()).length,
      synced: await within.note("synced"),
    }));
  }

  // -- what the owner does

  /**
   * A new holding with these facts and own fields; its id. With the same id a second time it is recorded once.
   * @param {Values} facts @param {Values} [own] @param {string} [id]
   */
  async create(facts, own = {}, id = this._made(this.now())) {
    await this._step(async (within) => {
      const known = (await within.record(id)) ?? (await within.pending()).find((one) => one.id === id && one.op === "create");
      if (known === undefined) await this._queue(within, "create", id, named(facts, own), {});
    });
    return id;
  }

  /**
   * Changes by flat name; null removes what is recorded. @param {string} id @param {Values} changes
   * @param {string[]} [unseen] names whose value now the owner was not looking at @returns {Promise<string>} the mutation
   */
  edit(id, changes, unseen = []) {
    return this._step((within) => this._edit(within, id, changes, {}, unseen));
  }

  /** Undoes the delete that the owner saw, and no later one. @param {string} id @param {Values} [changes] */
  revive(id, changes = {}) {
    return this._step(async (within) => {
      const record = await within.record(id);
      const own = (await within.pending()).filter((one) => one.id === id && one.op === "destroy").map((one) => one.mutation_id);
      const told = record?.destroyed ? [record.destroyed_by] : [];
      return this._edit(within, id, changes, { revive: true, resolves: [...told, ...own] });
    });
  }

  /** @param {string} id @param {string[]} [unseen] names whose value now the owner was not looking at */
  delete(id, unseen = []) {
    return this._step((within) => this._delete(within, id, unseen));
  }

  /**
   * Decides a conflict: for what is shown, or for the other value, the delete, the patch that did not go together.
   * @param {string} id @param {{id: string, kind: string, attribute?: string, value?: unknown, patch?: object | null}} conflict @param {{takeOther: boolean}} how
   */
  resolve(id, conflict, { takeOther }) {
    if (takeOther && !["value", "destroy", "invalid_merge"].includes(conflict.kind)) {
      // It is kept and shown; what its other side is, only a newer client knows.
      throw new RangeError(`a conflict of kind '${conflict.kind}' can only be decided for what is shown`);
    }
    let changes = {};
    if (takeOther) changes = conflict.kind === "value" ? { [String(conflict.attribute)]: conflict.value } : (conflict.patch ?? {});
    return this._decide(id, conflict, takeOther && conflict.kind === "destroy" ? null : changes);
  }

  /** Decides a conflict of values by another value, such as one of both. */
  resolveWith(id, conflict, value) {
    return this._decide(id, conflict, { [conflict.attribute]: value });
  }

  _decide(id, conflict, changes) {
    return this._step(async (within) => {
      const before = (await shownOne(within, id)) ?? {};
      const mutation = changes === null
        ? await this._delete(within, id)
        : await this._edit(within, id, changes, { resolves: [conflict.id] });
      await this._note(within, { kind: "conflict", holding: id, conflict, mutation, before, changes });
    });
  }

  /** The owner has dealt with a refusal; it can be undone for a while where it is noted. @param {string} mutation its id */
  dismiss(mutation, { isNoted = true } = {}) {
    return this._step(async (within) => {
      const refused = await within.dismiss(mutation);
      if (refused !== undefined && isNoted) await this._note(within, { kind: "refused", holding: refused.mutation.id, mutation, refused });
    });
  }

  /** What was refused goes back to the outbox as it was, for a service that may take it by now. */
  sendAgain(mutation) {
    return this._step(async (within) => {
      const refused = await within.dismiss(mutation);
      if (refused !== undefined) await within.enqueue(refused.mutation);
    });
  }

  // -- what the owner decided may be undone for a while

  async _note(within, decided) {
    const at = this.now();
    const still = stillOpen((await within.note(DECIDED)) ?? [], at);
    await within.setNote(DECIDED, [...still, { ...decided, at: at.toISOString() }]);
  }

  /** Decisions of the last ten minutes, the newest first. */
  async decided() {
    const all = (await this.store.view((within) => within.note(DECIDED))) ?? [];
    return stillOpen(all, this.now()).reverse();
  }

  /**
   * Takes a decision back. Nothing that was sent is unsaid: what was shown is written again, and the other side of a conflict once
   * more, as by somebody who saw neither; so the service asks as it did before. @param {string} mutation of the decision
   */
  undo(mutation) {
    return this._step(async (within) => {
      const all = (await within.note(DECIDED)) ?? [];
      const decided = stillOpen(all, this.now()).find((one) => one.mutation === mutation);
      if (decided === undefined) return;
      await within.setNote(DECIDED, all.filter((one) => one.mutation !== mutation));
      if (decided.kind === "refused") {
        await within.refuse(decided.refused.mutation, decided.refused.error);
        return;
      }
      await this._undoConflict(within, decided);
    });
  }

  async _undoConflict(within, { holding: id, conflict, mutation, before, changes }) {
    if (changes === null) {
      const record = await within.record(id);
      const resolves = [record?.destroyed ? record.destroyed_by : mutation];
      await this._edit(within, id, {}, { revive: true, resolves });
      return;
    }
    const back = Object.fromEntries(Object.keys(changes).map((name) => [name, before[name] ?? null]));
    if (Object.keys(back).length > 0) await this._edit(within, id, back);
    const more = { edited_at: conflict.edited_at };
    if (conflict.kind === "destroy") await this._queue(within, "destroy", id, {}, {}, { ...more, resolves: [] });
    const other = conflict.kind === "value" ? { [conflict.attribute]: conflict.value } : conflict.patch;
    if (conflict.kind === "value" || conflict.kind === "invalid_merge") {
      const unseen = Object.fromEntries(Object.keys(other).map((name) => [name, null]));
      await this._queue(within, "update", id, other, unseen, more);
    }
  }

  // -- photos

  /**
   * A photo of a holding; its SHA-256. The bytes are sent by themselves. @param {string} id @param {ArrayBuffer} content
   * @param {"obverse" | "reverse" | "edge"} side @param {string} kind its media type @param {Date | null} [takenAt]
   */
  async addPhoto(id, content, side, kind, takenAt = null) {
    const sha256 = await sha256Of(content);
    await this._step(async (within) => {
      await within.keepPhoto(sha256, kind, content);
      const there = (await shownOne(within, id))?.photos ?? [];
      const added = { sha256, side, taken_at: takenAt === null ? null : takenAt.toISOString() };
      if (there.some((one) => one.sha256 === sha256 && one.side === side)) return;
      await this._edit(within, id, { photos: [...there, added] });
    });
    return sha256;
  }

  // -- unsent edits as a file

  /** What waits here, photos too, as the text of a file that any device of the account can take in; and how many edits. */
  async saveUnsent() {
    const { waiting, account, photos } = await this.store.view(async (within) => ({
      waiting: await within.outbox(),
      account: await within.note("account"),
      photos: await within.photos((one) => !one.is_sent && one.problem === null),
    }));
    const told = photos.map(({ sha256, kind, content }) => ({ sha256, media_type: kind, base64: base64Of(content) }));
    return { text: written({ format: UNSENT, account, mutations: waiting, photos: told }), n: waiting.length };
  }

  /**
   * Puts the edits of such a file behind those that wait here, unless they are known; how many. Their ids make it harmless that two
   * devices send them. @param {string} text @throws {OtherAccount} @throws {SyntaxError} for what is no such file
   */
  async takeIn(text) {
    const told = read(text);
    if (told?.format !== UNSENT || !Array.isArray(told.mutations)) throw new SyntaxError("no file of unsent edits");
    const photos = await Promise.all((told.photos ?? []).map(async (photo) => {
      const content = Uint8Array.from(atob(photo.base64), (letter) => letter.charCodeAt(0)).buffer;
      return { kind: photo.media_type, content, sha256: await sha256Of(content) };
    }));
    return this._step(async (within) => {
      const mine = await within.note("account");
      if (mine !== null && told.account !== null && mine !== told.account) throw new OtherAccount("edits of another account");
      let n = 0;
      for (const mutation of told.mutations) {
        if (await within.knows(mutation.mutation_id)) continue;
        await within.enqueue(mutation);
        n += 1;
      }
      for (const { sha256, kind, content } of photos) await within.keepPhoto(sha256, kind, content);
      return n;
    });
  }

  // -- within a step

  async _edit(within, id, changes, more = {}, unseen = []) {
    const seen = await seenBy(within, id);
    const from = Object.fromEntries(Object.keys(changes).map((name) => [name, unseen.includes(name) ? null : (seen[name] ?? null)]));
    return this._queue(within, "update", id, changes, from, more);
  }

  async _delete(within, id, unseen = []) {
    const record = await within.record(id);
    const resolves = (record?.conflicts ?? []).map((conflict) => conflict.id);
    const seen = Object.entries(await seenBy(within, id)).filter(([name]) => !unseen.includes(name));
    return this._queue(within, "destroy", id, {}, Object.fromEntries(seen), { resolves });
  }

  async _queue(within, op, id, patch, from, more = {}) {
    const now = this.now();
    const mutation = { mutation_id: this._made(now), op, id, patch, from, edited_at: now.toISOString(), ...more };
    await within.enqueue(mutation);
    return mutation.mutation_id;
  }
}

const stillOpen = (decided, now) => decided.filter(({ at }) => now.getTime() - Date.parse(at) < UNDO_MINUTES * 60_000);

/** Every holding as the owner sees it. */
async function shown(within, records, pending) {
  const found = new Map(records.filter((record) => !record.destroyed).map((record) => [record.id, flat(record)]));
  for (const mutation of pending) {
    const { id, op } = mutation;
    if (op === "destroy") {
      found.delete(id);
      continue;
    }
    let before = found.get(id);
    if (before === undefined) before = op === "update" ? flat((await within.copyOf(id)) ?? {}) : {};
    // A mere copy changes nothing that is there.
    else if (mutation.writers !== undefined) continue;
    const values = Object.entries({ ...before, ...mutation.patch });
    found.set(id, Object.fromEntries(values.filter(([, value]) => value !== null)));
  }
  return found;
}

async function shownOne(within, id) {
  const record = await within.record(id);
  const pending = (await within.pending()).filter((one) => one.id === id);
  return (await shown(within, record === undefined ? [] : [record], pending)).get(id);
}

/** Whose value of each name the owner is looking at. */
async function seenBy(within, id) {
  let record = await within.record(id);
  // The marker does not say who wrote what was deleted; the copy from before does, and is what the owner saw.
  if (record === undefined || record.destroyed) record = await within.copyOf(id);
  const writers = { ...record?.writers };
  for (const mutation of await within.pending()) {
    if (mutation.id !== id) continue;
    for (const name of Object.keys(mutation.patch)) writers[name] = mutation.writers?.[name] ?? mutation.mutation_id;
    if (mutation.revive && Object.keys(mutation.patch).length === 0) writers[REVIVAL] = mutation.mutation_id;
  }
  return writers;
}

/** In parts: an argument list has its limits. @param {ArrayBuffer} content */
function base64Of(content) {
  const bytes = new Uint8Array(content);
  let text = "";
  for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
  return btoa(text);
}
