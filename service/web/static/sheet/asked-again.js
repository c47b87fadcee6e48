// What was said of a coin without the service, beside what the service says of it. Pure.

/**
 * @typedef {{digest: string, state: string | null, edition: string | null, engine: string, day: string}} Stamps what an answer depends on
 */

/** @param {object} sheet of need-sheet/1 @returns {Stamps} */
export const stampsOf = (sheet) => ({
  digest: sheet.definition.digest,
  state: sheet.holdings_state,
  edition: sheet.reference_edition,
  engine: sheet.engine_version,
  day: sheet.evaluated_on,
});

/** @param {Stamps} one @param {Stamps} other */
export const sameStamps = (one, other) => Object.keys(one).every((name) => one[name] === other[name]);

const set = (values) => JSON.stringify([...values].sort());
const criterion = (told) => JSON.stringify(Object.entries(told).filter(([, value]) => value !== null && value !== undefined).sort());
// Which place is filled, and whether coins move for it, was not said.
const FILLING = ["fills", "frees", "helps_constraint"];

/**
 * In what an answer differs from that of the service; nothing was said with `ask` and `bought`.
 * @param {import("./effect.js").Answer} said @param {object} candidate of POST /v1/candidates
 * @returns {string[]}
 */
export function differences(said, candidate) {
  if (said.effect === "ask" || said.effect === "bought") return [];
  if (!said.exact) return FILLING.includes(candidate.effect) ? [] : ["effect"];
  if (said.effect !== candidate.effect) return ["effect"];
  const found = [];
  const compare = (name, one, other) => {
    if (one !== other) found.push(name);
  };
  compare("fits", set(said.fits), set(candidate.fits));
  compare("may_fit", set(said.mayFit), set(candidate.may_fit));
  // Of a coin in doubt the service also says where it puts it meanwhile.
  if (said.effect !== "undecided") compare("places", set(said.places), set(candidate.places));
  if (said.effect === "fills" || said.effect === "frees") {
    const moves = (all) => set(all.map(({ holding, from, to }) => [holding, from, to ?? ""].join("\n")));
    compare("frees", moves(said.moves), moves(candidate.frees));
  }
  if (said.betters !== null) {
    compare("betters", said.betters.place, candidate.betters.place);
    compare("criterion", criterion(said.betters.criterion), criterion(candidate.betters.criterion));
    compare("from", said.betters.from, candidate.betters.from);
    compare("to", said.betters.to, candidate.betters.to);
  }
  if (said.closest !== null) {
    compare("closest", said.closest.place, candidate.closest?.place);
    compare("failing", set(said.closest.failing), set(candidate.closest?.failing ?? []));
  }
  if (said.effect === "undecided" && candidate.settle.some(({ attribute }) => attribute !== "issue" && !said.look.includes(attribute))) found.push("settle");
  return found;
}
