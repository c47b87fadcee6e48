// What changed between two revisions of a set.
import { get } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useLoaded } from "./data.js";
import { html } from "./html.js";
import { Trouble } from "./trouble.js";

/** What changed between two revisions, a sentence each. @param {{path: string}} of */
export function Changes({ path }) {
  const { value, error, again } = useLoaded(async () => (await get(path)).data, [path]);
  if (value === null) return html`<${Trouble} error=${error} again=${again} />`;
  if (value.changes.length === 0) return html`<p>${say("offer.no_changes")}</p>`;
  return html`<ul class="changes">${value.changes.map((change, at) => html`<li key=${at}>${change.words}</li>`)}</ul>`;
}
