// Sending what waits and taking what changed. One request is in flight at a time, and one tab at a time sends. What is sent twice does
// not happen twice, so that a request without an answer is sent again. Nothing is dropped on a refusal, a lost answer, a fresh start.
import { OtherAccount } from "./device.js";
import { read, written } from "./exact.js";
import { byName, flat, isWhole, newId } from "./mutations.js";

const SYNC = "/v1/holdings/sync";
const CHANGES = "/v1/holdings/changes";
const RECORDS = "/v1/holdings/sync/records";
const MOST_SENT = 500;
const MOST_TAKEN = 500;
const MOST_ROUNDS = 4;
const FIRST_PAUSE_SECONDS = 0.2;
const LONGEST_PAUSE_SECONDS = 30;
const ANSWER_SECONDS = 60;
const AGAIN = [408, 429, 500, 502, 503, 504];
// Verdicts if they are problem documents of the service; what others say on the way is none.
const VERDICTS = [400, 413, 422];
// Of a batch also that it may not be compressed; of a photo that there is no room for it, or that its type is not taken.
const BATCH_VERDICTS = [...VERDICTS, 415];
const PHOTO_VERDICTS = [...VERDICTS, 415, 507];
const LOST_HISTORY = "cannot-calculate-changes";
// Shorter bodies are sent as they are.
const WORTH_COMPRESSING = 1000;

/** No usable answer, for now or for these credentials; everything on the device is as it was. `status` 0: no answer at all. */
class Offline extends Error {
  constructor(message, status = 0) {
    super(message);
    this.status = status;
  }
}

/** The service's history does not contain the state that this device knows: a backup was restored, or it was away too long. */
class HistoryGone extends Error {}

/** The request as a whole was refused for what it contains; `problem` is the problem document. */
class RefusedRequest extends Error {
  constructor(problem) {
    super(problem.title ?? "refused");
    this.problem = problem;
    this.status = problem.status;
  }

  /** Whether something is wrong with what stands around the mutations, of which none is to blame. */
  get isAboutTheFrame() {
    const pointers = (this.problem.errors ?? []).map((error) => String(error?.pointer ?? ""));
    return pointers.length > 0 && !pointers.some((pointer) => pointer.startsWith("/mutations"));
  }
}

/**
 * What a sync came to. `isComplete`: everything was sent and everything was taken. `status`: of the answer that ended it, 0 without one.
 * `isElsewhere`: another tab sends now.
 * @typedef {{sent: number, taken: number, isComplete: boolean, problem: (Error & {status?: number}) | null, isElsewhere?: boolean}} Report
 */

/** Syncs the stores of a device with the account of a token. */
export class Sync {
  /**
   * `most` mutations are sent at once. `journalDays` is at least as long as the service's oldest backup; `sleep` waits between tries,
   * `chance` gives numbers from 0 to 1.
   * @param {{device: import("./device.js").Device, token: string, name: string, fetch?: typeof fetch, tries?: number, most?: number,
   *   journalDays?: number, sleep?: (seconds: number) => Promise<void>, chance?: () => number, made?: (now: Date) => string}} of
   */
  constructor({ device, token, name, fetch: fetched, tries = 6, most = MOST_SENT, journalDays = 400, ...given }) {
    const { sleep = pause, chance = Math.random, made = newId } = given;
    this.device = device;
    this.store = device.store;
    this._token = token;
    this._name = name;
    this._journalDays = journalDays;
    this._sleep = sleep;
    this._fetch = fetched ?? ((...asked) => fetch(...asked));
    this._chance = chance;
    this._most = most;
    this._made = made;
    this._mostTries = tries;
    this._tries = tries;
    // The service's clock in its last answer (Date, RFC 9110, section 6.6.1).
    this._serviceTime = null;
    this._ending = new AbortController();
    this._sent = 0;
    this._taken = 0;
  }

  /** Ends what is under way; everything on the device stays as it is. */
  stop() {
    this._ending.abort();
  }

