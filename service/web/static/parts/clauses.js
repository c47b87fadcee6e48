// Why a coin fits a place or not: clause by clause, with the facts that were read.
import { bareNumber, either, say } from "../kept/words.js";
import { html } from "./html.js";

const SIGNS = {
  yes: "M5 12.5l4.5 4.5L19 7",
  no: "M6 6l12 12M18 6L6 18",
  undecided: "M8.5 9a3.5 3.5 0 1 1 5 3.2c-1.2.6-1.5 1.2-1.5 2.6M12 18.6v.2",
};

/** A verdict as a sign, with its word for those who do not see it. @param {{verdict: string}} of */
export function VerdictSign({ verdict }) {
  return html`<span class="verdict ${verdict}">
    <svg viewBox="0 0 24 24" aria-hidden="true"><path d=${SIGNS[verdict]} /></svg>
    <span class="unseen">${say(`verdict.${verdict}`)}</span>
  </span>`;
}

/** A fact as people write it. @param {any} value @param {Map<string, string>} [terms] what its terms are called, by id */
export function factInWords(value, terms) {
  const words = (one) => factInWords(one, terms);
  if (Array.isArray(value)) return value.length === 0 ? say("fact.none") : value.map(words).join(", ");
  if (value !== null && typeof value === "object") {
    if (value.none) return say("fact.none");
    if (value.one_of) return either(value.one_of.map(words));
    if (value.has) return [...value.has.map(words), ...(value.perhaps ?? []).map((one) => say("fact.perhaps", { what: words(one) }))].join(", ");
    if (value.to === undefined) return say("fact.at_least", { from: words(value.from) });
    if (value.from === undefined) return say("fact.at_most", { to: words(value.to) });
    return say("fact.between", { from: words(value.from), to: words(value.to) });
  }
  if (typeof value === "boolean") return say(value ? "fact.yes" : "fact.no");
  if (typeof value === "number") return bareNumber(value);
  return terms?.get(String(value)) ?? String(value);
}

/** A fact that was read, and where it came from; of a clause that it meets no more than that. */
function Fact({ fact, met, label, terms }) {
  const what = label(fact.attribute);
  if (fact.from === undefined) return html`<span class="fact">${say("fact.not_recorded", { what })}</span>`;
  const from = say(`from.${fact.from}`);
  if (met) return html` <span class="from">${from}</span>`;
  return html`<span class="fact">${say("fact.told", { what, value: factInWords(fact.value, terms?.get(fact.attribute)), from })}</span>`;
}

function Clause({ clause, label, terms }) {
  const inner = clause.clauses ?? [];
  // Of an "and" its parts say everything.
  if (clause.op === "and" && inner.length > 0) return inner.map((one) => html`<${Clause} clause=${one} label=${label} terms=${terms} />`);
  const facts = clause.facts ?? [];
  return html`<li>
    <${VerdictSign} verdict=${clause.verdict} />
    <span class="clause">${clause.in_words}</span>
    ${facts.map((fact) => html`<${Fact} fact=${fact} met=${clause.verdict === "yes" && facts.length === 1} label=${label} terms=${terms} />`)}
    ${inner.length > 0 && html`<ul class="clauses">${inner.map((one) => html`<${Clause} clause=${one} label=${label} terms=${terms} />`)}</ul>`}
  </li>`;
}

/**
 * @param {{clauses: object[], label: (name: string) => string, terms: Map<string, Map<string, string>> | null}} of `label`: what
 *   an attribute is called; `terms`: what its terms are called
 */
export const Clauses = ({ clauses, label, terms }) =>
  html`<ul class="clauses">${clauses.map((one) => html`<${Clause} clause=${one} label=${label} terms=${terms} />`)}</ul>`;
