// Lists of a draft: each entry in words, changed in its place, moved, removed; others added by a button for each kind.
import { say } from "../kept/words.js";
import { movedItem, withItem, withoutItem } from "../sheet/draft-rules.js";
import { listAt, swapped } from "../sheet/draft.js";
import { AttributePicker } from "./condition-form.js";
import { Cross } from "./cross.js";
import { html, useRef, useState } from "./html.js";
import { useMessages } from "./message.js";
import { RuleForm } from "./rule-form.js";
import { TermPicker } from "./term-picker.js";

/**
 * @typedef {object} Work what is worked on
 * @property {object} document @property {Map<string, object>} attributes
 * @property {{pointer: string, severity: string, code: string, message: string}[]} findings of the check, when it answered last
 * @property {(next: object | ((now: object) => object)) => void} change
 * @property {string | null} focus a pointer to the entry that is being changed @property {(pointer: string | null) => void} setFocus
 * @property {(pointer: string) => import("../sheet/rule-form.js").Node | null} formAt of a rule; null while it cannot be read
 * @property {(pointer: string, form: import("../sheet/rule-form.js").Node) => void} putForm
 * @property {(pointer: string) => string} textAt a rule as the service writes it
 */

/** The part of an element's id for a pointer. */
export const idOf = (pointer) => pointer.slice(1).replaceAll("/", "-");

/** The rule of an entry as a form; its text stands in the column beside. @param {{work: Work, pointer: string}} of */
export function Where({ work, pointer }) {
  const form = work.formAt(pointer);
  if (form === null) return html`<p class="hint">${say("build.read_text_first")}</p>`;
  return html`<${RuleForm} id=${idOf(pointer)} form=${form} change=${(next) => work.putForm(pointer, next)} attributes=${work.attributes} document=${work.document} />`;
}

/** Adds an entry and opens it. @param {Work} work */
export function addTo(work, pointer, item) {
  const at = listAt(work.document, pointer).length;
  work.change(withItem(work.document, pointer, item));
  work.setFocus(`${pointer}/${at}`);
  // The keyboard goes on with it.
  setTimeout(() => /** @type {HTMLElement | null} */ (window.document.querySelector(".draft-items button[aria-expanded='true']"))?.focus());
}

/**
 * @param {{work: Work, pointer: string, words: (item: any, pointer: string) => string, editor: (item: any, pointer: string) => unknown, ordered?: boolean,
 *   removing?: (of: {item: any, pointer: string, remove: () => void, keep: () => void}) => unknown}} of `ordered`: their order says something; `removing`:
 *   what is shown before an entry is taken away; left out: nothing
 */
export function Items({ work, pointer, words, editor, ordered = false, removing }) {
  const list = listAt(work.document, pointer);
  const root = useRef(null);
  const worded = useMessages();
  const [leaving, setLeaving] = useState(/** @type {string | null} */ (null));
  if (list.length === 0) return null;
  // What stands behind is at another place afterwards; the keyboard goes on with the entry, or where another is added.
  const put = (next, at) => {
    const section = root.current.parentElement;
    work.setFocus(null);
    work.change(next);
    setTimeout(() => (at === null ? section.querySelector(".adding button") : root.current?.children[at]?.querySelector("button"))?.focus());
  };
  const move = (at, step, text, what) => html`<button type="button" class="plain" disabled=${at + step < 0 || at + step >= list.length} aria-label=${what}
    onClick=${() => put(movedItem(work.document, pointer, at, step), at + step)}>${text}</button>`;
  const line = (item, at) => {
    const here = `${pointer}/${at}`;
    const what = words(item, here);
    const isOpen = work.focus === here || work.focus?.startsWith(`${here}/`);
    const found = work.findings.filter((one) => one.severity !== "note" && (one.pointer === here || one.pointer.startsWith(`${here}/`)));
    const remove = () => {
      setLeaving(null);
      put(withoutItem(work.document, pointer, at), null);
    };
    const keep = () => {
      setLeaving(null);
      setTimeout(() => root.current?.children[at]?.querySelector("button")?.focus());
    };
    return html`<li key=${at}><span class="says">${what}</span>
      <span class="buttons small">
        <button type="button" class="plain" aria-expanded=${isOpen} aria-label=${say("build.change_what", { what })} onClick=${() => work.setFocus(isOpen ? null : here)}>${say("build.change")}</button>
        ${ordered && html`${move(at, -1, say("build.up"), say("build.up_what", { what }))}${move(at, 1, say("build.down"), say("build.down_what", { what }))}`}
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what })} onClick=${() => (removing === undefined ? remove() : setLeaving(here))}>${say("build.remove")}</button>
      </span>
      ${found.map((one) => html`<p key=${one.code + one.pointer} class="wrong">${worded(one)}</p>`)}
      ${leaving === here && removing?.({ item, pointer: here, remove, keep })}
      ${isOpen && html`<div class="panel">${editor(item, here)}</div>`}</li>`;
  };
  return ordered ? html`<ol class="draft-items" ref=${root}>${list.map(line)}</ol>` : html`<ul class="draft-items" ref=${root}>${list.map(line)}</ul>`;
}

