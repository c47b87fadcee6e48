// Devices of the simulator of sync, each with stores of its own: what a driver asks of them, one call after the other. Requests are
// handed to the driver, which answers them or does not; the page may be gone at any moment.
import { wipe } from "./kept/database.js";
import { Device } from "./kept/device.js";
import { Store } from "./kept/store.js";
import { Sync } from "./kept/sync.js";
import { plain, written } from "/app/kept/exact.js";

let waiting = null;
let told = null;
const answered = () => new Promise((done) => (told = done));

/** A device as it is now: `at` is its clock, `next` the number of the next id that it makes. */
function deviceOf({ name, at, next }) {
  let number = next;
  const newId = () => `${String((number += 1)).padStart(5, "0")}-${name.split(" ").pop()}`;
  return { device: new Device({ store: new Store(name), now: () => new Date(at), newId }), newId, used: () => number };
}

async function summary({ device, used }) {
  return { used: used(), outbox: await device.store.view((within) => within.outbox()) };
}

export const acts = {
  begin: async ({ device }) => {
    await wipe(device.store.name);
    await device.store.step(async (within) => {
      await within.setNote("token", "token");
      await within.setNote("account", "account");
    });
  },
  create: ({ device }, { id, patch }) => device.create({}, patch, id),
  edit: ({ device }, { id, patch, more }) => device._step((within) => device._edit(within, id, patch, more)),
  delete: ({ device }, { id }) => device.delete(id),
};

/** Does one thing and says what waits afterwards. */
export async function act(of, name, what) {
  const one = deviceOf(of);
  await acts[name](one, what);
  return written(await summary(one));
}

/** What the owner, and the simulator, look at. */
export async function look(of) {
  const { device } = deviceOf(of);
  const { store } = device;
  return written({
    records: await store.view((within) => within.records()),
    holdings: Object.fromEntries([...(await device.holdings())].map(([id, values]) => [id, plain(values)])),
    attention: await device.attention(),
    outbox: await store.view((within) => within.outbox()),
  });
}

/** Syncs; gives the first request that is to be answered, or what came of it. `wanted`: the method of those; the others get none. */
export function sync(of, { most, wanted }) {
  const one = deviceOf(of);
  const asked = (path, { method, body }) => {
    if (method !== wanted) return Promise.reject(new TypeError("no answer"));
    return new Promise((done, fail) => {
      waiting = { done, fail };
      const at = new URL(path, location.href);
      told(written({ request: { path: at.pathname, query: Object.fromEntries(at.searchParams), body: body ?? null } }));
    });
  };
  const turn = new Sync({ device: one.device, made: one.newId, token: "token", name: "d", fetch: asked, tries: 1, most });
  const first = answered();
  turn.run().then(
    async (report) => told(written({ complete: report.isComplete, ...(await summary(one)) })),
    (error) => told(written({ error: String(error) })),
  );
  return first;
}

/** The answer to the request that waits, null for none; gives the next request, or what came of it. */
export function answer(text) {
  const next = answered();
  const { done, fail } = waiting;
  if (text === null) fail(new TypeError("no answer"));
  else {
    const { status, body } = JSON.parse(text);
    done(new Response(JSON.stringify(body), { status, headers: { Date: new Date().toUTCString() } }));
  }
  return next;
}

