// What of an evaluation its owner has to look at. Pure.

import { contested } from "./album.js";

const KINDS = ["pin", "undecided", "contested", "contradiction", "unidentified"];

/** The conflicts that their owner has to see to. @param {import("./types.js").Evaluation} evaluation */
export function needing(evaluation) {
  const contests = contested(evaluation);
  return evaluation.conflicts.filter((one) => KINDS.includes(one.kind) && (one.kind !== "contested" || contests.includes(one)));
}

/** How many of each kind, the kinds that occur, in the order in which to see to them. @param {import("./types.js").Evaluation} evaluation @returns {{kind: string, n: number}[]} */
export function attention(evaluation) {
  const found = KINDS.map((kind) => {
    const those = needing(evaluation).filter((conflict) => conflict.kind === kind);
    const coins = kind === "contested" ? those : [...new Set(those.map((conflict) => "holding" in conflict && conflict.holding))];
    return { kind, n: coins.length };
  });
  return found.filter(({ n }) => n > 0);
}
