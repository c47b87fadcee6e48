// What the pure modules of a set's own facts and lists make of lists that are written as "id<broader<broader ...".
import { layered, rootOf, withDeclared } from "./sheet/carried.js";
import { branchesOf, brokenBy, inTreeOrder, listedTerms, movedTerm, newFact, newName, withThoseBelow, withoutTerm } from "./sheet/own-facts.js";

const read = (text) => text.split(" ").map((one) => {
  const [id, ...broader] = one.split("<");
  return broader.length > 0 ? { id, broader } : { id };
});
const written = (concepts) => concepts.map(({ id, broader = [] }) => [id, ...broader].join("<")).join(" ");
const shape = (branches) => branches.map(({ concept, below }) => (below.length > 0 ? [concept.id, shape(below)] : concept.id));
const STEPS = ["in", "up", "out", "down", "in", "in", "out"];

/** Whether each term is in a list once, and shown once, whatever is done to it. */
function isSound(list) {
  let now = list;
  const ids = list.map(({ id }) => id);
  const sorted = [...ids].sort().join();
  for (let n = 0; n < 500; n += 1) {
    now = movedTerm(now, ids[(n * 5) % ids.length], STEPS[(n * 11 + (n >> 3)) % STEPS.length]);
    if (inTreeOrder(now).sort().join() !== sorted || now.length !== ids.length) return false;
  }
  return written(now) !== written(list);
}

export function results({ trees, moves, gone, labels, taken, findings, entries, roots, layers, known, documents, lists }) {
  const before = trees.map(read);
  return {
    trees: trees.map((text) => shape(branchesOf(read(text)))),
    moves: moves.map(([text, id, step]) => {
      const list = read(text);
      const now = movedTerm(list, id, step);
      return now === list ? null : written(now);
    }),
    gone: gone.map(([text, id]) => written(withoutTerm(read(text), id))),
    below: [...withThoseBelow(read(trees[0]), "a")].sort(),
    sound: trees.map(read).map(isSound),
    untouched: JSON.stringify(before) === JSON.stringify(trees.map(read)),
    names: labels.map((label) => newName(label, new Set(taken))),
    facts: [newFact("term", "Found", "found", "ways"), newFact("integer", "Dug up", "dug_up")],
    broken: brokenBy(findings[0], findings[1], "/attributes").map(({ code }) => code),
    roots: roots.map((name) => rootOf(name, entries)),
    layers: layered(layers).map(({ id, label, broader, alternative_labels: others }) => [id, label, broader, others]),
    declared: [...withDeclared(known, documents).values()].map(({ name, label, carried = [] }) => [name, label ?? null, carried.map((one) => one.name)]),
    listed: lists.map(([vocabulary, of]) => listedTerms({ vocabulary, carried: of.map(({ text, ...one }) => ({ ...one, concepts: read(text) })) })),
  };
}
