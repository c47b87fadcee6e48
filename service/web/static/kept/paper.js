// Pages to print. The service makes them whole, with their own style and policy; here they are only shown, as they came.
import { ask } from "./api.js";
import { saveFile } from "./save.js";

const PAPER = "paper";

/**
 * Shows the page at a path of the service. Where the app's worker runs it is opened in place of the app ("opened"); elsewhere it is
 * saved as a file ("saved"), since a request of the browser itself would bring no token.
 * @param {string} path @param {string} name of the file, without its end
 */
export async function showPage(path, name) {
  const answer = await ask("GET", path, { headers: { Accept: "text/html" } });
  if (navigator.serviceWorker?.controller) {
    const address = `/app/paper/${crypto.randomUUID()}`;
    await (await caches.open(PAPER)).put(address, answer);
    location.assign(address);
    return "opened";
  }
  saveFile([name, "html"].join("."), await answer.blob());
  return "saved";
}

/** Pages that were made and never shown are gone afterwards. */
export const dropPages = async () => globalThis.caches?.delete(PAPER);
