// What this browser keeps (IndexedDB): who is signed in, one entry a key; and the device's stores, which store.js describes.
import { deleteDB, openDB } from "/app/vendor/idb/index.js";

export const NAME = "setwright";
const VERSION = 2;
/** What is kept by key. */
export const KEPT = "kept";
const opened = new Map();

/** The stores of a device, by what each is found by. */
export const DEVICE = {
  record: { keyPath: "id" },
  outbox: { keyPath: "at" },
  journal: { keyPath: "at", autoIncrement: true },
  attention: { keyPath: "at", autoIncrement: true },
  photo: { keyPath: "sha256" },
  note: undefined,
};
const BY_MUTATION = ["outbox", "journal", "attention"];

/** The database of this name; the app has one, tests have several. */
export function database(name = NAME) {
  if (!opened.has(name)) {
    const close = () => {
      opened.get(name)?.then((db) => db.close());
      opened.delete(name);
    };
    const opening = openDB(name, VERSION, {
      upgrade(db, from) {
        if (from < 1) db.createObjectStore(KEPT);
        if (from < 2) {
          for (const [store, how] of Object.entries(DEVICE)) {
            const made = db.createObjectStore(store, how);
            // Those with conflicts alone are in it.
            if (store === "record") made.createIndex("is_open", "is_open");
            if (BY_MUTATION.includes(store)) made.createIndex("mutation_id", "mutation.mutation_id", { unique: true });
          }
        }
      },
      // Another tab wipes it, or has a newer version of the app: this one must not stand in the way.
      blocking: close,
      terminated: close,
    });
    opened.set(name, opening);
    opening.catch(() => opened.delete(name));
  }
  return opened.get(name);
}

/** @param {string} key */
export async function kept(key) {
  return (await database()).get(KEPT, key);
}

/** Everything that is kept under a key that begins so. @param {string} start */
export const keptFrom = async (start) => entriesFrom((await database()).transaction(KEPT).store, start);

/** The same within a transaction. @param {any} store of KEPT @param {string} start @returns {Promise<[string, any][]>} */
export async function entriesFrom(store, start) {
  const range = IDBKeyRange.bound(start, `${start}\uffff`);
  const [keys, values] = await Promise.all([store.getAllKeys(range), store.getAll(range)]);
  return keys.map((key, at) => [String(key), values[at]]);
}

/** @param {string} key @param {unknown} value */
export async function keep(key, value) {
  await (await database()).put(KEPT, value, key);
}

/** @param {string} key */
export async function drop(key) {
  await (await database()).delete(KEPT, key);
}

/** What is kept by key goes, but for the language, which is nobody's secret. @param {any} store of KEPT */
export async function clearKept(store) {
  const keys = await store.getAllKeys();
  await Promise.all(keys.filter((key) => key !== "language").map((key) => store.delete(key)));
}

/** Everything that this browser keeps of the account is gone afterwards; its language is nobody's secret. */
export async function wipe(name = NAME) {
  const language = await (await database(name)).get(KEPT, "language");
  const before = opened.get(name);
  opened.delete(name);
  (await before).close();
  await deleteDB(name);
  if (language !== undefined) await (await database(name)).put(KEPT, language, "language");
}
