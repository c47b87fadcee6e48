// Facts of a set's own, and lists of its own: declared, named, described, taken away; the terms of a list stand with the fact that has them.
import { all } from "../kept/api.js";
import { makeList } from "../kept/lists.js";
import { inOrder, listed, say } from "../kept/words.js";
import { OWN } from "../sheet/coins.js";
import { changedAt, withItem, withoutItem } from "../sheet/draft-rules.js";
import { listAt } from "../sheet/draft.js";
import { KINDS, inTreeOrder, kindOfOwn, newFact, newList, newName } from "../sheet/own-facts.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { Items, Values, addTo, idOf } from "./draft-items.js";
import { html, useEffect, useState } from "./html.js";
import { NewList, listLabels, listNamer } from "./new-list.js";
import { Removing, brokenWithout } from "./removing.js";
import { Select } from "./select.js";
import { TermTree } from "./term-tree.js";
import { TextField } from "./text-field.js";
import { Trouble } from "./trouble.js";

/** @typedef {import("./draft-items.js").Work} Work */

const [FACTS, LISTS] = ["/attributes", "/vocabularies"];
const A_NEW_ONE = "";
const SHOWN = 6;
const factName = ({ label, name }) => label || name;

/** @param {{work: Work}} of */
export function OwnFacts({ work }) {
  const { document } = work;
  const { value: others, again } = useLoaded(() => all("/v1/vocabularies"), []);
  // Who comes from a finding goes on with its entry.
  useEffect(() => {
    if (work.focus !== null) /** @type {HTMLElement | null} */ (window.document.querySelector(".draft-items button[aria-expanded='true']"))?.focus();
  }, []);
  const facts = listAt(document, FACTS);
  const lists = listAt(document, LISTS);
  const calledBy = listLabels(others ?? []);
  const listName = listNamer(calledBy);
  for (const one of lists) calledBy.set(one.name, listName(one));
  const offered = [...calledBy].sort(([, one], [, other]) => inOrder(one, other));
  const factWords = (item) => {
    const kind = item.vocabulary ? say("mine.kind_of_list", { what: calledBy.get(item.vocabulary) ?? item.vocabulary }) : say(`mine.kind_${item.type}`);
    return say("build.condition_says", { what: factName(item), value: item.many ? say("mine.several_of", { what: kind }) : kind });
  };
  const listWords = (item) => {
    const labels = new Map(item.concepts.map(({ id, label }) => [id, label || id]));
    const terms = inTreeOrder(item.concepts).slice(0, SHOWN).map((id) => labels.get(id));
    const more = item.concepts.length - terms.length;
    return say("build.condition_says", { what: listName(item), value: terms.length === 0 ? say("mine.no_terms") : listed([...terms, ...(more > 0 ? [say("message.more", { n: more })] : [])]) });
  };
  const takenNames = new Set([...work.attributes.keys(), ...OWN]);
  const without = (pointer) => withoutItem(document, pointer.slice(0, pointer.lastIndexOf("/")), Number(pointer.slice(pointer.lastIndexOf("/") + 1)));
  return html`<p class="hint">${say("mine.hint")}</p>
    <section aria-label=${say("mine.facts")}><h4>${say("mine.facts")}</h4>
      <${Items} work=${work} pointer=${FACTS} words=${factWords} editor=${(item, here) => html`<${Fact} work=${work} item=${item} here=${here} lists=${offered} />`}
        removing=${({ item, pointer, remove, keep }) => html`<${Removing} find=${() => brokenWithout(document, without(pointer), FACTS)} what=${factName(item)} facts=${[item.name]} remove=${remove} keep=${keep} />`} />
      <${NewFact} lists=${offered} make=${(kind, label, list) => {
        const vocabulary = kind !== "term" ? undefined : list === A_NEW_ONE ? newName(label, new Set(calledBy.keys()), "list") : list;
        const item = newFact(kind, label, newName(label, takenNames), vocabulary);
        // One change: a fact without its list would be a fault meanwhile.
        const isNew = vocabulary !== undefined && list === A_NEW_ONE;
        addTo(isNew ? { ...work, document: withItem(document, LISTS, { name: vocabulary, label, concepts: [] }) } : work, FACTS, item);
      }} /></section>
    <section aria-label=${say("mine.lists")}><h4>${say("mine.lists")}</h4>
      <${Items} work=${work} pointer=${LISTS} words=${listWords} editor=${(item, here) => html`<${List} work=${work} item=${item} here=${here} calledBy=${calledBy} moved=${() => {
        work.setFocus(null);
        work.change(without(here));
        again();
      }} />`}
        removing=${({ item, pointer, remove, keep }) => html`<${Removing} find=${() => brokenWithout(document, without(pointer), LISTS)} what=${listName(item)} facts=${[]} remove=${remove} keep=${keep} />`} />
      <${NewList} bases=${(others ?? []).map(({ name }) => name).filter((name) => !lists.some((one) => one.extends === name)).map((name) => [name, calledBy.get(name)])}
        make=${(label, base) => addTo(work, LISTS, newList(label, base, calledBy.keys()))} /></section>`;
}

