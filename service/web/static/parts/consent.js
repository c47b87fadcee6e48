// What a member shows the club of one set: four switches, each with what exactly the others will see.
import { get, send } from "../kept/api.js";
import { listed, say } from "../kept/words.js";
import { byStatus, labelsOfPlaces, placeLabel } from "../sheet/club.js";
import { useActing } from "./acting.js";
import { factInWords } from "./clauses.js";
import { labelsOf, loadAttributes, loadTerms, useLoaded } from "./data.js";
import { DisplayedPhotos } from "./displayed-photos.js";
import { html, useState } from "./html.js";
import { Trouble } from "./trouble.js";

const SWITCHES = ["standing", "spares", "display", "photos"];

/** @param {{club: string, definition: string, document: object, changed: () => Promise<void>}} of */
export function Consents({ club, definition, document: set, changed }) {
  const path = `/v1/clubs/${club}/definitions/${definition}/consent`;
  const { value: found, error, again } = useLoaded(() => get(path), [path]);
  const { value: preview, error: unseen } = useLoaded(async () => (await get(`${path}/preview`)).data, [path]);
  const { busy, error: refused, attempt } = useActing();
  const [told, tell] = useState("");
  const consent = found?.data;
  const turn = (name) =>
    attempt(async () => {
      const now = await send("PUT", path, { ...consent, [name]: !consent[name] });
      tell(say(now[name] ? "consent.now_shown" : "consent.now_hidden", { what: say(`consent.${name}`) }));
      await again();
      await changed();
    });
  const waits = (name) => name === "photos" && !consent.display;
  return html`<p>${say("consent.what")}</p>
    <${Trouble} error=${error ?? refused} again=${error ? again : undefined} />
    <${Trouble} error=${unseen} />
    <p class="hint" role="status">${told}</p>
    ${consent && SWITCHES.map((name) => html`<section key=${name} class="panel consent" id="consent-${name}">
      <label class="switch"><input type="checkbox" role="switch" checked=${consent[name]} disabled=${busy || waits(name)} aria-describedby="says-${name}"
        onChange=${() => turn(name)} /> ${say(`consent.${name}`)} <span class="state">${say(consent[name] ? "consent.on" : "consent.off")}</span></label>
      <p id="says-${name}">${say(`consent.says_${name}`)}${waits(name) && html` <span class="hint">${say("consent.photos_need_display")}</span>`}</p>
      <details class="seen" open=${consent[name]}><summary>${say("consent.see")}</summary>
        ${preview === null ? html`<p class="hint">${say("app.loading")}</p>` : html`<${Seen} name=${name} preview=${preview} set=${set} />`}
      </details>
    </section>`)}`;
}

function Seen({ name, preview, set }) {
  if (name === "standing") return html`<${SeenStanding} standing=${preview.standing} />`;
  if (name === "spares") return html`<${SeenSpares} spares=${preview.spares} places=${preview.standing.places} set=${set} />`;
  if (name === "photos") return html`<${SeenPhotos} coins=${preview.display.filter(({ photos }) => photos.length > 0)} />`;
  return html`<${SeenDisplay} coins=${preview.display} set=${set} />`;
}

function SeenStanding({ standing }) {
  if (standing.counts === null) return html`<p>${say("consent.not_evaluated")}</p>`;
  return html`<p>${say("standing.figures", standing.counts)}</p>
    <dl class="seen-places">${byStatus(standing.places).map(({ status, labels }) => html`<div key=${status}>
      <dt>${say(`state.${status}`)}</dt><dd>${labels.map((label, at) => html`<span class="seen-place" key=${at}>${label}</span>`)}</dd></div>`)}</dl>`;
}

function SeenSpares({ spares, places, set }) {
  if (spares.length === 0) return html`<p>${say("consent.no_spares")}</p>`;
  const labels = labelsOfPlaces(set);
  const known = new Map(places.map(({ place, label }) => [place, label]));
  const grade = ({ told_in_swaps: told }) => (told.grade === null ? say("fact.unknown") : factInWords(told.grade));
  return html`<div class="wide" tabindex="0" role="region" aria-label=${say("consent.spares")}>
    <table class="others"><thead><tr>
      <th scope="col">${say("consent.fits")}</th><th scope="col">${say("consent.pieces")}</th><th scope="col">${say("consent.only_in_swaps")}</th></tr></thead>
    <tbody>${spares.map((spare) => html`<tr key=${spare.id} data-seen=${spare.id}>
      <td>${listed(spare.places.map((place) => placeLabel(place, labels, known)))}</td><td>${spare.pieces}</td>
      <td>${say("consent.told_in_swaps", { coin: spare.told_in_swaps.label, grade: grade(spare) })}</td></tr>`)}</tbody></table></div>`;
}

function SeenDisplay({ coins, set }) {
  const { value: attributes } = useLoaded(() => loadAttributes(set), [set]);
  const names = [...new Set(coins.flatMap((coin) => Object.keys(coin.facts)))];
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, coins]);
  if (coins.length === 0) return html`<p>${say("consent.no_display")}</p>`;
  return html`<p>${say("consent.at_most", { n: coins.length })}</p>
    <${FactsOfCoins} coins=${coins.map((coin) => ({ ...coin, key: coin.coin, first: coin.description }))} heading=${say("place.coin")}
      label=${labelsOf(attributes)} terms=${terms} name=${say("consent.display")} />`;
}

function SeenPhotos({ coins }) {
  if (coins.length === 0) return html`<p>${say("consent.no_photos")}</p>`;
  return html`<ul class="rows">${coins.map(({ coin, description, photos }) => html`<li key=${coin} data-seen=${coin}>${description}
    <${DisplayedPhotos} coin=${description} photos=${photos} /></li>`)}</ul>`;
}

/**
 * Coins with all that is told of them, one a row.
 * @param {{coins: {key: string, first: string, more?: string[], facts: object, about?: unknown}[], heading: string, headings?: string[],
 *   label: (name: string) => string, terms: Map | null, name: string}} of `about`: stands below the first
 */
export function FactsOfCoins({ coins, heading, headings = [], label, terms, name }) {
  const facts = (coin) => Object.entries(coin.facts).map(([fact, value]) => say("consent.fact", { what: label(fact), value: factInWords(value, terms?.get(fact)) }));
  return html`<div class="wide" tabindex="0" role="region" aria-label=${name}><table class="others">
    <thead><tr><th scope="col">${heading}</th>${headings.map((text) => html`<th scope="col" key=${text}>${text}</th>`)}<th scope="col">${say("consent.facts")}</th></tr></thead>
    <tbody>${coins.map((coin) => html`<tr key=${coin.key} data-seen=${coin.key}><th scope="row">${coin.first}${coin.about}</th>
      ${(coin.more ?? []).map((text, at) => html`<td key=${at}>${text}</td>`)}
      <td>${facts(coin).join("; ")}</td></tr>`)}</tbody></table></div>`;
}
