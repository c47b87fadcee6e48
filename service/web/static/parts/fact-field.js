// One fact of a coin: a value, one of several, between two, known to be none, or not looked at. Its form follows the attribute.
import { either, say } from "../kept/words.js";
import { NOTHING, draftOf, kindOf, readDraft, waysOf } from "../sheet/fact-draft.js";
import { factInWords } from "./clauses.js";
import { Cross } from "./cross.js";
import { loadTermsOf, useLoaded } from "./data.js";
import { html, useEffect, useRef, useState } from "./html.js";
import { TermPicker } from "./term-picker.js";

/** The draft to begin with; where there is one way only, it is that. */
function begun(attribute, fact, terms, ways) {
  const draft = draftOf(attribute, fact, terms);
  return ways?.length === 1 && draft.way === "unknown" ? { ...draft, way: ways[0] } : draft;
}

const KEYBOARDS = { integer: "numeric", decimal: "decimal" };

/**
 * @param {{id: string, attribute: import("../sheet/fact-draft.js").Attribute & {look_at?: string}, label: string, fact: unknown,
 *   change: (fact: unknown) => void, terms?: import("../sheet/terms.js").Terms | null, issuer?: string, counts?: Map<string, number>,
 *   ways?: string[], hint?: boolean}} of `fact`: what is recorded at first (give another `key` to begin anew);
 *   `change` is told the fact as one types: null for nothing, undefined while it cannot be read; `terms`: those of the attribute's
 *   vocabulary, null while they are loaded; left out: they are loaded here; `ways`: those that are offered, left out: all that the attribute has
 */
export function FactField({ id, attribute, label, fact, change, terms: given, issuer, counts, ways, hint = true }) {
  const { value: loaded } = useLoaded(() => (given === undefined && attribute.vocabulary ? loadTermsOf(attribute.vocabulary, attribute.carried) : null), [attribute.vocabulary, given]);
  const terms = given === undefined ? loaded : given;
  const [draft, setDraft] = useState(() => begun(attribute, fact, terms, ways));
  const touched = useRef(false);
  // The labels of what is recorded come with the terms.
  useEffect(() => {
    if (!touched.current) setDraft(begun(attribute, fact, terms, ways));
  }, [terms]);
  const reading = readDraft(attribute, draft, { terms, issuer });
  const kind = kindOf(attribute);
  const offered = ways ?? waysOf(attribute);
  const put = (more) => {
    touched.current = true;
    const now = { ...draft, kept: undefined, ...more };
    const isEmpty = now.text.trim() === "" && now.words.length === 0;
    if (now.way === "unknown" && !isEmpty) now.way = "value";
    else if (now.way === "value" && isEmpty && more.way === undefined && offered.length > 1) now.way = "unknown";
    setDraft(now);
    change(readDraft(attribute, now, { terms, issuer }).fact);
  };
  const chosen = (way) => put(way === "none" || way === "unknown" ? { ...NOTHING, way } : { way });
  const unit = attribute.unit ? say("fact_field.unit", { fact: label, unit: attribute.unit }) : label;
  const told = draft.kept === undefined ? toldOf(attribute, reading, terms) : say("fact_field.kept", { what: factInWords(draft.kept) });
  const described = [hint && attribute.look_at && `${id}-look`, `${id}-told`].filter(Boolean).join(" ");
  const isGroup = draft.way !== "none" && (kind === "choice" ? attribute.many || draft.way === "one_of" : kind === "yes_or_no");
  return html`<div class="fact-field" role="group" aria-labelledby="${id}-name">
    ${isGroup ? html`<span class="name" id="${id}-name">${unit}</span>` : html`<label id="${id}-name" for=${id}>${unit}</label>`}
    <div class="typed">
      <${Typed} ...${{ id, attribute, kind, draft, put, terms, counts, described, label: unit, bad: reading.wrong !== "" }} />
      ${offered.length > 1 && html`<select class="way" aria-label=${say("fact_field.way", { fact: label })} value=${draft.way} onChange=${(event) => chosen(event.target.value)}>
        ${offered.map((way) => html`<option key=${way} value=${way}>${say(`record.${way}`)}</option>`)}
      </select>`}
    </div>
    ${hint && attribute.look_at && html`<p class="hint" id="${id}-look">${say("place.look_at", { where: attribute.look_at })}</p>`}
    <p class=${reading.wrong === "" ? "hint told" : "wrong told"} id="${id}-told" aria-live="polite">${told}</p>
  </div>`;
}

/** What was understood, where that is not plainly what was typed, or what is wrong with it. */
function toldOf(attribute, { wrong, read }, terms) {
  if (wrong === "bounds") {
    const [low, high] = [attribute.low, attribute.high];
    if (high === null) return say("fact_field.at_least", { low: String(low) });
    return low === null ? say("fact_field.at_most", { high: String(high) }) : say("fact_field.from_to", { low: String(low), high: String(high) });
  }
  if (wrong !== "") return say(`fact_field.wrong_${wrong}`);
  if (terms === null) return "";
  return read
    .map(({ text, terms: found, sure }) => {
      if (found.length === 0) return say("fact_field.unknown_term", { text });
      const labels = found.map((term) => (term.id === term.label ? term.label : `${term.label} (${term.id})`));
      if (!sure) return say("fact_field.several_terms", { text, terms: either(labels) });
      return found[0].label === text.trim() ? "" : say("fact_field.read_as", { text, term: labels[0] });
    })
    .filter((text) => text !== "")
    .join(" ");
}

