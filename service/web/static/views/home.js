// My sets: how far each is, and what needs its owner.
import { all } from "../kept/api.js";
import { watchHoldings } from "../kept/live.js";
import { say } from "../kept/words.js";
import { Bar } from "../parts/bar.js";
import { loadSet, useLoaded } from "../parts/data.js";
import { html, useEffect } from "../parts/html.js";
import { placePath } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { SyncLine, useNeeding } from "../parts/unsent.js";
import { cellsOf } from "../sheet/album.js";
import { attention } from "../sheet/attention.js";

const MOST_NEXT = 3;

/** One set after the other: each is a computation for the service. */
async function loadSets() {
  const sets = [];
  for (const { id, title } of await all("/v1/definitions")) {
    try {
      sets.push({ id, title, ...(await loadSet(id)) });
    } catch (error) {
      if (error.status === 401 || error.status === 0) throw error;
      sets.push({ id, title, error });
    }
  }
  return sets;
}

export function Home() {
  const { value: sets, error, again } = useLoaded(loadSets, []);
  useEffect(() => watchHoldings(again), []);
  return html`
    <${Title} text=${say("home.title")} />
    <${Trouble} error=${error} again=${again} />
    <${SyncLine} />
    <${Attention} sets=${sets ?? []} />
    ${sets === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${sets !== null && sets.length === 0 && html`<p>${say("home.none")}</p>`}
    <p><a href="/app/build/new">${say("build.make_new")}</a></p>
    ${sets !== null && html`<ul class="sets">
      ${sets.map((set) => html`<${SetLine} key=${set.id} set=${set} />`)}
    </ul>`}
    <${Clubs} />
    <p class="buttons"><a href="/app/take">${say("take.title")}</a></p>`;
}

/** The way to my clubs. */
function Clubs() {
  const { value: clubs } = useLoaded(() => all("/v1/clubs").catch(() => []), []);
  if (clubs === null || clubs.length === 0) return null;
  return html`<section aria-labelledby="my-clubs"><h2 id="my-clubs">${say("club.clubs")}</h2>
    <ul class="rows">${clubs.map(({ id, name, note }) => html`<li key=${id}><a href="/app/clubs/${id}">${name}</a> ${note && html`<span class="of">${note}</span>`}</li>`)}</ul></section>`;
}

function Attention({ sets }) {
  const found = sets.flatMap((set) => (set.evaluation ? attention(set.evaluation).map((one) => ({ ...one, set })) : []));
  const differing = useNeeding();
  if (found.length + differing === 0) return null;
  const n = found.reduce((sum, one) => sum + one.n, differing);
  return html`<section class="attention" aria-labelledby="attention">
    <h2 id="attention">${say("attention.title", { n })}</h2>
    <ul>${differing > 0 && html`<li><a href="/app/attention">${say("needs.differing", { n: differing })}</a></li>`}${found.map(({ kind, n: many, set }) => html`<li key=${set.id + kind}>
      <a href="/app/sets/${set.id}#needs">${say(`attention.${kind}`, { n: many })}</a> <span class="of">${set.title}</span>
    </li>`)}</ul>
  </section>`;
}

function SetLine({ set }) {
  const link = html`<h2><a href="/app/sets/${set.id}">${set.title}</a></h2>`;
  if (set.error) return html`<li class="set">${link}<${Trouble} error=${set.error} /></li>`;
  const figures = set.evaluation.summary;
  return html`<li class="set">
    ${link}
    <${Bar} figures=${figures} id=${set.id} />
    <p class="figures">${say("home.figures", figures)}</p>
    <p>${say("home.certain", figures)}</p>
    <${Next} set=${set} />
    ${set.definition.document.summary && html`<p class="summary">${set.definition.document.summary}</p>`}
  </li>`;
}

/** What is next: the first places that are empty. */
function Next({ set }) {
  const empty = [...cellsOf(set.evaluation, set.definition).values()].filter(({ state, tier }) => state === "empty" && tier === "required");
  if (empty.length === 0) return null;
  return html`<p class="next">${say("home.next")} ${empty.slice(0, MOST_NEXT).map(({ address, label }, at) =>
    html`${at > 0 && "; "}<a key=${address} href=${placePath(set.id, address)}>${label}</a>`)}</p>`;
}
