// A set as an album: its pages, and on them its places.
import { get } from "../kept/api.js";
import { watchHoldings } from "../kept/live.js";
import { say } from "../kept/words.js";
import { Bar } from "../parts/bar.js";
import { labelsOf, loadAttributes, loadSet, useLoaded } from "../parts/data.js";
import { Disc } from "../parts/disc.js";
import { History } from "../parts/history.js";
import { html, useEffect, useMemo, useRef } from "../parts/html.js";
import { useMessages } from "../parts/message.js";
import { useHere } from "../parts/navigation.js";
import { Origin } from "../parts/origin.js";
import { Panel } from "../parts/panel.js";
import { usePhotos } from "../parts/photos.js";
import { PlaceCell } from "../parts/place.js";
import { useRoving } from "../parts/roving.js";
import { Share } from "../parts/share.js";
import { Tabs, useNarrow } from "../parts/tabs.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { arranged, counted } from "../sheet/album.js";
import { attention, needing } from "../sheet/attention.js";

const FILTERS = ["empty", "doubt", "better"];

/** Whether a cell is shown: every one where no filter is set, else those that one of the filters names. */
function isShown(cell, filters, better) {
  if (filters.size === 0) return true;
  if (filters.has("empty") && (cell.state === "empty" || cell.state === "contested")) return true;
  if (filters.has("doubt") && (cell.state === "tentative" || cell.presumed.length > 0)) return true;
  return filters.has("better") && better.has(cell.address);
}

/** The places whose coin could be bettered: the want list knows. */
async function loadBetter(set) {
  const { data } = await get(`/v1/definitions/${set}/want-list?upgrades=1000`);
  return new Set(data.weakest.map((entry) => entry.place));
}