/** What is typed or picked, by the kind of the attribute and the way in which it is known. */
function Typed(of) {
  const { id, attribute, kind, draft, put, described, label, bad } = of;
  if (draft.way === "none") return html`<input id=${id} type="text" disabled value=${say("fact.none")} />`;
  const isList = attribute.many || draft.way === "one_of";
  if (kind === "yes_or_no") return html`<${YesOrNo} ...${of} />`;
  if (kind === "choice" || kind === "term" || kind === "text") {
    const Words = kind === "choice" ? (isList ? Checks : Choice) : isList ? Tokens : Word;
    if (!(attribute.many && draft.way === "one_of")) return html`<${Words} ...${of} words=${draft.words} give=${(words) => put({ words })} />`;
    return html`<div class="stacked">
      <${Words} ...${of} words=${draft.words} give=${(words) => put({ words })} label=${say("fact_field.sure", { fact: label })} titled />
      <${Words} ...${of} id="${id}-perhaps" words=${draft.perhaps} give=${(perhaps) => put({ perhaps })} label=${say("fact_field.perhaps", { fact: label })} titled />
    </div>`;
  }
  const field = { type: "text", inputmode: draft.way === "one_of" ? undefined : KEYBOARDS[attribute.type], autocomplete: "off", spellcheck: false };
  const hint = { integer: "fact_field.example_number", decimal: "fact_field.example_number", date: "fact_field.example_day" }[attribute.type];
  const first = html`<input id=${id} ...${field} value=${draft.text} aria-describedby=${described} aria-invalid=${bad} placeholder=${draft.way === "one_of" && hint ? say(hint) : undefined}
    aria-label=${draft.way === "between" ? say("fact_field.from", { fact: label }) : undefined} onInput=${(event) => put({ text: event.target.value })} />`;
  if (draft.way !== "between") return first;
  return html`<div class="two">${first}
    <input id="${id}-to" ...${field} value=${draft.to} aria-label=${say("fact_field.to", { fact: label })} aria-describedby=${described} aria-invalid=${bad}
      onInput=${(event) => put({ to: event.target.value })} /></div>`;
}

const plain = (text) => ({ text, id: text });

function YesOrNo({ id, draft, put }) {
  return html`<div class="choices">${["true", "false"].map((value) => html`<label key=${value} class="pick">
    <input type="radio" name=${id} checked=${draft.words[0]?.id === value} onChange=${() => put({ words: [plain(value)] })} />
    ${say(value === "true" ? "fact.yes" : "fact.no")}</label>`)}</div>`;
}

function Choice({ id, attribute, words, give, described }) {
  const now = words[0]?.id ?? "";
  const other = now !== "" && !attribute.values.includes(now) ? [now] : [];
  return html`<select id=${id} value=${now} aria-describedby=${described} onChange=${(event) => give(event.target.value === "" ? [] : [plain(event.target.value)])}>
    <option value=""></option>
    ${[...attribute.values, ...other].map((value) => html`<option key=${value} value=${value}>${attribute.value_labels?.[value] ?? value}</option>`)}</select>`;
}

function Checks({ attribute, words, give, label, titled = false }) {
  const has = (value) => words.some((word) => word.id === value);
  const toggled = (value) => give(has(value) ? words.filter((word) => word.id !== value) : [...words, plain(value)]);
  const boxes = attribute.values.map((value) => html`<label key=${value} class="pick">
    <input type="checkbox" checked=${has(value)} onChange=${() => toggled(value)} /> ${attribute.value_labels?.[value] ?? value}</label>`);
  if (!titled) return html`<div class="choices">${boxes}</div>`;
  return html`<div class="choices" role="group" aria-label=${label}><span class="name">${label}</span>${boxes}</div>`;
}

function Word({ id, kind, words, give, terms, counts, described }) {
  const typed = (text) => give(text === "" ? [] : [{ text, id: kind === "text" ? text : null }]);
  return html`<${TermPicker} id=${id} terms=${terms} text=${words[0]?.text ?? ""} describedBy=${described} counts=${counts}
    typed=${typed} picked=${(term) => give([{ text: term.label, id: term.id }])} />`;
}

/** Several words: each a button that takes it away again, and a field for the next; what stands in that counts as well. */
function Tokens({ id, kind, words, give, terms, counts, described, label, titled = false }) {
  const [typing, setTyping] = useState("");
  const last = words.length > 0 && words[words.length - 1].typing ? words[words.length - 1] : null;
  const done = last === null ? words : words.slice(0, -1);
  const word = (text) => ({ text: text.trim(), id: kind === "text" ? text.trim() : null });
  const typed = (text) => {
    const parts = text.split(";");
    const rest = parts.pop();
    setTyping(rest);
    const whole = parts.filter((part) => part.trim() !== "").map(word);
    give([...done, ...whole, ...(rest.trim() === "" ? [] : [{ ...word(rest), typing: true }])]);
  };
  const added = (one) => {
    setTyping("");
    give([...done, one]);
  };
  return html`<div class="tokens">
    ${titled && html`<label for=${id}>${label}</label>`}
    ${done.map((one, at) => html`<button key=${one.text + at} type="button" class="token plain" aria-label=${say("fact_field.take_away", { what: one.text })}
      onClick=${() => give(words.filter((other) => other !== one))}>${one.text}<${Cross} /></button>`)}
    <${TermPicker} id=${id} terms=${terms} text=${typing} describedBy=${described} counts=${counts} typed=${typed}
      picked=${(term) => added({ text: term.label, id: term.id })} entered=${(text) => added(word(text))} />
  </div>`;
}