const orNone = (text) => (text === "" ? null : text);

/** @param {{work: Work, item: any, here: string, lists: [string, string][]}} of */
function Fact({ work, item, here, lists }) {
  const id = idOf(here);
  const put = (more) => work.change((now) => changedAt(now, here, more));
  const kind = kindOfOwn(item);
  const known = lists.some(([name]) => name === item.vocabulary) ? lists : [[item.vocabulary, item.vocabulary], ...lists];
  const own = listAt(work.document, LISTS).findIndex(({ name }) => name === item.vocabulary);
  return html`<${TextField} id="${id}-label" label=${say("mine.fact_label")} value=${item.label} hint=${say("mine.written_as", { name: item.name })} change=${(text) => put({ label: orNone(text) })} />
    ${kind === "term" && html`<${Select} name="${id}-list" label=${say("mine.which_list")} options=${known} value=${item.vocabulary} change=${(vocabulary) => put({ vocabulary })} />`}
    ${own >= 0 && html`<h5>${say("mine.terms")}</h5><${TermTree} key=${item.vocabulary} work=${work} at=${own} />`}
    ${item.values?.length > 0 && html`<${Values} id="${id}-values" label=${say("mine.values")} values=${item.values} word=${String} read=${(text) => orNone(text.trim()) ?? undefined} change=${(values) => put({ values: values.length === 0 ? null : values })} />`}
    ${["decimal", "integer"].includes(kind) && html`<${TextField} id="${id}-unit" label=${say("mine.unit")} value=${item.unit} change=${(text) => put({ unit: orNone(text) })} />`}
    ${item.type === "text" && html`<label class="pick"><input type="checkbox" checked=${item.many === true} onChange=${(event) => put({ many: event.target.checked ? true : null })} /> ${say("mine.several")}</label>`}
    <${TextField} id="${id}-help" label=${say("mine.help")} value=${item.help} many change=${(text) => put({ help: orNone(text) })} />
    <${TextField} id="${id}-look" label=${say("build.look_at")} value=${item.look_at} change=${(text) => put({ look_at: orNone(text) })} />`;
}

/** @param {{work: Work, item: any, here: string, calledBy: Map<string, string>, moved: () => void}} of `moved`: it is the account's now */
function List({ work, item, here, calledBy, moved }) {
  const { busy, error, attempt } = useActing();
  const move = () => attempt(() => makeList(item).then(moved));
  return html`${item.extends
    ? html`<p class="hint">${say("mine.added_to_hint", { what: calledBy.get(item.extends) ?? item.extends })}</p>`
    : html`<${TextField} id="${idOf(here)}-label" label=${say("mine.list_label")} value=${item.label} change=${(text) => work.change((now) => changedAt(now, here, { label: orNone(text) }))} />`}
    <${TermTree} work=${work} at=${Number(here.slice(here.lastIndexOf("/") + 1))} />
    <p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${move}>${say("lists.keep_for_all")}</button> <a href="/app/lists">${say("lists.link")}</a></p>
    <${Trouble} error=${error} />`;
}

/** @param {{lists: [string, string][], make: (kind: string, label: string, list: string) => void}} of `list`: "" for a new one */
function NewFact({ lists, make }) {
  const [isOpen, setOpen] = useState(false);
  const [label, setLabel] = useState("");
  const [kind, setKind] = useState(KINDS[0]);
  const [list, setList] = useState(A_NEW_ONE);
  const done = () => {
    make(kind, label.trim(), list);
    setOpen(false);
    setLabel("");
    setList(A_NEW_ONE);
  };
  return html`<div class="adding"><p class="buttons"><button type="button" class="plain" aria-expanded=${isOpen} onClick=${() => setOpen(!isOpen)}>${say("mine.add_fact")}</button></p>
    ${isOpen && html`<div class="panel"><${TextField} id="new-fact" label=${say("mine.new_label")} value=${label} hint=${say("mine.fact_label_hint")} change=${setLabel} />
      <fieldset><legend>${say("mine.kind")}</legend>${KINDS.map((one) => html`<label key=${one} class="pick"><input type="radio" name="new-fact-kind" checked=${kind === one} onChange=${() => setKind(one)} /> ${say(`mine.kind_${one}`)}</label>`)}</fieldset>
      ${kind === "term" && html`<${Select} name="new-fact-list" label=${say("mine.which_list")} options=${[[A_NEW_ONE, say("mine.a_new_list")], ...lists]} value=${list} change=${setList} />`}
      <p class="buttons"><button type="button" disabled=${label.trim() === ""} onClick=${done}>${say("mine.add_this_fact")}</button></p></div>`}</div>`;
}