/**
 * A button for each kind of entry that can be added; those about a fact ask for it first.
 * @param {{id: string, label: string, kinds: {key: string, text: string, fit?: (attribute: any) => boolean}[], attributes: Map<string, object>,
 *   add: (key: string, attribute: string | null) => void}} of `fit`: there where a fact is asked for
 */
export function Adding({ id, label, kinds, attributes, add }) {
  const [asked, ask] = useState(/** @type {string | null} */ (null));
  const { fit } = kinds.find(({ key }) => key === asked) ?? {};
  const pressed = (kind) => (kind.fit === undefined ? add(kind.key, null) : ask(asked === kind.key ? null : kind.key));
  return html`<div class="adding" role="group" aria-label=${label}>
    <p class="buttons">${kinds.map((kind) => html`<button key=${kind.key} type="button" class="plain" aria-expanded=${kind.fit ? asked === kind.key : undefined} onClick=${() => pressed(kind)}>${kind.text}</button>`)}</p>
    ${fit && html`<div class="panel"><${AttributePicker} key=${asked} id="${id}-fact" attributes=${attributes} fit=${fit} picked=${(name) => {
      ask(null);
      add(asked, name);
    }} /></div>`}</div>`;
}

/** Attributes that something is said of: each a button that takes it away, and a search for another. @param {{id: string, label: string, names: string[], called: (name: string) => string, attributes: Map<string, object>, change: (names: string[]) => void}} of */
export function Facts({ id, label, names, called, attributes, change }) {
  return html`<fieldset class="values"><legend>${label}</legend>
    ${names.map((name) => html`<button key=${name} type="button" class="token plain" disabled=${names.length === 1} aria-label=${say("fact_field.take_away", { what: called(name) })}
      onClick=${() => change(names.filter((one) => one !== name))}>${called(name)}<${Cross} /></button>`)}
    <${AttributePicker} id=${id} attributes=${attributes} fit=${({ name }) => !names.includes(name)} picked=${(name) => change([...names, name])} /></fieldset>`;
}

/**
 * Values in their order: up, down, taken away; another one typed, or picked where there are terms.
 * @param {{id: string, label: string, values: any[], word: (value: any) => string, read: (text: string) => any, change: (values: any[]) => void,
 *   terms?: import("../sheet/terms.js").Terms | null, ordered?: boolean}} of `read`: undefined for what is no value
 */
export function Values({ id, label, values, word, read, change, terms = null, ordered = true }) {
  const [text, setText] = useState("");
  const same = (one) => JSON.stringify(one);
  const add = (value) => {
    if (value !== undefined && !values.some((one) => same(one) === same(value))) change([...values, value]);
    setText("");
  };
  const moved = (at, step) => change(swapped(values, at, step));
  const wrong = text.trim() !== "" && terms === null && read(text) === undefined;
  return html`<fieldset class="values"><legend>${label}</legend>
    <ul class="draft-items keys">${values.map((value, at) => {
      const what = word(value);
      return html`<li key=${same(value)}><span class="says">${what}</span> <span class="buttons small">
        ${ordered && html`<button type="button" class="plain" disabled=${at === 0} aria-label=${say("build.up_what", { what })} onClick=${() => moved(at, -1)}>${say("build.up")}</button>
          <button type="button" class="plain" disabled=${at === values.length - 1} aria-label=${say("build.down_what", { what })} onClick=${() => moved(at, 1)}>${say("build.down")}</button>`}
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what })} onClick=${() => change(values.filter((one) => one !== value))}>${say("build.remove")}</button></span></li>`;
    })}</ul>
    <label for=${id}>${say("build.another_value")}</label>
    <${TermPicker} id=${id} terms=${terms} text=${text} typed=${setText} picked=${(term) => add(term.id)} entered=${(typed) => add(read(typed))} />
    ${wrong && html`<p class="wrong">${say("build.a_number")}</p>`}
    ${terms === null && html`<p class="buttons small"><button type="button" class="plain" disabled=${text.trim() === "" || wrong} onClick=${() => add(read(text))}>${say("build.add_it")}</button></p>`}
  </fieldset>`;
}
