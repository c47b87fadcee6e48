// The app's device, and when it syncs: after an edit, when the network or the page comes back, when the service says that something
// changed, and by a timer while something is left to do.
import { ask, tokenEnded } from "./api.js";
import { Device, OtherAccount } from "./device.js";
import { unsavedDrafts } from "./drafts.js";
import { watchAnew, watchHoldings } from "./live.js";
import { Sync } from "./sync.js";
import { say } from "./words.js";

const FIRST_PAUSE_SECONDS = 4;
const LONGEST_PAUSE_SECONDS = 300;
// Another tab has its turn: it is soon over.
const SHORT_PAUSE_SECONDS = 2;
// The timer tries again, so that one turn need not.
const TRIES = 2;

/** The device of this browser. */
export const device = new Device();

// Other tabs of this browser see the same stores.
const SESSION = "session";
const tabs = globalThis.BroadcastChannel === undefined ? null : new BroadcastChannel("setwright-device");
const CHANGED = "changed";
let isTold = false;
device.watch(() => {
  // What another tab told is not told back.
  if (!isTold) tabs?.postMessage(CHANGED);
  isTold = false;
});
if (tabs !== null) {
  tabs.onmessage = ({ data }) => {
    // Somebody signed in or out: what this tab shows is no longer theirs.
    if (data === SESSION) location.reload();
    isTold = true;
    device.changed();
  };
}

/** Who is signed in changed. */
export const tellTabs = () => tabs?.postMessage(SESSION);

let sync = null;
let running = null;
let next = null;
let failures = 0;
let timer;
let unwatch = null;
/** What the last turn came to. @type {import("./sync.js").Report | null} */
let last = null;

/** What the last turn came to, null before one. */
export const lastReport = () => last;

/** What a device is called where the owner reads who changed a coin: the app and the system. */
function nameOfThis() {
  // Not in every browser.
  const { userAgentData, platform, userAgent } = /** @type {Navigator & {userAgentData?: {platform: string}}} */ (navigator);
  const system = userAgentData?.platform || /Android|iPhone|iPad/.exec(userAgent)?.[0] || platform;
  return [say("account.this_browser"), system].filter(Boolean).join(", ");
}

/** From now on what waits is sent with this token. @param {{token: string}} session */
export function begin({ token }) {
  end();
  sync = new Sync({ device, token, name: nameOfThis(), tries: TRIES });
  unwatch = watchHoldings(turn);
  watchAnew();
  turn();
}

/** Nothing more is sent or taken; what waits stays. */
export function end() {
  sync?.stop();
  sync = null;
  unwatch?.();
  unwatch = null;
  clearTimeout(timer);
  failures = 0;
  last = null;
}

/**
 * Sends what waits by now and takes what changed; at once, or after the turn that is under way. Null: nobody is signed in.
 * @returns {Promise<import("./sync.js").Report | null>}
 */
export function turn() {
  if (running === null) {
    running = run().finally(() => {
      running = null;
    });
    return running;
  }
  next ??= running.then(() => {
    next = null;
    return turn();
  });
  return next;
}

async function run() {
  const mine = sync;
  if (mine === null) return null;
  clearTimeout(timer);
  const report = await mine.run();
  if (mine !== sync) return report;
  last = report;
  device.changed();
  if (report.problem?.status === 401) {
    tokenEnded();
    return report;
  }
  failures = report.isComplete || report.isElsewhere ? 0 : failures + 1;
  if (report.isElsewhere) later(SHORT_PAUSE_SECONDS);
  else if (!report.isComplete) later(Math.min(FIRST_PAUSE_SECONDS * 2 ** (failures - 1), LONGEST_PAUSE_SECONDS));
  return report;
}

/** Jitter: browsers that lost the service together do not come back together. */
function later(seconds) {
  timer = setTimeout(turn, seconds * 1000 * (0.5 + Math.random()));
}

const now = () => {
  if (sync === null) return;
  failures = 0;
  turn();
};
window.addEventListener("online", now);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") now();
});

/**
 * This browser is the account's from now on, and its session is kept; in one step, so that a page that ends in between leaves either
 * account alone here and never one with what is the other's. Throws OtherAccount where another account's edits or drafts wait here;
 * where there are none, nothing of that account stays. @param {{token: string, name: string}} session
 */
export async function claim(session) {
  end();
  const answer = await ask("GET", "/v1/holdings/sync", { as: session.token });
  const { account } = await answer.json();
  await device.store.wholeStep(async (within) => {
    const before = await within.note("account");
    if (before !== null && before !== account) {
      const waits = (await within.outboxSize()) + (await within.attentionSize()) + (await within.unsentPhotos()).length;
      const drafts = await unsavedDrafts((start) => within.keptFrom(start));
      if (waits + drafts.length > 0) throw new OtherAccount(await within.note("account_name"));
      await within.clear();
    }
    await within.setNote("account", account);
    await within.setNote("account_name", session.name);
    await within.keep("session", session);
  });
}
