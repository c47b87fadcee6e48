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

/**
 * A typed text as the fact of an attribute: a number where it is one, a list where there may be many, true or false, the id of a
 * term where it is what the term is called. Undefined: it cannot be read.
 * @param {{type?: string, many?: boolean}} attribute @param {string} text @param {Map<string, string>} terms labels by id
 */
export function readFact(attribute, text, terms) {
  const typed = text.trim();
  if (typed === "") return undefined;
  const term = (word) => [...terms].find(([, label]) => label.toLowerCase() === word.toLowerCase())?.[0] ?? word;
  if (attribute.many) return typed.split(",").map((part) => part.trim()).filter((part) => part !== "").map(term);
  if (attribute.type === "integer") return /^-?\d+$/.test(typed) ? Number(typed) : undefined;
  if (attribute.type === "decimal") {
    const digits = typed.replace(",", ".");
    return /^-?\d+(\.\d+)?$/.test(digits) ? Number(digits) : undefined;
  }
  if (attribute.type === "boolean") return { true: true, false: false }[typed];
  return term(typed);
}
