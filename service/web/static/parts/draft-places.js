// The places of a draft page by page, and the one that is being worked on: its name, its page, its order, its conditions.
import { say } from "../kept/words.js";
import * as draft from "../sheet/draft.js";
import { Where } from "./draft-items.js";
import { GroupKeys } from "./draft-keys.js";
import { ChoiceRules, Preferences, Presumptions, SetRules } from "./draft-rules.js";
import { html, useEffect, useState } from "./html.js";
import { later } from "./later.js";
import { TextField } from "./text-field.js";

// Few sets have facts of their own.
const OwnFacts = later(() => import("./draft-own.js"), "OwnFacts");

/** @param {{document: object, chosen: string | null, choose: (id: string | null) => void, counts: Map<string, {fit: number, may: number}>}} of */
export function PlaceList({ document, chosen, choose, counts }) {
  const label = (part) => (/^\{/.test(part.label ?? "") || !part.label ? part.id : part.label);
  const line = ({ part, kind }) => html`<li key=${part.id}>
    <button type="button" class="plain entry" aria-current=${chosen === part.id ? "true" : undefined} onClick=${() => choose(part.id)}>
      ${label(part)} ${kind !== "slots" && html`<span class="of">${say(`build.kind_${kind}`)}</span>`}
      ${counts.has(part.id) && html` <span class="count">${say("count.coins", { n: counts.get(part.id) })}</span>`}</button></li>`;
  return html`<nav class="place-list" aria-label=${say("build.places")}>
    <button type="button" class="plain entry" aria-current=${chosen === null ? "true" : undefined} onClick=${() => choose(null)}>${say("build.whole_set")}</button>
    ${draft.leavesOf(document).filter(({ page, entries }) => page !== null || entries.length > 0).map((leaf) => html`<div key=${String(leaf.page)}>
      ${(leaf.page !== null || (document.layout ?? []).length > 0) && html`<h3>${leaf.page === null ? say("build.no_page") : leaf.label}</h3>`}
      <ul>${leaf.entries.map(line)}</ul></div>`)}
  </nav>`;
}

/** A part of the form that opens when something in it is changed; how many entries it has. */
function Section({ title, pointer, work, children }) {
  const isHere = work.focus !== null && work.focus.startsWith(`${pointer}/`);
  const [open, set] = useState(isHere);
  useEffect(() => {
    if (isHere) set(true);
  }, [isHere]);
  return html`<details class="panel" open=${open} onToggle=${(event) => set(event.target.open)}><summary>${title}</summary>${open && children}</details>`;
}

const counted = (key, n) => (n === 0 ? say(key) : say("build.section", { title: say(key), n }));

/** The set as a whole: title, summary, pages, and what holds of all places. @param {{work: import("./draft-items.js").Work}} of */
export function SetEditor({ work }) {
  const { document, change } = work;
  const [page, setPage] = useState("");
  const pages = document.layout ?? [];
  const put = (more) => change({ ...document, ...more });
  const made = () => {
    change(draft.withPage(document, page.trim()));
    setPage("");
  };
  return html`<section class="part-editor" aria-label=${say("build.whole_set")}>
    <${TextField} id="set-title" label=${say("build.title_of_set")} value=${document.title} change=${(title) => put({ title })} />
    <${TextField} id="set-summary" label=${say("build.summary_of_set")} value=${document.summary} many change=${(summary) => put({ summary })} />
    <h3>${say("build.pages")}</h3>
    ${pages.map((one, at) => html`<div key=${at} class="page-line">
      <${TextField} id="page-${at}" label=${say("build.page_name", { n: at + 1 })} value=${one.page} change=${(name) => change(draft.renamedPage(document, at, name))} />
      <p class="buttons small"><button type="button" class="plain" disabled=${at === 0} aria-label=${say("build.up_what", { what: one.page })} onClick=${() => change(draft.movedPage(document, at, -1))}>${say("build.up")}</button>
        <button type="button" class="plain" disabled=${at === pages.length - 1} aria-label=${say("build.down_what", { what: one.page })} onClick=${() => change(draft.movedPage(document, at, 1))}>${say("build.down")}</button>
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what: one.page })} onClick=${() => change(draft.withoutPage(document, at))}>${say("build.remove")}</button></p></div>`)}
    <${TextField} id="new-page" label=${say("build.new_page")} value=${page} change=${setPage} />
    <p><button type="button" class="plain" disabled=${page.trim() === ""} onClick=${made}>${say("build.add_page")}</button></p>
    <h3>${say("build.scope")}</h3>
    <${Where} work=${work} pointer="/scope" />
    <h3>${say("build.of_all_places")}</h3>
    <${Section} title=${counted("prefer.title", draft.listAt(document, "/prefer").length)} pointer="/prefer" work=${work}><${Preferences} work=${work} pointer="/prefer" /></${Section}>
    <${Section} title=${counted("presume.title", draft.listAt(document, "/presume").length + draft.listAt(document, "/identify").length)}
      pointer=${work.focus?.startsWith("/identify/") ? "/identify" : "/presume"} work=${work}><${Presumptions} work=${work} /></${Section}>
    <${Section} title=${counted("set_rule.title", draft.listAt(document, "/constraints").length)} pointer="/constraints" work=${work}><${SetRules} work=${work} /></${Section}>
    <${Section} title=${counted("mine.title", draft.listAt(document, "/attributes").length + draft.listAt(document, "/vocabularies").length)}
      pointer=${work.focus?.startsWith("/vocabularies/") ? "/vocabularies" : "/attributes"} work=${work}><${OwnFacts} work=${work} /></${Section}>
  </section>`;
}