  /** Sends what waits, then takes what changed. Without a network everything is as it was. @returns {Promise<Report>} */
  async run() {
    const elsewhere = { sent: 0, taken: 0, isComplete: false, problem: null, isElsewhere: true };
    // Web Locks are there in a secure context alone; without them two tabs may send the same, which is harmless.
    if (navigator.locks === undefined) return this._run();
    const turn = (lock) => (lock === null ? elsewhere : this._run());
    return navigator.locks.request(`${this.store.name}-sending`, { ifAvailable: true }, turn);
  }

  async _run() {
    this._sent = 0;
    this._taken = 0;
    this._tries = this._mostTries;
    /** @type {(isComplete: boolean, problem?: Error | null) => Report} */
    const report = (isComplete, problem = null) => ({ sent: this._sent, taken: this._taken, isComplete, problem });
    for (let round = 0; round < MOST_ROUNDS; round += 1) {
      let problem = null;
      try {
        await this._ensureAccount();
        // Neither waits for the other: what cannot be sent does not keep others' changes away.
        for (const half of [this._sendAll, this._takeAll, this._sendPhotos]) {
          try {
            await half.call(this);
          } catch (met) {
            if (!(met instanceof Offline || met instanceof RefusedRequest)) throw met;
            problem ??= met;
            // The others may be as badly off: they are not to take as long again.
            this._tries = 1;
          }
        }
      } catch (met) {
        if (met instanceof Offline || met instanceof RefusedRequest || met instanceof OtherAccount) problem = met;
        else if (met instanceof HistoryGone) problem = await this._startOver();
        else throw met;
      }
      if (problem !== null) return report(false, problem);
      const isComplete = await this._isComplete();
      if (isComplete) return report(true);
    }
    return report(false, new Offline("the service's history does not stay"));
  }

  _isComplete() {
    return this.store.view(async (within) => (await within.outboxSize()) === 0 && (await within.note("since")) !== null);
  }

  async _step(work) {
    const found = await this.store.step(async (within) => {
      // Somebody else signed in, or everything was removed, while an answer was on its way.
      if ((await within.note("token")) !== this._token) throw new OtherAccount("the account is another one by now");
      return work(within);
    });
    this.device.changed();
    return found;
  }

  // -- the protocol

  /** An outbox belongs to one account. Asked once for each token, before anything is sent with it. */
  async _ensureAccount() {
    if ((await this.store.view((within) => within.note("token"))) === this._token) return;
    const told = await this._get(SYNC);
    if (typeof told.account !== "string") throw new Offline("an answer that is not the service's");
    await this.store.step(async (within) => {
      const before = await within.note("account");
      if (before !== null && before !== told.account) throw new OtherAccount("edits of another account: nothing was sent");
      await within.setNote("account", told.account);
      await within.setNote("token", this._token);
      await within.setNote("coding", (told.content_encodings ?? []).includes("gzip") ? "gzip" : null);
    });
  }

  async _sendAll() {
    let size = this._most;
    let isCompressed = (await this.store.view((within) => within.note("coding"))) === "gzip";
    for (;;) {
      const [batch, known] = await this.store.view(async (within) => [await within.outbox(size), await within.note("known")]);
      if (batch.length === 0) return;
      let told;
      try {
        told = await this._post(batch, known, isCompressed);
      } catch (refused) {
        if (!(refused instanceof RefusedRequest)) throw refused;
        if (refused.status === 415 && isCompressed) {
          await this._step((within) => within.setNote("coding", null));
          isCompressed = false;
          continue;
        }
        if (refused.status === 415 || refused.isAboutTheFrame) throw refused;
        // Too large, or one that the service cannot even read: the others must not wait for it for ever.
        if (batch.length === 1) await this._step((within) => within.refuse(batch[0], refused.problem));
        size = Math.max(1, Math.floor(batch.length / 2));
        continue;
      }
      const responses = responsesIn(told, batch);
      const wholes = await this._wholesFor(batch, responses);
      await this._step(async (within) => {
        await within.keepRecords(wholes);
        for (const [at, mutation] of batch.entries()) await this._answered(within, mutation, responses[at]);
        await within.noteKnown(told.new_state);
        // The service may have lost what it had: it is sent again.
        for (const sha256 of told.missing_photos ?? []) await within.noteMissing(sha256);
      });
      this._sent += batch.length;
      size = Math.min(2 * size, this._most);
    }
  }

