// Watches whether the account's coins changed: server-sent events, read by fetch, since EventSource cannot send a token.
import { ask } from "./api.js";

const PAUSES = [1, 2, 5, 15, 30];

const wait = (seconds, signal) =>
  new Promise((/** @type {(nothing?: void) => void} */ done) => {
    const timer = setTimeout(done, seconds * 1000);
    signal.addEventListener("abort", () => {
      clearTimeout(timer);
      done();
    });
  });

/** The blocks of an event stream (HTML standard, section 9.2) as they come, as text. */
async function* blocks(stream) {
  const reader = stream.pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return;
    text += value;
    for (let end; (end = text.indexOf("\n\n")) >= 0; text = text.slice(end + 2)) yield text.slice(0, end);
  }
}

/** Reads events until the signal ends it, from one stream after the other. */
async function read(changed, signal) {
  let failures = 0;
  let last = null;
  while (!signal.aborted) {
    try {
      const answer = await ask("GET", "/v1/holdings/events", { headers: { Accept: "text/event-stream" }, signal });
      for await (const block of blocks(answer.body)) {
        failures = 0;
        const state = /^data: (.*)$/m.exec(block)?.[1];
        if (state === undefined || state === last) continue;
        // The first one too: something may have changed since the caller asked.
        changed();
        last = state;
      }
    } catch (error) {
      if (signal.aborted || error.status === 401) return;
      failures += 1;
    }
    await wait(PAUSES[Math.min(failures, PAUSES.length - 1)], signal);
  }
}

const watching = new Set();
let ending = null;

function stop() {
  ending?.abort();
  ending = null;
}

function look() {
  if (document.visibilityState !== "visible" || watching.size === 0) stop();
  else if (ending === null) {
    ending = new AbortController();
    read(() => [...watching].forEach((then) => then()), ending.signal);
  }
}

document.addEventListener("visibilitychange", look);
// A page that is kept for going back to it is not seen either.
window.addEventListener("pagehide", stop);
window.addEventListener("pageshow", look);

/**
 * Calls `changed` after each change of the holdings; nothing depends on its coming. Returns what ends it. One stream for all that
 * watch, and only while the page is seen: a browser has six connections to a server (HTTP/1.1), and those of hidden tabs would leave
 * none for anything else.
 * @param {() => void} changed
 */
export function watchHoldings(changed) {
  // The same function may watch twice.
  const then = () => changed();
  watching.add(then);
  look();
  return () => {
    watching.delete(then);
    look();
  };
}

/** Reads with the token that is used from now on. */
export function watchAnew() {
  stop();
  look();
}
