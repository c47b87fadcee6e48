// A later revision of a set that the set does not follow yet: what changed, in sentences, and what following it does.
import { ask, get, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { html, useState } from "./html.js";
import { Trouble } from "./trouble.js";

/** Which revision a set follows, and the latest that there is, perhaps a draft. */
export async function loadRevisions(set) {
  const path = `/v1/definitions/${set}`;
  const [latest, adoption] = await Promise.all([get(path), get(`${path}/adoption`)]);
  const { follows } = adoption.data;
  return { latest: latest.data, follows, isNewer: latest.data.revision !== follows.revision };
}

/** Merges a newer revision of where the set came from into its draft; the set itself stays as it is. */
export async function pull(set, keep = "mine") {
  const path = `/v1/definitions/${set}`;
  const { etag } = await get(path);
  return send("POST", `${path}/pulls`, { keep }, { headers: { "If-Match": etag } });
}

/** @param {{set: string, done: () => Promise<unknown>}} of */
export function Adopt({ set, done }) {
  const path = `/v1/definitions/${set}`;
  const { value: impact, error, again } = useLoaded(async () => (await get(`${path}/impact`)).data, [set]);
  const { busy, error: refused, attempt } = useActing();
  const [unsound, setUnsound] = useState(null);
  if (impact === null) return html`<${Trouble} error=${error} again=${again} />${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  const isDraft = impact.to.status === "draft";
  const follow = (acknowledged) =>
    attempt(async () => {
      const { etag } = await get(path);
      let revision = impact.to.revision;
      if (isDraft) {
        try {
          const made = await send("POST", `${path}/revisions${acknowledged ? "?acknowledged=true" : ""}`, undefined, { headers: { "If-Match": etag } });
          revision = made.revision;
        } catch (trouble) {
          if (trouble.code !== "unsound") throw trouble;
          setUnsound(trouble);
          return;
        }
      }
      setUnsound(null);
      const now = (await get(`${path}/adoption`)).etag;
      await ask("PUT", `${path}/adoption`, { body: { revision }, headers: { "If-Match": now } });
      await done();
    });
  const { before, after } = impact;
  return html`<section class="panel step">
    <h2>${say(isDraft ? "adopt.draft" : "adopt.newer", { revision: impact.to.revision })}</h2>
    <p>${say("adopt.follows", { revision: impact.from.revision })}</p>
    <h3>${say("adopt.changes")}</h3>
    <ul class="changes">${impact.in_words.map((text, at) => html`<li key=${at}>${text}</li>`)}</ul>
    <p class="figures">${say("decide.figures", { was: before.filled, is: after.filled, was_possible: before.possible, is_possible: after.possible })}</p>
    <${Trouble} error=${refused} />
    ${unsound && html`<${Trouble} error=${unsound} />`}
    <p class="buttons"><button type="button" disabled=${busy} onClick=${() => follow(unsound !== null)}>
      ${say(unsound !== null ? "adopt.all_the_same" : "adopt.do", { revision: impact.to.revision })}</button></p>
    <p class="hint">${say("adopt.until_then")}</p>
  </section>`;
}

/** What both sides changed, of which mine was kept. @param {{conflicts: {path: string}[]}} of */
export function Conflicts({ conflicts }) {
  if (conflicts.length === 0) return null;
  return html`<div class="notice"><p>${say("adopt.both_changed", { n: conflicts.length })}</p>
    <ul>${conflicts.map(({ path }) => html`<li key=${path}>${path.slice(1).replaceAll("/", ", ")}</li>`)}</ul></div>`;
}
