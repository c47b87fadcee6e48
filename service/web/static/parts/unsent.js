// What was done here and is not at the service: how much it is, as a file, and taking such a file in.
import { wipe } from "../kept/database.js";
import { OtherAccount } from "../kept/device.js";
import { storeDraft, unsavedDrafts } from "../kept/drafts.js";
import { saveFile } from "../kept/save.js";
import { device, turn } from "../kept/sending.js";
import { date, say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { html, useEffect, useState } from "./html.js";
import { Trouble } from "./trouble.js";

/** How much waits in this browser, told anew after each change. */
export function useWaiting() {
  const { value, again } = useLoaded(() => device.waiting(), [], { keeps: true });
  useEffect(() => device.watch(again), []);
  return value;
}

export function SaveUnsent() {
  const save = async () => saveFile("unsent-changes.json", new Blob([(await device.saveUnsent()).text], { type: "application/json" }));
  return html`<button type="button" class="plain" onClick=${save}>${say("unsent.save")}</button>`;
}

/** Takes in a file of unsent edits. */
export function TakeIn() {
  const [done, setDone] = useState("");
  const [error, setError] = useState(null);
  const taken = async ({ target }) => {
    setDone("");
    setError(null);
    try {
      setDone(say("unsent.taken", { n: await device.takeIn(await target.files[0].text()) }));
      turn();
    } catch (trouble) {
      const key = trouble instanceof OtherAccount ? "unsent.of_another" : "unsent.no_file";
      setError(Object.assign(new Error(say(key)), { status: -1, errors: [] }));
    }
    target.value = "";
  };
  return html`<div class="field"><label for="take-in">${say("unsent.take_in")}</label>
    <input id="take-in" type="file" accept="application/json,.json" onChange=${taken} aria-describedby="take-in-hint" />
    <p class="hint" id="take-in-hint">${say("unsent.take_in_hint")}</p>
    <p role="status">${done}</p><${Trouble} error=${error} /></div>`;
}

/** Whether everything is at the service, and when it last was. */
export function SyncLine() {
  const waiting = useWaiting();
  if (waiting === null) return null;
  const { unsent, synced } = waiting;
  return html`<p class="sync" role="status">${unsent > 0 ? say("unsent.what", { n: unsent }) : say("unsent.nothing")}
    ${" "}${synced === null ? say("unsent.never") : say("unsent.synced", { when: date(synced) })}</p>`;
}

/** That what is shown is from this browser, or is not sent yet. @param {{found: {isHere?: boolean, isUnsent?: boolean}}} of */
export function FromHere({ found }) {
  if (!found.isHere && !found.isUnsent) return null;
  return html`<p class="notice" role="status">${say(found.isHere ? "here.offline" : "here.unsent")}</p>`;
}

/** What needs its owner here, apart from sets: how many. */
export function useNeeding() {
  const waiting = useWaiting();
  return waiting === null ? 0 : waiting.open + waiting.refused;
}

/**
 * Says what would be lost, before it is removed.
 * @param {{title: string, remove: string, removed: () => void, kept?: () => void}} of
 */
export function Unsent({ title, remove, removed, kept }) {
  const waiting = useWaiting();
  const { value: drafts, again } = useLoaded(unsavedDrafts, [], { keeps: true });
  useEffect(() => device.watch(again), []);
  if (waiting === null || drafts === null || waiting.unsent + waiting.refused + drafts.length === 0) return null;
  return html`<section class="panel" role="alert"><h2>${title}</h2>
    <p>${waiting.unsent > 0 && say("unsent.what", { n: waiting.unsent })} ${waiting.refused > 0 && say("unsent.refused", { n: waiting.refused })}</p>
    ${drafts.length > 0 && html`<${Drafts} drafts=${drafts} again=${again} isOwner=${kept !== undefined} />`}
    <p class="buttons">${waiting.unsent + waiting.refused > 0 && html`<${SaveUnsent} />`}
      ${kept && html`<button type="button" onClick=${kept}>${say("unsent.stay")}</button>`}
      <button type="button" class="plain" onClick=${removed}>${remove}</button></p>
  </section>`;
}

/** Sets that are put together here and not saved. @param {{drafts: object[], again: () => Promise<void>, isOwner: boolean}} of `isOwner`: signed in; else they stay unnamed */
function Drafts({ drafts, again, isOwner }) {
  const { busy, error, attempt } = useActing();
  const named = ({ draft }) => draft.document.title || say("build.title");
  const save = () =>
    attempt(async () => {
      try {
        for (const { id, draft } of drafts) await storeDraft(id, draft);
      } finally {
        await again();
      }
    });
  const asFiles = () => drafts.forEach(({ draft }) => saveFile(`${named({ draft })}.definition.json`, new Blob([JSON.stringify(draft.document, null, 2)], { type: "application/json" })));
  return html`<p>${say("unsent.drafts", { n: drafts.length })}</p>
    ${isOwner && html`<ul>${drafts.map((one) => html`<li key=${one.id}><a href="/app/build/${one.id ?? "new"}">${named(one)}</a></li>`)}</ul>`}
    <${Trouble} error=${error} />
    <p class="buttons">${isOwner && html`<button type="button" disabled=${busy} onClick=${save}>${say("unsent.save_drafts")}</button>`}
      <button type="button" class="plain" onClick=${asFiles}>${say("unsent.drafts_as_files")}</button></p>`;
}

/** For whoever signs in where somebody's changes wait: they go with the account that made them. */
export function LeftBehind() {
  const removed = async () => {
    await wipe();
    device.changed();
  };
  return html`<${Unsent} title=${say("unsent.left")} remove=${say("unsent.remove")} removed=${removed} />`;
}
