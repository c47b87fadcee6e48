// What takes long: the service keeps the request as a job (RFC 7240, respond-async), or asks to be asked again.
import { ask } from "./api.js";

const PAUSES = [0.25, 0.5, 1, 2];

const wait = (seconds) => new Promise((done) => setTimeout(done, seconds * 1000));

/**
 * The JSON at a path, however long that takes.
 * @param {string} path @param {(how: {state: string, detail: string}) => void} told how far it is: queued or running as a job, or
 *   busy with a sentence of the service
 * @param {AbortSignal} signal ends it; a job that was begun is cancelled
 */
export async function getLong(path, told, signal) {
  for (let turn = 0; ; turn += 1) {
    const pause = PAUSES[Math.min(turn, PAUSES.length - 1)];
    try {
      const answer = await ask("GET", path, { signal });
      if (answer.status !== 202) return await answer.json();
      return await (await finished(await answer.json(), told, signal)).json();
    } catch (error) {
      // Part of it is worked out with every request, and kept.
      if (error.code !== "busy") throw error;
      told({ state: "busy", detail: error.message });
    }
    await wait(pause);
    signal.throwIfAborted();
  }
}

/**
 * The answer of a job, once it ended. @param {{id: string, state: string}} begun @param {(how: {state: string, detail: string}) => void} told
 * @param {AbortSignal} signal @param {string} [as] another token @returns {Promise<Response>}
 */
export async function finished(begun, told, signal, as) {
  let job = begun;
  for (let turn = 0; job.state === "queued" || job.state === "running"; turn += 1) {
    told({ state: job.state, detail: "" });
    await wait(PAUSES[Math.min(turn, PAUSES.length - 1)]);
    if (signal.aborted) {
      await ask("DELETE", `/v1/jobs/${job.id}`, { as }).catch(() => {});
      signal.throwIfAborted();
    }
    job = await (await ask("GET", `/v1/jobs/${job.id}`, { as })).json();
  }
  // Of a job without an answer the service says why there is none.
  return ask("GET", `/v1/jobs/${job.id}/result`, { as });
}
