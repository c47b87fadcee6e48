// What would settle a doubt, as questions that a form can ask. Pure.

/** @typedef {{attribute: string, lookAt: string, outcomes: {when: string, example: unknown}[]}} Question */

/** The facts to look up for a coin in doubt: of its conflict in the evaluation, else of its explanation. @returns {Question[]} */
export function questionsOf(evaluation, explained, holding) {
  const conflict = evaluation.conflicts.find((one) => one.kind === "undecided" && one.holding === holding);
  const settle = conflict?.settle ?? explained?.may_be.flatMap((view) => view.settle) ?? [];
  const found = new Map();
  for (const { attribute, look_at: lookAt, outcomes } of settle) {
    if (!found.has(attribute)) found.set(attribute, { attribute, lookAt, outcomes });
  }
  return [...found.values()];
}