/**
 * @param {{work: import("./draft-items.js").Work, entry: import("../sheet/draft.js").Entry,
 *   change: (document: object, id?: string | null) => void}} of `change` is told what is to be shown
 */
export function PartEditor({ work, entry, change }) {
  const { document } = work;
  const { kind, part } = entry;
  const here = `/${kind}/${entry.at}`;
  const put = (more) => change(draft.changedPart(document, part.id, more));
  const page = draft.pageOf(document, part.id);
  const what = part.label || part.id;
  const move = (step, text, name) => html`<button type="button" class="plain" disabled=${!draft.canMove(document, part.id, step)} aria-label=${name}
    onClick=${() => change(draft.moved(document, part.id, step))}>${text}</button>`;
  return html`<section class="part-editor" aria-label=${what}>
    <${TextField} id="part-label" label=${say("build.label")} value=${part.label} change=${(label) => put({ label })} hint=${kind === "one_per" ? say("build.label_hint", { key: "{key}" }) : undefined} />
    <h3>${say("build.takes")}</h3>
    <${Where} work=${work} pointer=${draft.pointerOf(entry)} />
    ${kind === "one_per" && html`<h3>${say("keys.title")}</h3><${GroupKeys} key=${part.id} work=${work} group=${part} here=${here} />`}
    <${Section} title=${counted("prefer.title", draft.listAt(document, `${here}/prefer`).length)} pointer="${here}/prefer" work=${work}><${Preferences} work=${work} pointer="${here}/prefer" /></${Section}>
    ${kind === "free_choice" && html`<${Section} title=${counted("choice_rule.title", (part.distinct?.length ? 1 : 0) + (part.at_most ?? []).length)} pointer="${here}/at_most" work=${work}><${ChoiceRules} work=${work} choice=${part} here=${here} /></${Section}>`}
    <h3>${say("build.about_place")}</h3>
    <${TextField} id="part-note" label=${say("build.note")} value=${part.note} many change=${(note) => put({ note: note === "" ? null : note })} />
    <${TextField} id="part-look" label=${say("build.look_at")} value=${part.look_at} hint=${say("build.look_at_hint")} change=${(text) => put({ look_at: text === "" ? null : text })} />
    ${kind === "free_choice" && html`<div class="field"><label for="part-places">${say("build.how_many")}</label>
      <input id="part-places" inputmode="numeric" value=${part.places} onInput=${(event) => /^[1-9]\d{0,3}$/.test(event.target.value) && put({ places: Number(event.target.value) })} /></div>`}
    <div class="field"><label for="part-tier">${say("build.tier")}</label>
      <select id="part-tier" value=${part.tier ?? "required"} onChange=${(event) => put({ tier: event.target.value === "required" ? null : event.target.value })}>
        ${["required", "optional"].map((tier) => html`<option key=${tier} value=${tier}>${say(`build.tier_${tier}`)}</option>`)}</select></div>
    ${(document.layout ?? []).length > 0 && html`<div class="field"><label for="part-page">${say("build.page")}</label>
      <select id="part-page" value=${page ?? ""} onChange=${(event) => change(draft.onPage(document, part.id, event.target.value === "" ? null : Number(event.target.value)))}>
        <option value="">${say("build.no_page")}</option>${document.layout.map((one, at) => html`<option key=${at} value=${at}>${one.page}</option>`)}</select></div>`}
    <p class="buttons small">${move(-1, say("build.up"), say("build.up_what", { what }))}${move(1, say("build.down"), say("build.down_what", { what }))}
      <button type="button" class="plain" aria-label=${say("build.remove_what", { what })} onClick=${() => change(draft.withoutPart(document, part.id), null)}>${say("build.remove")}</button></p>
  </section>`;
}
