// The terms of a list of one's own, as a tree: each opens to be named, moved up, down, in and out, and to get terms below it.
import { say } from "../kept/words.js";
import { withMembers, withValueAt } from "../sheet/draft.js";
import { branchesOf, changedTerm, movedTerm, withTerm, withThoseBelow, withoutTerm } from "../sheet/own-facts.js";
import { folded, named } from "../sheet/terms.js";
import { Cross } from "./cross.js";
import { loadTermsOf, useLoaded } from "./data.js";
import { idOf } from "./draft-items.js";
import { html, useRef, useState } from "./html.js";
import { Removing, brokenWithout } from "./removing.js";
import { TermPicker } from "./term-picker.js";
import { TextField } from "./text-field.js";

const STEPS = /** @type {const} */ (["up", "down", "in", "out"]);
const ISSUERS = "issuers";
const wordOf = ({ id, label }) => label || id;

/**
 * @typedef {Pick<import("./draft-items.js").Work, "document" | "attributes" | "change">} WithLists
 * @param {{work: WithLists, at: number, reading?: (term: string) => Promise<import("./removing.js").Broken[]>}} of `at`: which of the document's
 *   vocabularies; `reading`: what would lack a term; left out: what the check of the document finds without it
 */
export function TermTree({ work, at, reading }) {
  const pointer = `/vocabularies/${at}`;
  const entries = /** @type {import("../sheet/carried.js").Carried[]} */ (work.document.vocabularies);
  const entry = entries[at];
  const { concepts } = entry;
  const root = useRef(null);
  const [opened, setOpened] = useState(/** @type {string | null} */ (null));
  const [leaving, setLeaving] = useState(false);
  const { value: terms } = useLoaded(() => loadTermsOf(entry.name, entries), [entries], { keeps: true });
  const put = (next) => work.change((now) => withValueAt(now, `${pointer}/concepts`, next));
  const labelOf = (id) => terms?.terms.get(id)?.label ?? id;
  const open = (id) => {
    setOpened(id);
    setLeaving(false);
  };
  // What was painted anew has lost the keyboard: it goes on with the same button, or with the term.
  const focused = (...selectors) => setTimeout(() => {
    const found = selectors.map((selector) => root.current?.querySelector(selector)).find((one) => one);
    /** @type {HTMLElement | undefined} */ (found)?.focus();
  });
  const moved = (id, step) => {
    put(movedTerm(concepts, id, step));
    focused(`[data-step="${step}"]:not(:disabled)`, "[aria-expanded='true']");
  };
  const removed = (id) => {
    put(withoutTerm(concepts, id));
    open(null);
    focused("button", "input");
  };
  const brokenInDraft = (id) => brokenWithout(work.document, withValueAt(work.document, `${pointer}/concepts`, withoutTerm(concepts, id)), `${pointer}/concepts`);
  const add = (text, parent) => put(withTerm(concepts, text, parent));
  const changed = (id, more) => put(changedTerm(concepts, id, more));
  const facts = [...work.attributes.values()].filter(({ vocabulary }) => vocabulary === entry.name || (entry.extends && vocabulary === entry.extends)).map(({ name }) => name);
  const editor = (concept) => {
    const what = wordOf(concept);
    const here = `${idOf(pointer)}-term`;
    const button = (step) => html`<button key=${step} type="button" class="plain" data-step=${step} disabled=${movedTerm(concepts, concept.id, step) === concepts}
      aria-label=${say(["in", "out"].includes(step) ? `mine.${step}_what` : `build.${step}_what`, { what })} onClick=${() => moved(concept.id, step)}>${say(["in", "out"].includes(step) ? `mine.${step}` : `build.${step}`)}</button>`;
    return html`<div class="panel">
      <p class="buttons small">${STEPS.map(button)}
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what })} onClick=${() => setLeaving(true)}>${say("build.remove")}</button></p>
      ${leaving && html`<${Removing} find=${() => (reading ? reading(concept.id) : brokenInDraft(concept.id))}
        what=${what} facts=${facts} value=${concept.id} remove=${() => removed(concept.id)} keep=${() => {
          setLeaving(false);
          focused("[aria-expanded='true']");
        }} />`}
      <${NewTerm} id="${here}-below" label=${say("mine.term_below", { what })} terms=${terms} add=${(text) => add(text, concept.id)} />
      <${TextField} id="${here}-label" label=${say("mine.term")} value=${concept.label ?? concept.id} change=${(text) => changed(concept.id, { label: text === concept.id ? null : text })} />
      <${OtherNames} key=${concept.id} id="${here}-names" names=${concept.alternative_labels ?? []} change=${(names) => changed(concept.id, { alternative_labels: names.length === 0 ? null : names })} />
      <${Above} id="${here}-above" concept=${concept} terms=${terms} labelOf=${labelOf} without=${withThoseBelow(concepts, concept.id)} change=${(broader) => changed(concept.id, { broader: broader.length === 0 ? null : broader })} />
      ${entry.extends === ISSUERS && html`<div class="two-ends">${["started", "ended"].map((day) => html`<div key=${day} class="field"><label for="${here}-${day}">${say(`mine.${day}`)}</label>
        <input id="${here}-${day}" type="date" value=${concept[day] ?? ""} onChange=${(event) => changed(concept.id, { [day]: event.target.value || null })} /></div>`)}</div>`}
    </div>`;
  };
  const line = ({ concept, below }, parent) => {
    const others = (concept.broader ?? []).filter((one) => one !== parent);
    const isOpen = opened === concept.id;
    return html`<li key=${concept.id}><button type="button" class="plain entry" aria-expanded=${isOpen} onClick=${() => open(isOpen ? null : concept.id)}>${wordOf(concept)}
        ${others.length > 0 && html` <span class="of">${say("mine.stands_below", { what: others.map(labelOf).join(", ") })}</span>`}</button>
      ${isOpen && editor(concept)}
      ${below.length > 0 && html`<ul>${below.map((one) => line(one, concept.id))}</ul>`}</li>`;
  };
  return html`<div ref=${root}>
    ${concepts.length === 0 ? html`<p class="hint">${say("mine.no_terms")}</p>` : html`<ul class="term-tree">${branchesOf(concepts).map((one) => line(one, null))}</ul>
      <p class="hint">${say("mine.terms_hint")}</p>`}
    <${NewTerm} id="${idOf(pointer)}-new" label=${say("mine.new_term")} terms=${terms} add=${(text) => add(text, null)} /></div>`;
}

