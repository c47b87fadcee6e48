// Adding or changing a condition: first the attribute, those most used ahead, then a form by its type, with my coins behind each choice.
import { get } from "../kept/api.js";
import { bareNumber, say } from "../kept/words.js";
import { TAKES, conditionFrom, howsOf, spansOf, textFrom, valueFrom } from "../sheet/condition.js";
import { kindOf } from "../sheet/fact-draft.js";
import { listedTerms } from "../sheet/own-facts.js";
import { termsOf } from "../sheet/terms.js";
import { labelsOf, loadConcepts, loadTermsOf, useLoaded } from "./data.js";
import { html, useEffect, useMemo, useRef, useState } from "./html.js";
import { TermPicker } from "./term-picker.js";

const MOST_USED = 8;
const LISTED = 10;

/** What my coins have of an attribute; null where the service does not know it (one of the draft's own). */
export const loadCounts = (name) =>
  get(`/v1/holdings/counts?attribute=${encodeURIComponent(name)}`).then(
    ({ data }) => data.attributes[0],
    (error) => {
      if (error.status === 422) return null;
      throw error;
    },
  );

/** Attributes as terms, so that they are searched like terms: by name, label, synonyms and help. */
function attributesAsTerms(attributes) {
  const label = labelsOf(attributes);
  const concepts = [...attributes.values()].map((one) => ({
    id: one.name,
    label: label(one.name),
    alternative_labels: [...Object.keys(one.synonyms ?? {}), one.help ?? ""].filter((text) => text !== ""),
    abbreviations: [],
    names: [],
    broader: [],
    note: one.help ?? "",
  }));
  return termsOf("attributes", concepts);
}

/** @param {{id: string, attributes: Map<string, object>, picked: (name: string) => void, fit?: (attribute: object) => boolean}} of */
export function AttributePicker({ id, attributes, picked, fit = () => true }) {
  const [text, setText] = useState("");
  const { value: used } = useLoaded(() => get("/v1/holdings/counts").then(({ data }) => data.attributes), []);
  const fitting = useMemo(() => new Map([...attributes].filter(([, one]) => fit(one))), [attributes]);
  const terms = useMemo(() => attributesAsTerms(fitting), [fitting]);
  const label = labelsOf(attributes);
  const counts = new Map((used ?? []).map(({ attribute, known }) => [attribute, known]));
  const usual = (used ?? []).map(({ attribute }) => attribute).filter((name) => fitting.has(name)).slice(0, MOST_USED);
  return html`<div class="attribute-picker">
    <label for=${id}>${say("build.which_fact")}</label>
    <${TermPicker} id=${id} terms=${terms} text=${text} counts=${counts} typed=${setText} picked=${(term) => picked(term.id)} />
    ${usual.length > 0 && html`<div class="buttons" role="group" aria-label=${say("build.most_used")}>
      ${usual.map((name) => html`<button key=${name} type="button" class="plain" onClick=${() => picked(name)}>${label(name)}</button>`)}</div>`}
  </div>`;
}

/**
 * @param {{id: string, attributes: Map<string, object>, condition: import("../sheet/rule-form.js").Condition | null,
 *   done: (condition: import("../sheet/rule-form.js").Condition) => void, cancel: () => void}} of `condition`: the one to change
 */
export function ConditionForm({ id, attributes, condition, done, cancel }) {
  const [name, setName] = useState(condition?.attribute ?? null);
  const attribute = name === null ? undefined : attributes.get(name);
  const whole = useRef(null);
  // The keyboard goes on where the form is.
  useEffect(() => whole.current?.querySelector("input, select")?.focus(), [name]);
  return html`<div class="panel condition-form" role="group" aria-label=${say("build.condition")} ref=${whole}>
    ${attribute === undefined
      ? html`<${AttributePicker} id="${id}-attribute" attributes=${attributes} picked=${setName} />
        <p class="buttons"><button type="button" class="plain" onClick=${cancel}>${say("build.cancel")}</button></p>`
      : html`<${Asked} key=${name} id=${id} attribute=${attribute} label=${labelsOf(attributes)(name)} condition=${condition} done=${done} cancel=${cancel} />`}
  </div>`;
}

