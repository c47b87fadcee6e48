// Several coins at once: one fact or note changed in all of them, seen before it is done; or deleted, and brought back.
import { changeBack, changeMany, deleteCoin, restoreCoin } from "../kept/edits.js";
import { undoImport } from "../kept/imports.js";
import { say } from "../kept/words.js";
import { factInWords } from "./clauses.js";
import { FactField } from "./fact-field.js";
import { FieldSelect, pickedField } from "./filter-picker.js";
import { html, useState } from "./html.js";
import { ownInWords, ownName } from "./own-fields.js";
import { Trouble, troubleOf } from "./trouble.js";

// What a sheet of rows can say of a coin, and is not each coin's alone.
const OWN_OF_MANY = ["status", "mark", "quantity", "location", "tags", "bought_from", "bought_on", "note"];

/**
 * @param {{ids: string[], name: (id: string) => string, attributes: Map<string, object>, label: (name: string) => string,
 *   done: () => Promise<void>, leave: () => void}} of `name`: what a coin is called; `leave`: nothing is selected any more
 */
export function ManyCoins({ ids, name, attributes, label, done, leave }) {
  const [outcome, setOutcome] = useState(null);
  const [progress, setProgress] = useState(null);
  const finished = async (told) => {
    setOutcome(told);
    setProgress(null);
    await done();
  };
  const act = async (work) => {
    setOutcome(null);
    setProgress(0);
    await finished(await work(setProgress));
  };
  return html`<section class="panel many" aria-label=${say("many.title", { n: ids.length })}><h2>${say("many.title", { n: ids.length })}</h2>
    ${ids.length > 0 && html`<${Change} key=${ids.join()} ids=${ids} name=${name} attributes=${attributes} label=${label} act=${act} busy=${progress !== null} />
      <${DeleteMany} ids=${ids} act=${act} busy=${progress !== null} />
      <p class="buttons"><a class="button" href="/app/print?what=labels&ids=${ids.join(",")}">${say("many.labels", { n: ids.length })}</a>
        <button type="button" class="plain" onClick=${leave}>${say("many.leave")}</button></p>`}
    ${progress !== null && html`<p><label for="many-progress">${say("many.progress", { n: progress })}</label> <progress id="many-progress" max=${ids.length} value=${progress}></progress></p>`}
    ${outcome !== null && html`<${Outcome} outcome=${outcome} name=${name} act=${act} />`}
  </section>`;
}

function Change({ ids, name, attributes, label, act, busy }) {
  const [field, setField] = useState("own.location");
  const [value, setValue] = useState(null);
  const [seen, setSeen] = useState(null);
  const [error, setError] = useState(null);
  const { isOwn, attribute } = pickedField(field, attributes);
  const called = isOwn ? ownName(attribute.name) : label(attribute.name);
  const change = isOwn ? { [attribute.name]: value } : { facts: { [attribute.name]: value } };
  const words = (one) => (one === undefined ? say("many.nothing_there") : isOwn ? ownInWords(attribute.name, one) : factInWords(one));
  const look = async () => {
    setError(null);
    try {
      setSeen(await changeMany(ids, change, { dry: true }));
    } catch (refusal) {
      setError(refusal);
    }
  };
  const begin = (now) => {
    setSeen(null);
    setValue(now);
  };
  return html`<div><div class="field"><label for="many-field">${say("many.what")}</label>
      <${FieldSelect} id="many-field" value=${field} attributes=${attributes} label=${label} own=${OWN_OF_MANY} choose=${(one) => {
        setField(one);
        begin(null);
      }} /></div>
    <${FactField} key=${field} id="many-value" attribute=${attribute} label=${called} fact=${null} change=${begin} ways=${isOwn ? ["value"] : undefined} hint=${false} />
    <${Trouble} error=${error} />
    <p class="buttons"><button type="button" disabled=${value === undefined || busy} onClick=${look}>${value === null ? say("many.look_nothing") : say("many.look")}</button></p>
    ${seen !== null && html`<div class="wide" tabindex="0" role="region" aria-label=${say("many.preview")}><table class="coins"><caption>${say("many.would", { n: seen.filter(({ status }) => status === "updated").length })}</caption>
      <thead><tr><th scope="col">${say("coins.title")}</th><th scope="col">${say("many.before")}</th><th scope="col">${say("many.after")}</th></tr></thead>
      <tbody>${seen.map(({ id, status, before, after, message }) => html`<tr key=${id}><th scope="row">${name(id)}</th>
        ${status === "updated"
          ? html`<td>${words(before[attribute.name])}</td><td>${words(after[attribute.name])}</td>`
          : html`<td colspan="2" class=${status === "refused" ? "wrong" : "of"}>${status === "refused" ? message : say("many.same")}</td>`}</tr>`)}</tbody></table></div>
      <p class="buttons"><button type="button" disabled=${busy || !seen.some(({ status }) => status === "updated")} onClick=${() => act(async (told) => ({ kind: "changed", change, items: await changeMany(ids, change, { told }) }))}>
        ${say("many.do", { n: seen.filter(({ status }) => status === "updated").length })}</button></p>`}
  </div>`;
}

/** Does something with each coin, one after the other; what goes wrong with one is told of that one. */
async function each(ids, work, told, status) {
  const items = [];
  for (const id of ids) {
    items.push(await work(id).then(() => ({ id, status }), (refusal) => ({ id, status: "refused", message: troubleOf(refusal) })));
    told(items.length);
  }
  return items;
}

function DeleteMany({ ids, act, busy }) {
  const [asked, setAsked] = useState(false);
  if (!asked) return html`<p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${() => setAsked(true)}>${say("many.delete", { n: ids.length })}</button></p>`;
  return html`<p>${say("many.delete_what", { n: ids.length })}</p><p class="buttons">
    <button type="button" disabled=${busy} onClick=${() => act(async (told) => ({ kind: "deleted", items: await each(ids, (id) => deleteCoin(id), told, "deleted") }))}>${say("coin.delete_do")}</button>
    <button type="button" class="plain" onClick=${() => setAsked(false)}>${say("coin.delete_keep")}</button></p>`;
}

function Outcome({ outcome, name, act }) {
  const { kind, items, change } = outcome;
  const done = items.filter(({ status }) => status === "updated" || status === "deleted");
  const refused = items.filter(({ status }) => status === "refused");
  const imports = [...new Set(done.map((one) => one.importId).filter(Boolean))];
  // What went into the outbox, not into an import.
  const waiting = kind === "changed" ? done.filter(({ importId }) => importId === undefined) : [];
  const undo = () => act(async (told) => {
    if (kind === "deleted") return { kind: "restored", items: await each(done.map(({ id }) => id), restoreCoin, told, "restored") };
    for (const id of imports) await undoImport(id);
    await changeBack(waiting, change);
    return { kind: "restored", items: done.map(({ id }) => ({ id, status: "restored" })) };
  });
  const n = kind === "restored" ? items.filter(({ status }) => status === "restored").length : done.length;
  return html`<div role="status"><p>${say(`many.${kind}`, { n })} ${waiting.length > 0 && say("many.waiting", { n: waiting.length })}</p>
    ${refused.length > 0 && html`<p class="wrong">${say("many.refused", { n: refused.length })}</p><ul>${refused.map(({ id, message }) => html`<li key=${id}>${say("import.question", { heading: name(id), value: message })}</li>`)}</ul>`}
    ${done.length > 0 && html`<p class="buttons"><button type="button" class="plain" onClick=${undo}>${say("coin.undo")}</button></p>`}</div>`;
}