/** A term that is typed; one that is there already is told. */
function NewTerm({ id, label, terms, add }) {
  const [text, setText] = useState("");
  const typed = text.trim();
  const found = typed === "" || terms === null ? { sure: false, terms: [] } : named(terms, typed);
  const there = found.terms.find((one) => found.sure && [one.id, one.label].some((name) => folded(name) === folded(typed)));
  const done = () => {
    if (typed === "" || there !== undefined) return;
    add(typed);
    setText("");
  };
  return html`<div class="field"><label for=${id}>${label}</label>
    <span class="term-typed"><input id=${id} type="text" autocomplete="off" value=${text} aria-invalid=${there !== undefined} aria-describedby="${id}-there" onInput=${(event) => setText(event.target.value)}
      onKeyDown=${(event) => {
        if (event.key !== "Enter" || event.isComposing) return;
        event.preventDefault();
        done();
      }} /> <button type="button" class="plain" disabled=${typed === "" || there !== undefined} onClick=${done}>${say("build.add_it")}</button></span>
    <p class=${there === undefined ? "hint" : "wrong"} id="${id}-there" aria-live="polite">${there === undefined ? "" : say("mine.there_already", { what: there.label })}</p></div>`;
}

/** What else people call it; the text as it is typed stays. */
function OtherNames({ id, names, change }) {
  const [text, setText] = useState(names.join("; "));
  return html`<${TextField} id=${id} label=${say("mine.other_names")} value=${text} hint=${say("mine.other_names_hint")} change=${(typed) => {
    setText(typed);
    change([...new Set(typed.split(";").map((one) => one.trim()).filter((one) => one !== ""))]);
  }} />`;
}

/** The terms that one stands below: each a button that takes it away, and a search for another. */
function Above({ id, concept, terms, labelOf, without, change }) {
  const [text, setText] = useState("");
  const broader = concept.broader ?? [];
  return html`<fieldset class="values"><legend>${say("mine.above")}</legend>
    <div class="tokens">${broader.map((one) => html`<button key=${one} type="button" class="token plain" aria-label=${say("fact_field.take_away", { what: labelOf(one) })}
      onClick=${() => change(broader.filter((other) => other !== one))}>${labelOf(one)}<${Cross} /></button>`)}</div>
    <label for=${id}>${say("build.other_term")}</label>
    <${TermPicker} id=${id} terms=${terms === null ? null : withMembers(terms, { words: terms.words.filter((one) => !without.has(one.id) && !broader.includes(one.id)) })} text=${text} typed=${setText} picked=${(term) => {
      setText("");
      change([...broader, term.id]);
    }} /></fieldset>`;
}
