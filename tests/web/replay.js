// Runs the app's device through the steps of a transcript (tests/client/transcripts): what it asked, and what it has after each step.
import { wipe } from "./kept/database.js";
import { Device } from "./kept/device.js";
// A planted fault is not to be in what looks at it.
import { read, written } from "/app/kept/exact.js";
import { Store } from "./kept/store.js";
import { Sync } from "./kept/sync.js";

const TRIES = 6;

async function bodyOf(sent) {
  if (sent.body === undefined) return {};
  const type = sent.headers["Content-Type"];
  if (type.startsWith("image/")) {
    return { media_type: type, base64: btoa(String.fromCharCode(...new Uint8Array(sent.body))) };
  }
  let stream = new Blob([sent.body]).stream();
  if (sent.headers["Content-Encoding"] === "gzip") stream = stream.pipeThrough(new DecompressionStream("gzip"));
  return { body: read(await new Response(stream).text()) };
}

/** The answers of a step one after the other; then none. */
function answering(exchanges, asked) {
  const left = [...exchanges];
  return async (path, sent) => {
    const at = new URL(path, location.href);
    const prefer = sent.headers.Prefer === undefined ? {} : { prefer: sent.headers.Prefer };
    asked.push({ method: sent.method, path: at.pathname, query: Object.fromEntries(at.searchParams), ...prefer, ...(await bodyOf(sent)) });
    const answer = left.shift()?.answer ?? null;
    if (answer === null) throw new TypeError("no answer");
    return new Response(written(answer.body), { status: answer.status, headers: answer.headers });
  };
}

export async function act(device, step) {
  const { holding, changes } = step;
  switch (step.action) {
    case "record": return device.create(step.facts, step.fields);
    case "edit": return device.edit(holding, changes);
    case "delete": return device.delete(holding);
    case "revive": return device.revive(holding, changes);
    case "dismiss": return device.dismiss(step.mutation_id);
    case "resolve": {
      const found = (await device.conflicts()).find((one) => one.holding === holding && one.conflict.kind === step.kind);
      return device.resolve(holding, found.conflict, { takeOther: step.take_other });
    }
    case "add_photo": {
      const content = Uint8Array.from(atob(step.base64), (letter) => letter.charCodeAt(0)).buffer;
      return device.addPhoto(holding, content, step.side, step.media_type);
    }
    default: throw new Error(step.action);
  }
}

export async function storeOf(device) {
  const { store } = device;
  return {
    holdings: Object.fromEntries(await device.holdings()),
    conflicts: await device.conflicts(),
    outbox: await store.view((within) => within.outbox()),
    journal: (await store.view((within) => within.journal())).map((mutation) => mutation.mutation_id),
    attention: await device.attention(),
    unsent_photos: await store.view((within) => within.unsentPhotos()),
    since: await store.view((within) => within.note("since")),
    known_state: await store.view((within) => within.note("known")),
  };
}

/** @param {string} name of its stores @param {string} text the transcript */
export async function replay(name, text) {
  const found = [];
  for (const step of read(text).steps) {
    if (step.step === "elsewhere") continue;
    const ids = [...(step.ids ?? [])];
    const made = () => ids.shift() ?? "no id was told";
    // Anew for each step: what is not stored is lost.
    const device = new Device({ store: new Store(name), now: () => new Date(step.at), newId: made });
    const asked = [];
    const told = { asked };
    try {
      if (step.step === "owner") await act(device, step);
      else {
        const answers = answering(step.exchanges, asked);
        const sync = new Sync({
          device, made, token: step.token ?? "token", name: "phone", fetch: answers, tries: TRIES, sleep: async () => {}, chance: () => 0,
        });
        told.is_complete = (await sync.run()).isComplete;
      }
      told.store = await storeOf(device);
    } catch (error) {
      told.error = `${error.name}: ${error.message}`;
    }
    found.push(told);
    if (told.error !== undefined) break;
  }
  await wipe(name);
  return written(found);
}
