// What the views load, as hooks: a value, or an error, or neither yet.
import { all, get } from "../kept/api.js";
import { conceptsOf } from "../kept/vocabularies.js";
import { keep, kept } from "../kept/database.js";
import { inSentence, onLanguage, spoken } from "../kept/words.js";
import { carriedFor, layered, rootOf, withDeclared } from "../sheet/carried.js";
import { termsOf } from "../sheet/terms.js";
import { useCallback, useEffect, useRef, useState } from "./html.js";

/**
 * @template T @param {() => Promise<T> | T} load @param {unknown[]} on loads anew when one of these changes
 * @param {{keeps?: boolean}} [how] `keeps`: what was loaded before is shown meanwhile, so that nothing jumps
 * @returns {{value: T | null, error: Error | null, again: () => Promise<void>}}
 */
export function useLoaded(load, on, { keeps = false } = {}) {
  const [found, set] = useState({ value: null, error: null });
  const turn = useRef(0);
  const again = useCallback(async () => {
    // An answer that comes after that of a later question is not shown.
    turn.current += 1;
    const mine = turn.current;
    try {
      const value = await load();
      if (mine !== turn.current) return;
      // The same value is the same object where nothing changed, and is not painted again.
      set((before) => (before.value === value && before.error === null ? before : { value, error: null }));
    } catch (error) {
      if (mine === turn.current) set((before) => ({ value: before.value, error }));
    }
  }, on);
  useEffect(() => {
    set((before) => (keeps || (before.value === null && before.error === null) ? before : { value: null, error: null }));
    again();
  }, on);
  useEffect(() => onLanguage(again), on);
  return { ...found, again };
}

const joinedSets = new Map();

/**
 * One of my sets with its evaluation; the same object while neither changed.
 * @param {string} id @returns {Promise<{definition: import("../sheet/types.js").Definition, evaluation: import("../sheet/types.js").Evaluation}>}
 */
export async function loadSet(id) {
  const path = `/v1/definitions/${id}`;
  const [definition, evaluation] = await Promise.all([get(path), get(`${path}/evaluation`)]);
  const before = joinedSets.get(id);
  if (before?.definition === definition.data && before?.evaluation === evaluation.data) return before;
  const found = { definition: definition.data, evaluation: evaluation.data };
  joinedSets.set(id, found);
  return found;
}

/** All of my sets, each with its evaluation. */
export async function loadMySets() {
  const mine = await all("/v1/definitions");
  return Promise.all(mine.map(({ id }) => loadSet(id)));
}

/** The documents of all my sets. @returns {Promise<object[]>} */
export async function loadMyDocuments() {
  const mine = await all("/v1/definitions");
  return Promise.all(mine.map(async ({ id }) => (await get(`/v1/definitions/${id}`)).data.document));
}

let attributes = null;
onLanguage(() => {
  attributes = null;
});

/** What is loaded, and kept for when there is no network. */
async function remembered(key, load) {
  try {
    const found = await load();
    await keep(key, found);
    return found;
  } catch (error) {
    const before = error.status === 0 ? await kept(key) : undefined;
    if (before === undefined) throw error;
    return before;
  }
}

/** Attributes by name: those of the service, and all that these definitions declare. @param {object[]} documents */
export async function loadAttributesOf(documents) {
  attributes ??= await remembered(`attributes ${spoken()}`, () => all("/v1/attributes"));
  return withDeclared(attributes, documents);
}

/** Attributes by name: those of the service, and those that a definition declares. */
export const loadAttributes = (document) => loadAttributesOf(document ? [document] : []);

/** What attributes are called. @param {Map<string, {label?: string}> | null} known */
export const labelsOf = (known) => (name) => {
  const label = known?.get(name)?.label;
  return label === undefined ? name.replaceAll("_", " ") : inSentence(label);
};

/** A term under its name in the language of the page, where its vocabulary has one. */
function labelled(concept) {
  const isSpoken = ({ kind, language }) => kind === "preferred" && language.toLowerCase().split("-")[0] === spoken();
  const name = concept.names?.find(isSpoken);
  return name === undefined ? concept : { ...concept, label: name.text };
}

const searched = new Map();
onLanguage(() => searched.clear());

/** The layers of a vocabulary with those that definitions carry; null where there is no such vocabulary. */
async function layersOf(name, carried) {
  const entries = carriedFor(name, carried);
  const root = rootOf(name, entries);
  const isOwn = entries.some((entry) => entry.name === root && !entry.extends);
  const found = isOwn ? null : await conceptsOf(root);
  if (found === null && !isOwn) return null;
  if (entries.length === 0) return found;
  return { version: `${found?.version} ${JSON.stringify(entries)}`, layers: [...(found?.layers ?? []), ...entries.map(({ concepts }) => concepts)] };
}

/**
 * The terms of a vocabulary, those that the owner added among them, to be searched; null where there is no such vocabulary.
 * @param {string} name @param {import("../sheet/carried.js").Carried[]} [carried] what definitions have of it
 * @returns {Promise<import("../sheet/terms.js").Terms | null>}
 */
export async function loadTermsOf(name, carried = []) {
  const found = await layersOf(name, carried);
  if (found === null) return null;
  if (searched.get(name)?.version !== found.version) searched.set(name, { version: found.version, terms: termsOf(name, layered(found.layers).map(labelled)) });
  return searched.get(name).terms;
}

/** The concepts of a vocabulary as they are, with what is above each; none where it is not to be had. */
export const loadConcepts = (name, carried = []) =>
  layersOf(name, carried).then(
    (found) => layered(found?.layers ?? []),
    () => [],
  );

/** What the terms of a vocabulary are called, by id; none where it is not to be had. */
export const loadVocabulary = (name, carried = []) =>
  loadTermsOf(name, carried).then(
    (found) => new Map([...(found?.terms.values() ?? [])].map(({ id, label }) => [id, label])),
    () => new Map(),
  );

/**
 * What terms and values of these attributes are called, by attribute and id.
 * @param {Map<string, {vocabulary?: string | null, carried?: any[], value_labels?: Record<string, string>}> | null} attributes @param {string[]} names
 * @returns {Promise<Map<string, Map<string, string>>>}
 */
export async function loadTerms(attributes, names) {
  const found = new Map();
  for (const name of new Set(names)) {
    const { vocabulary, carried, value_labels: labels } = attributes?.get(name) ?? {};
    if (vocabulary) found.set(name, await loadVocabulary(vocabulary, carried));
    else if (labels) found.set(name, new Map(Object.entries(labels)));
  }
  return found;
}
