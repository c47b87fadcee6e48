// "I looked: it is ...": what would settle a doubt, asked one fact at a time and recorded at once.
import { changeCoin } from "../kept/edits.js";
import { say } from "../kept/words.js";
import { questionsOf } from "../sheet/facts.js";
import { factInWords } from "./clauses.js";
import { loadTermsOf, useLoaded } from "./data.js";
import { FactField } from "./fact-field.js";
import { html, useState } from "./html.js";
import { Trouble } from "./trouble.js";

const ISSUE = "issue";

/** Values that can be picked: the few that an attribute has, those that a question names, or the issues that the coin may be. */
function choices(question, attribute, view, issues, terms) {
  if (question.attribute === ISSUE) {
    return (view?.may_be ?? [])
      .filter((one) => typeof one.issue === "string")
      .map((one) => ({ value: one.issue, text: issues?.get(one.issue) ?? one.issue }));
  }
  if (attribute === undefined || attribute.type === "integer" || attribute.type === "decimal") return [];
  // An example of "any other" stands for many values, and is none that anybody saw.
  return question.outcomes
    .map(({ when, example }) => ({ value: example, text: factInWords(example, terms), when }))
    .filter(({ value, text, when }) => (typeof value === "string" || typeof value === "boolean") && text === when);
}

/**
 * @param {{evaluation: object, view: object | null, cell: import("../sheet/album.js").Cell, issues: Map<string, string> | null,
 *   attributes: Map<string, object> | null, label: (name: string) => string, done: () => Promise<void>}} of
 */
export function Looked({ evaluation, view, cell, issues, attributes, label, done }) {
  const questions = questionsOf(evaluation, view, cell.holding);
  // Where nothing that can be recorded settles it, the doubt is between the issues that the coin may be.
  if (questions.length === 0 && (view?.may_be.length ?? 0) > 1) questions.push({ attribute: ISSUE, lookAt: "", outcomes: [] });
  if (questions.length === 0 || attributes === null) return null;
  return html`<section class="looked"><h2>${say("looked.title")}</h2>
    <p>${say("looked.what")}</p>
    ${questions.map((question) => html`<${Question} key=${question.attribute} question=${question} view=${view} cell=${cell} issues=${issues}
      attribute=${attributes.get(question.attribute)} label=${label} done=${done} evaluation=${evaluation} />`)}
  </section>`;
}

function Question({ question, view, cell, issues, attribute, label, done, evaluation }) {
  const [error, setError] = useState(null);
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState("");
  const [typed, setTyped] = useState(null);
  const name = question.attribute === ISSUE ? say("looked.issue") : label(question.attribute);
  const { value: terms } = useLoaded(() => (attribute?.vocabulary ? loadTermsOf(attribute.vocabulary, attribute.carried) : null), [attribute]);
  const labels = new Map([...(terms?.terms.values() ?? [])].map((term) => [term.id, term.label]));
  const picks = choices(question, attribute, view, issues, labels);
  const id = `looked-${question.attribute}`;
  const sent = async (event) => {
    event.preventDefault();
    const picked = picks[Number(new FormData(event.target).get("pick") ?? -1)]?.value;
    const fact = typed === null ? picked : typed;
    if (fact === undefined) {
      setWrong(say("looked.a_value"));
      return;
    }
    setWrong("");
    setBusy(true);
    setError(null);
    try {
      const value = attribute?.many && typed === null ? [fact] : fact;
      await changeCoin(cell.holding, question.attribute === ISSUE ? { issue: value } : { facts: { [question.attribute]: value } });
      await done();
    } catch (trouble) {
      setError(trouble);
    } finally {
      setBusy(false);
    }
  };
  return html`<form class="question" onSubmit=${sent} noValidate aria-busy=${busy}>
    <fieldset>
      <legend>${say("looked.it_is", { fact: name })}</legend>
      <p class="hint" id="${id}-where">${question.lookAt === "" ? say("looked.no_hint") : say("place.look_at", { where: question.lookAt })}</p>
      ${picks.map(({ text }, at) => html`<label key=${at} class="pick"><input type="radio" name="pick" value=${at} aria-describedby="${id}-where" /> ${text}</label>`)}
      ${attribute !== undefined && html`<${FactField} id=${id} attribute=${attribute} fact=${null} change=${setTyped} terms=${terms} hint=${false}
        label=${say(picks.length > 0 ? "looked.other" : "looked.value", { fact: name })} />`}
      ${wrong !== "" && html`<p class="wrong" id="${id}-wrong" role="alert">${wrong}</p>`}
      <${Outcomes} question=${question} evaluation=${evaluation} />
      <${Trouble} error=${error} />
      <button type="submit" disabled=${busy}>${say("looked.record")}</button>
    </fieldset>
  </form>`;
}

/** What each way that it may turn out opens. */
function Outcomes({ question, evaluation }) {
  if (question.attribute === ISSUE || question.outcomes.length === 0) return null;
  const labels = new Map();
  for (const one of evaluation.slots) labels.set(one.place, one.label);
  for (const group of [...evaluation.one_per, ...evaluation.free_choice]) {
    labels.set(group.id, group.label);
    for (const one of group.places) labels.set(one.place, one.label);
  }
  const opens = (outcome) => {
    if (outcome.places === undefined) return say(`verdict.${outcome.verdict}`);
    return outcome.places.length === 0 ? say("looked.nowhere") : outcome.places.map((place) => labels.get(place) ?? place).join("; ");
  };
  return html`<ul class="outcomes">${question.outcomes.map((outcome) => html`<li key=${outcome.when}>
    ${say("looked.then", { when: outcome.when, then: opens(outcome) })}
  </li>`)}</ul>`;
}