function Asked({ id, attribute, label, condition, done, cancel }) {
  const { value: counts } = useLoaded(() => loadCounts(attribute.name), [attribute.name]);
  const { value: concepts } = useLoaded(() => (attribute.vocabulary ? loadConcepts(attribute.vocabulary, attribute.carried) : []), [attribute.name]);
  const isTree = (concepts ?? []).some(({ broader }) => broader.length > 0);
  const hows = howsOf(attribute, isTree);
  const [how, setHow] = useState(condition?.how ?? null);
  const [values, setValues] = useState(condition?.values ?? []);
  const way = how ?? hows[0];
  const offered = hows.includes(way) ? hows : [way, ...hows];
  const made = values.includes(undefined) ? null : conditionFrom(attribute, way, values);
  const kind = kindOf(attribute);
  const changed = (next) => {
    setHow(next);
    if (TAKES[next] !== "several") setValues(values.slice(0, TAKES[next] === "one" ? 1 : 2));
  };
  return html`
    <h4>${label}</h4>
    ${attribute.help && html`<p class="hint">${attribute.help}</p>`}
    <div class="field"><label for="${id}-how">${say("build.how")}</label>
      <select id="${id}-how" value=${way} onChange=${(event) => changed(event.target.value)}>
        ${offered.map((one) => html`<option key=${one} value=${one}>${say(`how.${one}`)}</option>`)}</select></div>
    ${TAKES[way] !== "nothing" && (kind === "number" || kind === "day"
      ? html`<${Ends} id=${id} attribute=${attribute} label=${label} way=${way} values=${values} give=${setValues} counts=${counts} />`
      : kind === "yes_or_no"
        ? html`<${YesOrNo} id=${id} label=${label} values=${values} give=${setValues} />`
        : html`<${Values} id=${id} attribute=${attribute} label=${label} way=${way} values=${values} give=${setValues} counts=${counts} concepts=${concepts ?? []} />`)}
    <p class="buttons">
      <button type="button" disabled=${made === null} onClick=${() => done(made)}>${say(condition === null ? "build.add_it" : "build.change_it")}</button>
      <button type="button" class="plain" onClick=${cancel}>${say("build.cancel")}</button>
    </p>`;
}

/** One number or day, or the two ends of a span; of numbers a bar of my coins, whose parts are chosen. */
function Ends({ id, attribute, label, way, values, give, counts }) {
  const [texts, setTexts] = useState(values.map(textFrom));
  const typed = (at, text) => {
    const now = [texts[0] ?? "", texts[1] ?? ""];
    now[at] = text;
    setTexts(now);
    give(now.slice(0, TAKES[way] === "two" ? 2 : 1).map((one) => valueFrom(attribute, one)));
  };
  const chosen = ({ from, to }) => {
    setTexts([String(from), String(to)]);
    give([from, to]);
  };
  const isDay = kindOf(attribute) === "day";
  const field = (at, text) => {
    const wrong = valueFrom(attribute, texts[at] ?? "") === undefined;
    return html`<div class="field"><label for="${id}-value-${at}">${text}</label>
      <input id="${id}-value-${at}" type=${isDay ? "date" : "text"} inputmode=${isDay ? undefined : "decimal"} autocomplete="off" value=${texts[at] ?? ""}
        aria-invalid=${wrong} onInput=${(event) => typed(at, event.target.value)} />
      ${wrong && html`<p class="wrong">${say("build.a_number")}</p>`}</div>`;
  };
  const spans = way === "between" && !isDay ? spansOf(counts?.values ?? []) : [];
  return html`<div class="two-ends">
    ${TAKES[way] === "two" ? [field(0, say("fact_field.from", { fact: label })), field(1, say("fact_field.to", { fact: label }))] : field(0, label)}
  </div>
  ${spans.length > 1 && html`<${SpanBar} spans=${spans} chosen=${chosen} values=${values} />`}`;
}

