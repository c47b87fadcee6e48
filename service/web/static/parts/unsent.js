// What was done here and is not at the service: how much it is, as a file, and taking such a file in.
import { wipe } from "../kept/database.js";
import { device } from "../kept/sending.js";
import { say } from "../kept/words.js";
import { useLoaded } from "./data.js";
import { html, useEffect } from "./html.js";

/** How much waits in this browser, told anew after each change. */
export function useWaiting() {
  const { value, again } = useLoaded(() => device.waiting(), [], { keeps: true });
  useEffect(() => device.watch(again), []);
  return value;
}

/** A text as a file that the person keeps. */
function saveAs(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  URL.revokeObjectURL(link.href);
}

export function SaveUnsent() {
  const save = async () => saveAs("unsent-changes.json", (await device.saveUnsent()).text);
  return html`<button type="button" class="plain" onClick=${save}>${say("unsent.save")}</button>`;
}

/**
 * Says what would be lost, before it is removed.
 * @param {{title: string, remove: string, removed: () => void, kept?: () => void}} of
 */
export function Unsent({ title, remove, removed, kept }) {
  const waiting = useWaiting();
  if (waiting === null || waiting.unsent + waiting.refused === 0) return null;
  return html`<section class="panel" role="alert"><h2>${title}</h2>
    <p>${say("unsent.what", { n: waiting.unsent })} ${waiting.refused > 0 && say("unsent.refused", { n: waiting.refused })}</p>
    <p class="buttons"><${SaveUnsent} />
      ${kept && html`<button type="button" onClick=${kept}>${say("unsent.stay")}</button>`}
      <button type="button" class="plain" onClick=${removed}>${remove}</button></p>
  </section>`;
}

/** For whoever signs in where somebody's changes wait: they go with the account that made them. */
export function LeftBehind() {
  const removed = async () => {
    await wipe();
    device.changed();
  };
  return html`<${Unsent} title=${say("unsent.left")} remove=${say("unsent.remove")} removed=${removed} />`;
}
