// Lists of terms that the account keeps, for all its sets and coins: each is named, its terms are a tree, and what is changed is saved by itself.
import { all } from "../kept/api.js";
import { deleteList, listAsFile, listFromFile, makeList, readList, savingList } from "../kept/lists.js";
import { saveFile } from "../kept/save.js";
import { inOrder, listed, say } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { loadAttributesOf, loadMyDocuments, useLoaded } from "../parts/data.js";
import { FileDrop } from "../parts/file-drop.js";
import { html, useEffect, useRef, useState } from "../parts/html.js";
import { NewList, listLabels, listNamer } from "../parts/new-list.js";
import { TermTree } from "../parts/term-tree.js";
import { TextField } from "../parts/text-field.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { setsWithList, setsWithTerm } from "../sheet/naming.js";
import { newList } from "../sheet/own-facts.js";

async function loadLists() {
  const [lists, documents] = await Promise.all([all("/v1/vocabularies"), loadMyDocuments()]);
  return { lists, documents, attributes: await loadAttributesOf(documents) };
}

export function Lists() {
  const { value: loaded, error, again } = useLoaded(loadLists, [], { keeps: true });
  const [opened, setOpened] = useState(/** @type {string | null} */ (null));
  const [notice, setNotice] = useState("");
  const adding = useActing();
  const { lists, documents, attributes } = loaded ?? { lists: [], documents: [], attributes: new Map() };
  const calledBy = listLabels(lists);
  const listName = listNamer(calledBy);
  // By what does not change while somebody types.
  const own = lists.filter((one) => one.private).sort((one, other) => inOrder(one.name, other.name));
  const bases = lists.filter(({ name, extends: base }) => !base && !own.some((one) => one.extends === name)).map(({ name }) => [name, calledBy.get(name)]);
  const shown = async (name, told) => {
    await again();
    setNotice(told);
    setOpened(name);
  };
  const make = (label, base) => adding.attempt(async () => {
    const made = await makeList(newList(label, base, calledBy.keys()));
    await shown(made.name, "");
  });
  const take = (file) => adding.attempt(async () => {
    const made = await listFromFile(file);
    const leftOut = (made.not_kept ?? []).map(({ property }) => property);
    const told = say("lists.taken_in", { what: listName(made), n: made.concepts.length });
    await shown(made.name, leftOut.length === 0 ? told : `${told} ${say("lists.left_out", { what: listed(leftOut) })}`);
  });
  return html`
    <${Title} text=${say("lists.title")} />
    <p>${say("lists.hint")}</p>
    <${Trouble} error=${error} again=${again} />
    ${loaded === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${loaded !== null && html`
      ${own.length === 0 ? html`<p>${say("lists.none")}</p>` : html`<ul class="draft-items">${own.map((one) => html`<li key=${one.name}>
        <button type="button" class="plain entry" aria-expanded=${opened === one.name} onClick=${() => setOpened(opened === one.name ? null : one.name)}>
          ${say("build.condition_says", { what: listName(one), value: say("lists.n_terms", { n: one.size }) })}</button>
        ${opened === one.name && html`<${OneList} key=${one.name} name=${one.name} title=${listName(one)} base=${one.extends === null ? null : (calledBy.get(one.extends) ?? one.extends)}
          attributes=${attributes} documents=${documents} changed=${again} gone=${() => shown(null, say("lists.deleted", { what: listName(one) }))} />`}</li>`)}</ul>`}
      <p class="notice" role="status" hidden=${notice === ""}>${notice}</p>
      <${NewList} bases=${bases} make=${make} />
      <details class="panel"><summary>${say("lists.from_file")}</summary><p class="hint">${say("lists.from_file_hint")}</p>
        <${FileDrop} label=${say("lists.file")} accept=".ttl,.jsonld,.json" take=${take} /></details>
      <${Trouble} error=${adding.error} />`}`;
}

/** A list as it is on the service, and then with each change. */
function OneList({ name, title, base, attributes, documents, changed, gone }) {
  const { value: read, error, again } = useLoaded(() => readList(name), [name]);
  return html`<div class="panel"><${Trouble} error=${error} again=${again} />
    ${read !== null && html`<${Editor} key=${read.etag} read=${read} title=${title} base=${base} attributes=${attributes} documents=${documents} changed=${changed} gone=${gone} again=${again} />`}</div>`;
}

function Editor({ read, title, base, attributes, documents, changed, gone, again }) {
  const { name } = read.list;
  const [list, setList] = useState(read.list);
  const [state, setState] = useState({ how: "saved", error: /** @type {any} */ (null) });
  const [leaving, setLeaving] = useState(false);
  const now = useRef(list);
  const saving = useRef(/** @type {ReturnType<typeof savingList> | null} */ (null));
  saving.current ??= savingList(name, read.etag, (how, error) => {
    setState({ how, error });
    if (how !== "saved") return;
    // What is there already is looked up anew.
    setList((before) => ({ ...before }));
    changed();
  });
  useEffect(() => {
    const kept = /** @type {ReturnType<typeof savingList>} */ (saving.current);
    const asks = (event) => {
      if (!kept.isSaved()) event.preventDefault();
    };
    window.addEventListener("beforeunload", asks);
    return () => {
      window.removeEventListener("beforeunload", asks);
      kept.now();
    };
  }, []);
  const put = (next) => {
    now.current = next;
    setList(next);
    saving.current?.put(next);
  };
  const { busy, error, attempt } = useActing();
  const remove = () => attempt(async () => {
    const kept = /** @type {ReturnType<typeof savingList>} */ (saving.current);
    await kept.now();
    await deleteList(name, kept.version());
    gone();
  });
  const download = () => attempt(async () => {
    await saving.current?.now();
    saveFile(`${name}.ttl`, await listAsFile(name));
  });
  const work = { document: { vocabularies: [list] }, attributes, change: (make) => put(make({ vocabularies: [now.current] }).vocabularies[0]) };
  const reading = async (term) => setsWithTerm(documents, term).map((where) => ({ where, finding: null }));
  const sets = setsWithList(documents, name);
  return html`
    ${base === null ? html`<${TextField} id="list-label" label=${say("mine.list_label")} value=${list.label} change=${(label) => put({ ...now.current, label })} />`
      : html`<p class="hint">${say("lists.added_hint", { what: base })}</p>`}
    ${sets.length > 0 && html`<p class="hint">${say("lists.named_by", { sets: listed(sets) })}</p>`}
    <${TermTree} work=${work} at=${0} reading=${reading} />
    <p class="draft-state" role="status">${say(state.how === "saved" ? "build.as_saved" : `lists.${state.how}`)}</p>
    <${Trouble} error=${state.error} again=${() => saving.current?.now()} />
    ${state.error?.status === 412 && html`<p class="buttons"><button type="button" class="plain" onClick=${again}>${say("lists.as_there")}</button></p>`}
    <p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${download}>${say("lists.as_file")}</button>
      <button type="button" class="plain" disabled=${busy} aria-expanded=${leaving} onClick=${() => setLeaving(!leaving)}>${say("lists.delete")}</button></p>
    <${Trouble} error=${error} />
    ${leaving && html`<div class="panel removing" role="group" aria-label=${say("build.remove_what", { what: title })}>
      <p>${say("lists.delete_what", { what: title, n: list.concepts.length })} ${sets.length > 0 && say("lists.named_by", { sets: listed(sets) })}</p>
      <p class="buttons"><button type="button" disabled=${busy} onClick=${remove}>${say("mine.remove_anyway")}</button>
        <button type="button" class="plain" onClick=${() => setLeaving(false)}>${say("mine.keep")}</button></p></div>`}`;
}