/** My coins by spans of years or numbers: each a button as high as there are coins. */
function SpanBar({ spans, chosen, values }) {
  const most = Math.max(...spans.map(({ coins }) => coins));
  const spanLabel = ({ from, to }) => (from === to ? bareNumber(from) : say("build.span", { from: bareNumber(from), to: bareNumber(to) }));
  const within = ({ from, to }) => typeof values[0] === "number" && typeof values[1] === "number" && values[0] <= from && to <= values[1];
  return html`<div class="span-bar" role="group" aria-label=${say("build.my_coins")}>
    ${spans.filter(({ coins }) => coins > 0).map((span) => html`<button key=${span.from} type="button" class="plain" aria-pressed=${within(span)} onClick=${() => chosen(span)}>
      <svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true"><rect class="full" y="1" height="8" width=${(100 * span.coins) / most} /></svg>
      <span>${spanLabel(span)} <span class="count">${say("count.coins", { n: span.coins })}</span></span>
    </button>`)}
  </div>`;
}

function YesOrNo({ id, label, values, give }) {
  return html`<fieldset class="choices"><legend>${label}</legend>${[true, false].map((value) => html`<label key=${value} class="pick">
    <input type="radio" name="${id}-yes" checked=${values[0] === value} onChange=${() => give([value])} /> ${say(value ? "fact.yes" : "fact.no")}</label>`)}</fieldset>`;
}

/** Terms or texts: those that my coins have with their numbers, those chosen, and a search for any other. */
function Values({ id, attribute, label, way, values, give, counts, concepts }) {
  const [text, setText] = useState("");
  const { value: terms } = useLoaded(() => (attribute.vocabulary ? loadTermsOf(attribute.vocabulary, attribute.carried) : null), [attribute.name]);
  const one = TAKES[way] === "one";
  const behind = new Map((counts?.values ?? []).map((entry) => [String(entry.value), (way === "narrower" ? entry.with_narrower : undefined) ?? entry.coins]));
  const own = listedTerms(attribute);
  const known = attribute.values?.length > 0 ? attribute.values.map(String) : own.length > 0 ? own : [...behind.keys()].filter((value) => behind.get(value) > 0).slice(0, LISTED);
  const listed = [...new Set([...known, ...values.map(String)])];
  const labelOf = (value) => terms?.terms.get(value)?.label ?? value;
  const toggled = (value) => give(one ? [value] : values.includes(value) ? values.filter((other) => other !== value) : [...values, value]);
  const above = new Map(concepts.map(({ id: term, broader }) => [term, broader]));
  // A term stands below those above it that are listed too.
  const depth = (value) => {
    let found = 0;
    const waiting = [...(above.get(value) ?? [])];
    const seen = new Set();
    while (waiting.length > 0) {
      const next = waiting.pop();
      if (seen.has(next)) continue;
      seen.add(next);
      if (listed.includes(next)) found += 1;
      waiting.push(...(above.get(next) ?? []));
    }
    return Math.min(found, 3);
  };
  const added = (value) => {
    if (value.trim() !== "" && !values.includes(value)) give(one ? [value] : [...values, value]);
    setText("");
  };
  return html`<fieldset class="values"><legend>${label}</legend>
    ${listed.map((value) => html`<label key=${value} class="pick depth-${way === "narrower" ? depth(value) : 0}">
      <input type=${one ? "radio" : "checkbox"} name="${id}-values" checked=${values.includes(value)} onChange=${() => toggled(value)} />
      ${labelOf(value)}${behind.get(value) > 0 && html`<span class="count">${say("count.coins", { n: behind.get(value) })}</span>`}</label>`)}
    ${!(attribute.values?.length > 0) && html`<label for="${id}-other">${say(attribute.vocabulary ? "build.other_term" : "build.other_text")}</label>
      <${TermPicker} id="${id}-other" terms=${terms} text=${text} typed=${setText} counts=${behind} picked=${(term) => added(term.id)} entered=${attribute.vocabulary ? undefined : added} />
      ${!attribute.vocabulary && text.trim() !== "" && html`<button type="button" class="plain" onClick=${() => added(text.trim())}>${say("build.take_text", { text: text.trim() })}</button>`}`}
  </fieldset>`;
}
