// "I looked: it is ...": what would settle a doubt, asked one fact at a time and recorded at once.
import { changeCoin } from "../kept/edits.js";
import { say } from "../kept/words.js";
import { questionsOf, readFact } from "../sheet/facts.js";
import { factInWords } from "./clauses.js";
import { loadVocabulary, useLoaded } from "./data.js";
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
  if (attribute.values?.length > 0) return attribute.values.map((value) => ({ value, text: String(value) }));
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
  const name = question.attribute === ISSUE ? say("looked.issue") : label(question.attribute);
  const { value: terms } = useLoaded(async () => (attribute?.vocabulary ? loadVocabulary(attribute.vocabulary) : new Map()), [attribute]);
  const picks = choices(question, attribute, view, issues, terms ?? new Map());
  const id = `looked-${question.attribute}`;
  const sent = async (event) => {
    event.preventDefault();
    const typed = Object.fromEntries(new FormData(event.target));
    const picked = picks[Number(typed.pick)]?.value;
    const value = picked !== undefined && !typed.typed ? picked : readFact(attribute ?? {}, typed.typed ?? "", terms ?? new Map());
    if (value === undefined) {
      setWrong(say(attribute?.type === "integer" || attribute?.type === "decimal" ? "looked.a_number" : "looked.a_value"));
      return;
    }
    setWrong("");
    setBusy(true);
    setError(null);
    try {
      const fact = attribute?.many && !Array.isArray(value) ? [value] : value;
      await changeCoin(cell.holding, question.attribute === ISSUE ? { issue: fact } : { facts: { [question.attribute]: fact } });
      await done();
    } catch (trouble) {
      setError(trouble);
    } finally {
      setBusy(false);
    }
  };
  const describes = [`${id}-where`, wrong !== "" && `${id}-wrong`].filter(Boolean).join(" ");
  return html`<form class="question" onSubmit=${sent} noValidate aria-busy=${busy}>
    <fieldset>
      <legend>${say("looked.it_is", { fact: name })}</legend>
      <p class="hint" id="${id}-where">${question.lookAt === "" ? say("looked.no_hint") : say("place.look_at", { where: question.lookAt })}</p>
      ${picks.map(({ text }, at) => html`<label key=${at} class="pick"><input type="radio" name="pick" value=${at} aria-describedby="${id}-where" /> ${text}</label>`)}
      ${question.attribute !== ISSUE && html`<label for=${id}>${say(picks.length > 0 ? "looked.other" : "looked.value", { fact: name })}</label>
        <input id=${id} name="typed" autocomplete="off" autocapitalize="none" spellcheck="false" aria-describedby=${describes}
          list=${terms?.size > 0 ? `${id}-terms` : undefined} aria-invalid=${wrong !== ""} inputmode=${attribute?.type === "integer" ? "numeric" : attribute?.type === "decimal" ? "decimal" : undefined} />
        ${terms?.size > 0 && html`<datalist id="${id}-terms">${[...terms.values()].map((text) => html`<option key=${text} value=${text}></option>`)}</datalist>`}`}
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