/** @param {{set: string}} of */
export function Album({ set }) {
  const { value, error, again } = useLoaded(() => loadSet(set), [set]);
  useEffect(() => watchHoldings(again), [set]);
  const { value: attributes } = useLoaded(() => loadAttributes(value?.definition.document), [value?.definition]);
  const [picked, pick] = useHere("filters", []);
  const filters = new Set(picked);
  const { value: better, error: noBetter } = useLoaded(
    () => (filters.has("better") ? loadBetter(set) : null),
    [set, filters.has("better"), value],
  );
  if (value === null) {
    return html`<${Title} text=${say("album.title")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const { definition, evaluation } = value;
  const toggle = (name) => pick(filters.has(name) ? picked.filter((one) => one !== name) : [...picked, name]);
  return html`
    <${Title} text=${definition.title} />
    <${Trouble} error=${error ?? noBetter} again=${again} />
    ${definition.document.summary && html`<p class="summary">${definition.document.summary}</p>`}
    <${Bar} figures=${evaluation.summary} id="album" />
    <p class="figures">${say("home.figures", evaluation.summary)} ${say("home.certain", evaluation.summary)}</p>
    ${!evaluation.proven_optimal && html`<p class="hint">${say("album.not_proven")}</p>`}
    <p class="crumbs"><a href="/app/build/${set}">${say("build.change_set")}</a></p>
    <${Needs} evaluation=${evaluation} />
    <fieldset class="filters"><legend>${say("filter.title")}</legend>
      ${FILTERS.map((name) => html`<label key=${name}>
        <input type="checkbox" checked=${filters.has(name)} onChange=${() => toggle(name)} /> ${say(`filter.${name}`)}
      </label>`)}
    </fieldset>
    <${Pages} set=${set} value=${value} label=${labelsOf(attributes)} shown=${(cell) => isShown(cell, filters, better ?? new Set())} />
    <${Legend} />
    <p class="crumbs"><a href="/app/print?what=want&set=${set}">${say("print.want")}</a></p>
    <${Panel} id="history" title=${say("history.title")}>${() => html`<${History} set=${set} places=${evaluation.summary.places} />`}</${Panel}>
    <${Panel} id="share" title=${say("share.title")}>${() => html`<${Share} set=${set} />`}</${Panel}>
    <${Panel} id="origin" title=${say("origin.title")}>${() => html`<${Origin} set=${set} done=${again} />`}</${Panel}>`;
}

function Needs({ evaluation }) {
  const found = attention(evaluation);
  const worded = useMessages();
  if (found.length === 0) return null;
  const messages = needing(evaluation);
  const n = found.reduce((sum, one) => sum + one.n, 0);
  return html`<details class="attention" id="needs" open=${location.hash === "#needs"}>
    <summary>${say("attention.title", { n })}</summary>
    <ul>${messages.map((conflict, at) => html`<li key=${at}>${worded(conflict)}</li>`)}</ul>
  </details>`;
}

const NARROW = "(max-width: 40rem)";

function Pages({ set, value, label, shown }) {
  const pages = useMemo(() => arranged(value.evaluation, value.definition), [value]);
  const narrow = useNarrow(NARROW) && pages.length > 1;
  const [chosen, choose] = useHere("page", pages[0]?.key);
  const root = useRef(null);
  const one = pages.some((page) => page.key === chosen) ? chosen : pages[0]?.key;
  const visible = narrow ? pages.filter((page) => page.key === one) : pages;
  const cells = visible.flatMap((page) => page.blocks.flatMap((block) => block.cells.filter(shown)));
  const addresses = cells.map((cell) => cell.address);
  const roving = useRoving(root, addresses);
  const photos = usePhotos(root, addresses.join(" "));
  return html`<div class="pages" ref=${root} onKeyDown=${roving.onKeyDown}>
    ${narrow && html`<${Tabs} tabs=${pages.map((page) => ({ key: page.key, label: pageLabel(page) }))} chosen=${one} choose=${choose} label=${say("album.pages")} />`}
    ${visible.map((page) => html`<${PageSection} key=${page.key} page=${page} set=${set} label=${label} shown=${shown} roving=${roving}
      photos=${photos} tabs=${narrow} />`)}
  </div>`;
}

const pageLabel = (page) => (page.label === "" ? say("album.other_page") : page.label);

function PageSection({ page, set, label, shown, roving, photos, tabs }) {
  const counts = counted(page.blocks.flatMap((block) => block.cells));
  const roles = tabs ? { role: "tabpanel", "aria-labelledby": `tab-${page.key}` } : { "aria-labelledby": `${page.key}-title` };
  const tiers = ["required", "optional"].map((tier) => [tier, page.blocks.filter((block) => block.tier === tier)]);
  return html`<section class="page" id=${page.key} ...${roles}>
    <h2 id="${page.key}-title">${pageLabel(page)} <span class="count">${say("album.count", counts)}</span></h2>
    ${page.note !== "" && html`<p class="note">${page.note}</p>`}
    ${tiers.map(([tier, blocks]) => blocks.length > 0 && html`<div key=${tier} class="tier ${tier}">
      ${tier === "optional" && html`<h3>${say("album.optional")}</h3>`}
      ${runs(blocks).map((run) => html`<${Run} key=${run.key} run=${run} set=${set} label=${label} shown=${shown} roving=${roving} photos=${photos} />`)}
    </div>`)}
  </section>`;
}

/** Slots beside one another stand in one grid, a group in its own. */
function runs(blocks) {
  const found = [];
  for (const block of blocks) {
    const last = found[found.length - 1];
    if (block.kind === "slot" && last?.block === null) last.cells.push(...block.cells);
    else found.push({ key: block.id, block: block.kind === "slot" ? null : block, cells: [...block.cells] });
  }
  return found;
}

function Run({ run, set, label, shown, roving, photos }) {
  const cells = run.cells.filter(shown);
  const grid = html`<ul class="grid">
    ${cells.map((cell) => html`<${PlaceCell} key=${cell.address} set=${set} cell=${cell} label=${label} photo=${photos.get(cell.holding)}
      tabindex=${roving.tabindex(cell.address)} onFocus=${() => roving.at(cell.address)} />`)}
  </ul>`;
  if (run.block === null) return cells.length === 0 ? html`<p class="hint">${say("filter.nothing")}</p>` : grid;
  const told = { n: counted(run.cells).filled, of: run.cells.length };
  return html`<section class="group ${run.block.kind}" aria-labelledby="group-${run.block.id}">
    <h3 id="group-${run.block.id}">${run.block.label} <span class="count">${say(`album.${run.block.kind}`, told)}</span></h3>
    ${run.block.note !== "" && html`<p class="note">${run.block.note}</p>`}
    ${cells.length === 0 ? html`<p class="hint">${say("filter.nothing")}</p>` : grid}
  </section>`;
}

const SIGNS = [
  ["filled", { state: "filled" }],
  ["choice", { state: "filled", interchangeable: true }],
  ["presumed", { state: "filled", presumed: true }],
  ["tentative", { state: "tentative" }],
  ["empty", { state: "empty" }],
  ["contested", { state: "contested" }],
];

function Legend() {
  return html`<details class="legend"><summary>${say("legend.title")}</summary>
    <ul>${SIGNS.map(([key, sign]) => html`<li key=${key}><${Disc} ...${sign} /> ${say(`legend.${key}`)}</li>`)}</ul>
  </details>`;
}
