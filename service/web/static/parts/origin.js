// Where a set came from, what is newer there, and revisions that the set does not follow yet.
import { get, send } from "../kept/api.js";
import { date, say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { Adopt, Conflicts, loadRevisions, pull } from "./adopt.js";
import { useLoaded } from "./data.js";
import { html, useState } from "./html.js";
import { Trouble } from "./trouble.js";

/** What is known of the origin; null: the set is its owner's own, or its club's. */
async function loadOrigin(set) {
  const revisions = await loadRevisions(set);
  try {
    return { ...revisions, origin: (await get(`/v1/definitions/${set}/origin`)).data };
  } catch (error) {
    if (error.status !== 404) throw error;
    return { ...revisions, origin: null };
  }
}

/** @param {{set: string, done: () => Promise<unknown>}} of `done`: the set follows another revision now */
export function Origin({ set, done }) {
  const { value, error, again } = useLoaded(() => loadOrigin(set), [set]);
  if (value === null) return html`<${Trouble} error=${error} again=${again} />${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  const { origin, isNewer, follows } = value;
  const followed = async () => {
    await again();
    await done();
  };
  return html`<p>${say("origin.follows", { revision: follows.revision })}</p>
    ${origin === null ? html`<p>${say("origin.none")}</p>` : html`<${Known} set=${set} origin=${origin} again=${again} />`}
    ${isNewer && html`<${Adopt} key=${value.latest.revision + value.latest.status} set=${set} done=${followed} />`}`;
}

function Known({ set, origin, again }) {
  const { busy, error, attempt } = useActing();
  const [outcome, setOutcome] = useState(null);
  const [conflicts, setConflicts] = useState([]);
  const check = () =>
    attempt(async () => {
      setOutcome(await send("POST", `/v1/definitions/${set}/origin/checks`));
      await again();
    });
  const merge = () =>
    attempt(async () => {
      setConflicts((await pull(set)).conflicts);
      setOutcome(null);
      await again();
    });
  const newest = origin.available[origin.available.length - 1];
  return html`<p>${say(`origin.from_${origin.kind}`, { title: origin.title, on: date(origin.recorded_at) })}
      ${origin.checked_at !== null && ` ${say("origin.checked", { on: date(origin.checked_at) })}`}</p>
    ${outcome?.outcome === "unchanged" && html`<p role="status">${say("origin.unchanged")}</p>`}
    ${outcome?.outcome === "failed" && html`<p class="trouble" role="alert">${outcome.problem?.detail}</p>`}
    ${newest && html`<p role="status">${say("origin.newer", { revision: newest.revision, title: newest.title })}</p>`}
    <${Conflicts} conflicts=${conflicts} />
    <${Trouble} error=${error} />
    <p class="buttons">
      ${newest && html`<button type="button" disabled=${busy} onClick=${merge}>${say("origin.pull")}</button>`}
      ${origin.kind !== "file" && html`<button type="button" class="plain" disabled=${busy} onClick=${check}>${say("origin.check")}</button>`}
    </p>`;
}
