// One coin: the facts that settle most, the others by group, the owner's notes, its photos, and the places where it is.
import { changeCoin, deleteCoin, restoreCoin } from "../kept/edits.js";
import { loadCoin } from "../kept/here.js";
import { watchHoldings } from "../kept/live.js";
import { say } from "../kept/words.js";
import { CoinForm } from "../parts/coin-form.js";
import { CoinPhotos } from "../parts/coin-photos.js";
import { labelsOf, loadAttributesOf, loadMySets, useLoaded } from "../parts/data.js";
import { Disc } from "../parts/disc.js";
import { loadFirstFacts } from "../parts/first-facts.js";
import { html, useCallback, useEffect, useRef, useState } from "../parts/html.js";
import { coinName, placePath, wordOf } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { FromHere } from "../parts/unsent.js";
import { cellsOf } from "../sheet/album.js";
import { questionsOf } from "../sheet/facts.js";

/** What my sets say of the coin: where it is, what it is called there, and what would settle a doubt about it. */
async function aboutCoin(coin, recorded) {
  // Without a network there are no sets to ask: the coin is shown all the same.
  const sets = await loadMySets().catch((error) => {
    if (error.status !== 0) throw error;
    return [];
  });
  const documents = sets.map(({ definition }) => definition.document);
  const attributes = await loadAttributesOf(documents);
  const known = new Set(attributes.keys());
  const places = sets.flatMap(({ definition, evaluation }) =>
    [...cellsOf(evaluation, definition).values()]
      .filter((cell) => cell.holding === coin)
      .map((cell) => ({ set: definition.id, title: definition.title, cell })),
  );
  const name = sets.map(({ evaluation }) => evaluation.named[coin]).find((found) => found !== undefined) ?? null;
  const settle = sets.flatMap(({ evaluation }) => questionsOf(evaluation, null, coin).map(({ attribute }) => attribute));
  return { places, name, attributes, first: await loadFirstFacts({ documents, known, settle, coin: recorded }) };
}

/** @param {{coin: string}} of */
export function Coin({ coin }) {
  const { value: found, error, again } = useLoaded(() => loadCoin(coin), [coin], { keeps: true });
  const { value: about, error: unplaced } = useLoaded(() => (found === null ? null : aboutCoin(coin, found.data)), [coin, found], { keeps: true });
  const [deleted, setDeleted] = useState(false);
  // What was typed stays while another device changes the coin; recording takes both.
  const typing = useRef(false);
  const [basis, setBasis] = useState(null);
  const first = useRef(null);
  // The form begins anew with what is recorded then, and with it the button that was pressed.
  const form = useRef(null);
  const [recorded, setRecorded] = useState(0);
  useEffect(() => {
    if (recorded > 0 && document.activeElement === document.body) form.current?.querySelector("button[type=submit]")?.focus();
  }, [recorded]);
  first.current ??= about?.first ?? null;
  useEffect(() => {
    if (!typing.current) setBasis(found);
  }, [found]);
  useEffect(() => (deleted ? undefined : watchHoldings(again)), [coin, deleted]);
  const changed = useCallback((is) => {
    typing.current = is;
  }, []);
  if (deleted) return html`<${Deleted} coin=${coin} name=${about?.name ?? null} back=${async () => {
    await again();
    setDeleted(false);
  }} />`;
  if (basis === null || about === null) {
    return html`<${Title} text=${say("coin.title")} /><${Trouble} error=${error ?? unplaced} again=${again} />
      ${(error ?? unplaced) === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const { data } = basis;
  const label = labelsOf(about.attributes);
  const numbered = data.number === null ? say("coins.without_number") : say("coin.numbered", { number: data.number });
  const record = async ({ facts, own }) => {
    await changeCoin(coin, { ...own, ...(Object.keys(facts).length > 0 ? { facts } : {}) }, basis);
    typing.current = false;
    // What it is now may have come while it was still being typed.
    setBasis(await loadCoin(coin));
    await again();
    setRecorded((n) => n + 1);
  };
  return html`
    <nav class="crumbs" aria-label=${say("place.path")}><a href="/app/coins">${say("coins.title")}</a></nav>
    <${Title} text=${about.name ? coinName(about.name) : numbered} />
    <${Trouble} error=${error ?? unplaced} again=${again} />
    <${FromHere} found=${found ?? basis} />
    <p class="buttons"><a class="button" href="/app/coins/new?like=${coin}">${say("coin.next_like")}</a></p>
    <section><h2>${say("coin.places")}</h2>
      ${about.places.length === 0 && html`<p>${say("coin.nowhere")}</p>`}
      <ul class="legend-like">${about.places.map(({ set, title, cell }) => html`<li key=${set + cell.address}>
        <${Disc} state=${cell.state} interchangeable=${cell.interchangeable} presumed=${cell.presumed.length > 0} />
        <span><a href=${placePath(set, cell.address)}>${cell.label}</a> <span class="of">${title}</span><br />${wordOf(cell, label)}</span>
      </li>`)}</ul>
    </section>
    <div ref=${form}><${CoinForm} key=${basis.etag} coin=${data} first=${first.current} attributes=${about.attributes} label=${label} submit=${record} changed=${changed} /></div>
    <${CoinPhotos} coin=${coin} changed=${again} />
    <${Delete} coin=${coin} seen=${basis} done=${() => setDeleted(true)} />`;
}

function Delete({ coin, seen, done }) {
  const [asked, setAsked] = useState(false);
  const [error, setError] = useState(null);
  const act = () => deleteCoin(coin, seen).then(done, setError);
  return html`<section class="delete"><${Trouble} error=${error} />
    ${asked
      ? html`<p>${say("coin.delete_what")}</p><p class="buttons"><button type="button" onClick=${act}>${say("coin.delete_do")}</button>
          <button type="button" class="plain" onClick=${() => setAsked(false)}>${say("coin.delete_keep")}</button></p>`
      : html`<button type="button" class="plain" onClick=${() => setAsked(true)}>${say("coin.delete")}</button>`}
  </section>`;
}

function Deleted({ coin, name, back }) {
  const [error, setError] = useState(null);
  const undo = () => restoreCoin(coin).then(back).catch(setError);
  return html`<${Title} text=${say("coin.deleted")} />
    <p role="status">${say("coin.deleted_what", { coin: coinName(name) })}</p><${Trouble} error=${error} />
    <p class="buttons"><button type="button" onClick=${undo}>${say("coin.undo")}</button> <a class="button" href="/app/coins">${say("coins.title")}</a></p>`;
}