  _post(batch, known, isCompressed) {
    const made = async () => {
      // Anew for each try: it says when it is sent.
      const about = { client_id: this._name, known_state: known, sent_at: this.device.now().toISOString() };
      const text = written({ ...about, mutations: batch });
      const headers = { "Content-Type": "application/json", Prefer: "return=minimal" };
      const isShort = text.length < WORTH_COMPRESSING;
      if (!isCompressed || isShort || globalThis.CompressionStream === undefined) return { body: text, headers };
      const packed = new Blob([text]).stream().pipeThrough(new CompressionStream("gzip"));
      return { body: await new Response(packed).arrayBuffer(), headers: { ...headers, "Content-Encoding": "gzip" } };
    };
    return this._ask("POST", `${SYNC}?writers=grouped`, made, BATCH_VERDICTS);
  }

  /** Whole records in place of parts, before a copy is sent of them: a part is no copy. Where the service has none, the part stays. */
  async _wholesFor(batch, responses) {
    const wanted = batch.filter((_, at) => isNotFound(responses[at])).map((mutation) => mutation.id);
    const parts = await this.store.view(async (within) => {
      const copies = await Promise.all(wanted.map((id) => within.copyOf(id)));
      return copies.filter((copy) => copy?.partial === true).map((copy) => copy.id);
    });
    if (parts.length === 0) return [];
    const told = await this._get(`${RECORDS}?${new URLSearchParams({ ids: parts.slice(0, 100).join(","), writers: "grouped" })}`);
    return (told.list ?? []).map(byName);
  }

  async _answered(within, mutation, response) {
    if (response.status !== "rejected") {
      await within.acknowledge(mutation, this._serviceTime);
      return;
    }
    const copy = await within.copyOf(mutation.id);
    const isWanted = isNotFound(response) && isWhole(copy);
    const isCopied = isWanted && (await within.enqueueCopy(this._wholeCopy(mutation, copy), mutation.mutation_id));
    if (!isCopied) await within.refuse(mutation, response.error ?? {});
  }

  /** What the service gets before a mutation of a holding that it does not know: each value with the writer it had. */
  _wholeCopy(mutation, known) {
    return {
      mutation_id: this._made(this.device.now()),
      op: "create",
      id: mutation.id,
      patch: flat(known),
      writers: known.writers ?? {},
      edited_at: mutation.edited_at,
    };
  }

  async _takeAll() {
    for (let hasMore = true; hasMore; ) {
      const [since, known] = await this.store.view(async (within) => [await within.note("since"), await within.note("known")]);
      const query = new URLSearchParams({ limit: String(MOST_TAKEN), writers: "grouped" });
      if (since !== null) query.set("since", since);
      if (known !== null) query.set("known_state", known);
      const page = await this._get(`${CHANGES}?${query}`);
      if (!["list", "new_state", "has_more_changes"].every((name) => Object.hasOwn(page, name))) {
        throw new Offline("an answer that is not the service's");
      }
      hasMore = page.has_more_changes;
      await this._step(async (within) => {
        await within.keepRecords(page.list.map(byName));
        await within.setNote("since", page.new_state);
        await within.noteKnown(page.new_state);
        if (hasMore) return;
        await within.nothingIsRecent(this._serviceTime, this._journalDays);
        await within.setNote("synced", this.device.now().toISOString());
      });
      this._taken += page.list.length;
    }
  }

  async _sendPhotos() {
    for (const sha256 of await this.store.view((within) => within.unsentPhotos())) {
      const { kind, content } = await this.store.view((within) => within.photo(sha256));
      let problem = null;
      try {
        await this._ask("PUT", `/v1/photos/${sha256}`, () => ({ body: content, headers: { "Content-Type": kind } }), PHOTO_VERDICTS);
      } catch (refused) {
        if (!(refused instanceof RefusedRequest)) throw refused;
        problem = refused.problem;
      }
      await this._step((within) => within.notePhoto(sha256, problem === null, problem));
    }
  }

