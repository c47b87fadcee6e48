// What this browser keeps (IndexedDB): who is signed in. One entry a key.
import { deleteDB, openDB } from "/app/vendor/idb/index.js";

const NAME = "setwright";
const KEPT = "kept";
let opened;

function database() {
  opened ??= openDB(NAME, 1, {
    upgrade(made) {
      made.createObjectStore(KEPT);
    },
    // Another tab wipes it: this one must not stand in the way.
    blocking() {
      close();
    },
  });
  return opened;
}

function close() {
  opened?.then((db) => db.close());
  opened = undefined;
}

/** @param {string} key */
export async function kept(key) {
  return (await database()).get(KEPT, key);
}

/** @param {string} key @param {unknown} value */
export async function keep(key, value) {
  await (await database()).put(KEPT, value, key);
}

/** Everything that this browser keeps of the account is gone afterwards; its language is nobody's secret. */
export async function wipe() {
  const language = await kept("language");
  close();
  await deleteDB(NAME);
  if (language !== undefined) await keep("language", language);
}
