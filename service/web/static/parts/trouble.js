// What went wrong, in words, and what to do.
import { say } from "../kept/words.js";
import { html } from "./html.js";

/** The words for an error of kept/api.js. */
export function troubleOf(error) {
  if (error.status === 0) return say("trouble.no_network");
  if (error.status === undefined) return say("trouble.in_app", { what: String(error) });
  const each = error.errors.map((one) => one.detail ?? one.message ?? "").filter((text) => text !== "");
  return each.length > 0 ? each.join(" ") : error.message;
}

/** @param {{error: Error | null, again?: () => void}} of */
export function Trouble({ error, again }) {
  if (!error) return null;
  return html`<div class="trouble" role="alert">
    <p>${troubleOf(error)}</p>
    ${again && html`<button type="button" onClick=${again}>${say("do.try_again")}</button>`}
  </div>`;
}