  /**
   * The service's history is not the one that this device knew: everything is sent again and everything taken anew. Null, or what
   * stands against it.
   */
  async _startOver() {
    try {
      await this._step(async (within) => {
        await within.sendAllAgain();
        await within.setRecordsAside();
        await within.setNote("since", null);
        await within.setNote("known", null);
      });
    } catch (met) {
      if (met instanceof OtherAccount) return met;
      throw met;
    }
    return null;
  }

  // -- one request

  _get(path) {
    return this._ask("GET", path, () => ({ headers: {} }), VERDICTS);
  }

  /** The JSON of the answer. Throws Offline, HistoryGone, RefusedRequest. */
  async _ask(method, path, made, verdicts) {
    let trouble = new Offline("no answer");
    for (let number = 0; number < this._tries; number += 1) {
      if (this._ending.signal.aborted) throw new Offline("ended");
      const answer = await this._answer(method, path, await made());
      let asked = 0;
      if (answer !== null) {
        // A line that was cut may be answered by somebody on the way; no verdict on the content.
        const isCut = answer.status === 400 && !isProblem(answer.told);
        if (!AGAIN.includes(answer.status) && !isCut) return this._read(answer, verdicts);
        trouble = new Offline(String(answer.status), answer.status);
        if (/^\d+$/.test(answer.retryAfter)) asked = Math.min(Number(answer.retryAfter), LONGEST_PAUSE_SECONDS);
      }
      if (number < this._tries - 1) {
        // Jitter: devices that lost the service together do not come back together.
        const backoff = Math.min(FIRST_PAUSE_SECONDS * 2 ** number, LONGEST_PAUSE_SECONDS);
        await this._sleep(asked + backoff * (0.5 + this._chance()));
      }
    }
    throw trouble;
  }

  /** Null where none came, be it that it broke off. */
  async _answer(method, path, { body, headers }) {
    const signal = AbortSignal.any([this._ending.signal, AbortSignal.timeout(ANSWER_SECONDS * 1000)]);
    try {
      const sent = { Accept: "application/json", Authorization: `Bearer ${this._token}`, ...headers };
      // An answer from the HTTP cache would look like one of the service.
      const answer = await this._fetch(path, { method, headers: sent, body, cache: "no-store", signal });
      const text = await answer.text();
      let told = null;
      try {
        told = read(text);
      } catch {
        // A page of the café's network, say.
      }
      return { status: answer.status, told, retryAfter: answer.headers.get("Retry-After") ?? "", date: answer.headers.get("Date") };
    } catch {
      return null;
    }
  }

  _read({ status, told, date }, verdicts) {
    if (told === null || typeof told !== "object" || Array.isArray(told)) throw new Offline(`${status} that is not the service's`, status);
    if (status === 410 && String(told.type ?? "").endsWith(LOST_HISTORY)) throw new HistoryGone(LOST_HISTORY);
    if (verdicts.includes(status) && isProblem(told)) throw new RefusedRequest(told);
    if (status !== 200 && status !== 201) throw new Offline(`${status} ${told.title ?? ""}`.trim(), status);
    const moment = Date.parse(date ?? "");
    if (!Number.isNaN(moment)) this._serviceTime = new Date(moment);
    return told;
  }
}

const pause = (seconds) => new Promise((done) => setTimeout(done, seconds * 1000));

const isNotFound = (response) => response.status === "rejected" && response.error?.type === "not-found";

/** Whether it is a problem document of the service (RFC 9457), whose types are addresses of its own. */
const isProblem = (told) => typeof told?.type === "string" && told.type.includes("/problems/") && Object.hasOwn(told, "status");

/** @returns {object[]} one for each mutation, in order */
function responsesIn(told, batch) {
  const responses = Array.isArray(told.responses) ? told.responses : [];
  const isForBatch = responses.length === batch.length && responses.every((one, at) => one?.mutation_id === batch[at].mutation_id);
  if (!isForBatch || typeof told.new_state !== "string") throw new Offline("an answer that is not the service's");
  return responses;
}
