// What a device keeps: records as the service last had them, an outbox of mutations that were not acknowledged, a journal of all
// that were, what needs its owner's attention, and photos. Every step is one transaction of IndexedDB, so that the page may be
// killed anywhere. The journal is kept as long as the oldest backup of the service may be, by the service's clock: after a restore
// it brings back what the service lost.
import { DEVICE, KEPT, NAME, clearKept, database, entriesFrom } from "./database.js";
import { isNewer } from "./mutations.js";

const STORES = Object.keys(DEVICE);

/** The stores of one device. */
export class Store {
  constructor(name = NAME) {
    this.name = name;
  }

  /**
   * Everything that `work` does happens, or nothing does. It may wait for the stores alone: a transaction ends when nothing more is
   * asked of it. @template T @param {(within: Within) => Promise<T>} work @returns {Promise<T>}
   */
  async step(work) {
    // "strict": when an edit is said to be kept, a loss of power does not take it.
    return run((await database(this.name)).transaction(STORES, "readwrite", { durability: "strict" }), work);
  }

  /** A step that has what is kept by key as well: who is signed in, drafts. @template T @param {(within: Within) => Promise<T>} work */
  async wholeStep(work) {
    return run((await database(this.name)).transaction([...STORES, KEPT], "readwrite", { durability: "strict" }), work);
  }

  /** What `work` reads is of one moment, whatever other tabs do. @template T @param {(within: Within) => Promise<T>} work */
  async view(work) {
    return run((await database(this.name)).transaction(STORES, "readonly"), work);
  }
}

async function run(transaction, work) {
  try {
    const found = await work(new Within(transaction));
    await transaction.done;
    return found;
  } catch (error) {
    const ended = transaction.done.catch(() => {});
    try {
      transaction.abort();
    } catch {
      // It has ended by itself.
    }
    await ended;
    throw error;
  }
}

/** The stores within one transaction. */
class Within {
  constructor(transaction) {
    this._record = transaction.objectStore("record");
    this._outbox = transaction.objectStore("outbox");
    this._journal = transaction.objectStore("journal");
    this._attention = transaction.objectStore("attention");
    this._photo = transaction.objectStore("photo");
    this._note = transaction.objectStore("note");
    this._kept = transaction.objectStoreNames.contains(KEPT) ? transaction.objectStore(KEPT) : null;
  }

  // -- records

  /** The record as the service last had it, or the marker of a destroyed one. */
  async record(id) {
    const found = await this._record.get(id);
    return found?.is_current ? found.content : undefined;
  }

  /** The last copy that was not destroyed, be it from before a fresh start. */
  async copyOf(id) {
    return aliveIn(await this._record.get(id));
  }

  /** Those that the service has, in the order of ids. */
  async records() {
    return (await this._record.getAll()).filter((one) => one.is_current).map((one) => one.content);
  }

  /** Those of them that have conflicts. */
  async openRecords() {
    return (await this._record.index("is_open").getAll()).filter((one) => one.is_current).map((one) => one.content);
  }

  async keepRecords(records) {
    for (const content of records) {
      const kept = { id: content.id, content, is_current: true };
      if (content.conflicts?.length > 0) kept.is_open = 1;
      if (content.destroyed) kept.alive = aliveIn(await this._record.get(content.id));
      await this._record.put(kept);
    }
  }

  /** A fresh start: what is here is no longer what the service has, and may be needed as a copy. */
  async setRecordsAside() {
    for (let at = await this._record.openCursor(); at; at = await at.continue()) {
      await at.update({ ...at.value, is_current: false });
    }
  }

  // -- mutations

  /** In the order in which they are sent. @returns {Promise<import("./mutations.js").Mutation[]>} */
  async outbox(most) {
    return (await this._outbox.getAll(null, most)).map((one) => one.mutation);
  }

  outboxSize() {
    return this._outbox.count();
  }

  async enqueue(mutation) {
    const last = await this._outbox.openKeyCursor(null, "prev");
    await this._outbox.add({ at: (last?.key ?? 0) + 1, mutation, has_copy: false });
  }

  /** Puts the copy right before a mutation; false where that was done before. */
  async enqueueCopy(copy, before) {
    const found = await this._outbox.index("mutation_id").get(before);
    if (found === undefined || found.has_copy) return false;
    const earlier = await this._outbox.openKeyCursor(IDBKeyRange.upperBound(found.at, true), "prev");
    await this._outbox.add({ at: ((earlier?.key ?? found.at - 1) + found.at) / 2, mutation: copy, has_copy: false });
    await this._outbox.put({ ...found, has_copy: true });
    return true;
  }

  /** The journal becomes the beginning of the outbox. */
  async sendAllAgain() {
    const waiting = await this.outbox();
    const ids = new Set(waiting.map((mutation) => mutation.mutation_id));
    const earlier = (await this.journal()).filter((mutation) => !ids.has(mutation.mutation_id));
    await this._outbox.clear();
    await this._journal.clear();
    let at = 0;
    for (const mutation of [...earlier, ...waiting]) await this._outbox.add({ at: (at += 1), mutation, has_copy: false });
  }

  /** Whether the mutation waits here, was acknowledged, or needs attention. */
  async knows(id) {
    for (const store of [this._outbox, this._journal, this._attention]) {
      if ((await store.index("mutation_id").getKey(id)) !== undefined) return true;
    }
    return false;
  }

  /**
   * From the outbox into the journal; it counts as recent until all changes were taken. @param {Date | null} now the service's
   * clock, null where it did not say it
   */
  async acknowledge(mutation, now) {
    await this.leaveOutbox(mutation.mutation_id);
    if ((await this._journal.index("mutation_id").getKey(mutation.mutation_id)) !== undefined) return;
    await this._journal.add({ mutation, is_recent: true, acknowledged_at: now });
  }

  /** From the outbox to what needs attention: nothing that the owner did is dropped. */
  async refuse(mutation, error) {
    await this.leaveOutbox(mutation.mutation_id);
    await this.dismiss(mutation.mutation_id);
    await this._attention.add({ mutation, error });
  }

  async leaveOutbox(id) {
    const at = await this._outbox.index("mutation_id").getKey(id);
    if (at !== undefined) await this._outbox.delete(at);
  }

  async journal({ recentOnly = false } = {}) {
    return (await this._journal.getAll()).filter((one) => one.is_recent || !recentOnly).map((one) => one.mutation);
  }

  /**
   * Everything acknowledged is in the records; what is older than any backup is not needed for a restore either. @param {Date | null}
   * now the service's clock; null where it did not say it: then nothing is forgotten @param {number} keptDays
   */
  async nothingIsRecent(now, keptDays) {
    const oldest = now === null ? null : new Date(now.getTime() - keptDays * 86_400_000);
    for (let at = await this._journal.openCursor(); at; at = await at.continue()) {
      const acknowledged = at.value.acknowledged_at ?? now;
      if (oldest !== null && acknowledged < oldest) await at.delete();
      else if (at.value.is_recent || at.value.acknowledged_at !== acknowledged) {
        await at.update({ ...at.value, is_recent: false, acknowledged_at: acknowledged });
      }
    }
  }

  /** What was done since the records here were taken: acknowledged or not. */
  async pending() {
    return [...(await this.journal({ recentOnly: true })), ...(await this.outbox())];
  }

  /** Refused mutations with the reason. */
  attention() {
    return this._attention.getAll();
  }

  attentionSize() {
    return this._attention.count();
  }

  /** A refused mutation is dealt with. @returns {Promise<{mutation: object, error: object} | undefined>} what it was */
  async dismiss(id) {
    const found = await this._attention.index("mutation_id").get(id);
    if (found !== undefined) await this._attention.delete(found.at);
    return found;
  }

  // -- photos

  async keepPhoto(sha256, kind, content) {
    if ((await this._photo.getKey(sha256)) !== undefined) return;
    // In the order in which they were taken.
    const at = (await this.note("photos")) ?? 0;
    await this.setNote("photos", at + 1);
    await this._photo.add({ sha256, at, kind, content, is_sent: false, problem: null });
  }

  /** Media type and bytes of a photo that was taken here. @returns {Promise<{kind: string, content: ArrayBuffer} | undefined>} */
  photo(sha256) {
    return this._photo.get(sha256);
  }

  async photos(which) {
    return (await this._photo.getAll()).filter(which).sort((one, other) => one.at - other.at);
  }

  /** Those that were neither sent nor refused. */
  async unsentPhotos() {
    return (await this.photos((one) => !one.is_sent && one.problem === null)).map((one) => one.sha256);
  }

  async refusedPhotos() {
    return (await this.photos((one) => one.problem !== null)).map(({ sha256, problem }) => ({ sha256, problem }));
  }

  async notePhoto(sha256, isSent, problem = null) {
    const found = await this._photo.get(sha256);
    if (found !== undefined) await this._photo.put({ ...found, is_sent: isSent, problem });
  }

  /** The service has not got it, or not any more; one that it refused is left to the owner. */
  async noteMissing(sha256) {
    const found = await this._photo.get(sha256);
    if (found !== undefined && found.problem === null) await this._photo.put({ ...found, is_sent: false });
  }

  // -- notes

  async note(name) {
    return (await this._note.get(name)) ?? null;
  }

  setNote(name, value) {
    return this._note.put(value, name);
  }

  /** Notes a state that an answer had: the greatest of all is the one that is known. */
  async noteKnown(state) {
    if (isNewer(state, await this.note("known"))) await this.setNote("known", state);
  }

  // -- what is kept by key, in a whole step

  /** @param {string} start @returns {Promise<[string, any][]>} */
  keptFrom(start) {
    return entriesFrom(this._kept, start);
  }

  keep(key, value) {
    return this._kept.put(value, key);
  }

  /** Nothing is left of the account: its coins, need sheets, a tray, columns of the table. */
  async clear() {
    for (const name of STORES) await this[`_${name}`].clear();
    await clearKept(this._kept);
  }
}

const aliveIn = (kept) => (kept === undefined || !kept.content.destroyed ? kept?.content : kept.alive);
