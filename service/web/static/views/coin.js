// One coin: its facts, each recorded in one of five ways, its photos, and the places where it is.
import { all, get } from "../kept/api.js";
import { changeCoin } from "../kept/edits.js";
import { watchHoldings } from "../kept/live.js";
import { inOrder, say } from "../kept/words.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadSet, loadTerms, loadTermsOf, useLoaded } from "../parts/data.js";
import { Disc } from "../parts/disc.js";
import { FactField } from "../parts/fact-field.js";
import { Form } from "../parts/form.js";
import { html, useEffect, useState } from "../parts/html.js";
import { photoOf } from "../parts/photos.js";
import { coinName, placePath, wordOf } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { cellsOf } from "../sheet/album.js";
import { OWN, valueOf } from "../sheet/coins.js";

/** Where the coin is, set by set, and what it is called there. */
async function placesOf(coin) {
  const found = [];
  let name = null;
  for (const { id, title } of await all("/v1/definitions")) {
    const { evaluation, definition } = await loadSet(id);
    name ??= evaluation.named[coin] ?? null;
    const cells = [...cellsOf(evaluation, definition).values()].filter((cell) => cell.holding === coin);
    found.push(...cells.map((cell) => ({ set: id, title, cell })));
  }
  return { found, name };
}

/** @param {{coin: string}} of */
export function Coin({ coin }) {
  const { value: found, error, again } = useLoaded(() => get(`/v1/holdings/${coin}`), [coin]);
  const { value: places, error: unplaced } = useLoaded(() => placesOf(coin), [coin, found], { keeps: true });
  useEffect(() => watchHoldings(again), [coin]);
  const { value: attributes } = useLoaded(() => loadAttributes(), []);
  const { value: terms } = useLoaded(() => loadTerms(attributes, Object.keys(found?.data.facts ?? {})), [found, attributes], {
    keeps: true,
  });
  const { value: photo } = useLoaded(() => photoOf(coin), [coin]);
  if (found === null) {
    return html`<${Title} text=${say("coin.title")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const { data } = found;
  const label = labelsOf(attributes);
  const numbered = data.number === null ? say("coins.without_number") : say("coin.numbered", { number: data.number });
  const title = places?.name ? coinName(places.name) : numbered;
  const own = [...OWN].filter((name) => valueOf(data, name) !== undefined);
  return html`
    <nav class="crumbs" aria-label=${say("place.path")}><a href="/app/coins">${say("coins.title")}</a></nav>
    <${Title} text=${title} />
    <${Trouble} error=${error ?? unplaced} again=${again} />
    ${photo && html`<img class="large" src=${photo} alt=${say("coin.photo")} />`}
    <section><h2>${say("coin.places")}</h2>
      ${places?.found.length === 0 && html`<p>${say("coin.nowhere")}</p>`}
      <ul class="legend-like">${(places?.found ?? []).map(({ set, title, cell }) => html`<li key=${set + cell.address}>
        <${Disc} state=${cell.state} interchangeable=${cell.interchangeable} presumed=${cell.presumed.length > 0} />
        <span><a href=${placePath(set, cell.address)}>${cell.label}</a> <span class="of">${title}</span><br />${wordOf(cell, label)}</span>
      </li>`)}</ul>
    </section>
    <section><h2>${say("coin.facts")}</h2>
      <dl class="facts">${Object.entries(data.facts).map(([name, value]) => html`<div key=${name}>
        <dt>${label(name)}</dt><dd>${factInWords(value, terms?.get(name))}</dd></div>`)}
      </dl>
      ${attributes !== null && html`<${Record} key=${found.etag} coin=${coin} seen=${found} attributes=${attributes} label=${label} done=${again} />`}
    </section>
    ${own.length > 0 && html`<section><h2>${say("coin.own")}</h2>
      <dl class="facts">${own.map((name) => html`<div key=${name}><dt>${say(`own.${name}`)}</dt><dd>${factInWords(valueOf(data, name))}</dd></div>`)}</dl>
    </section>`}`;
}

function Record({ coin, seen, attributes, label, done }) {
  const [name, setName] = useState("year_on_coin");
  const [fact, setFact] = useState(undefined);
  const attribute = attributes.get(name);
  const { value: terms } = useLoaded(() => (attribute.vocabulary ? loadTermsOf(attribute.vocabulary) : null), [attribute]);
  const names = [...attributes.keys()].sort((one, other) => inOrder(label(one), label(other)));
  const recorded = seen.data.facts[name];
  const chosen = (one) => {
    setName(one);
    setFact(undefined);
  };
  const sent = async () => {
    if (fact === undefined) throw Object.assign(new Error(say("record.wrong")), { status: -1, errors: [] });
    await changeCoin(coin, { facts: { [name]: fact } }, seen);
    await done();
  };
  return html`<details class="panel"><summary>${say("record.title")}</summary>
    <${Form} submit=${sent} label=${say("looked.record")}>
      <div class="field"><label for="record-name">${say("record.what")}</label>
        <select id="record-name" value=${name} onChange=${(event) => chosen(event.target.value)}>
          ${names.map((one) => html`<option key=${one} value=${one}>${label(one)}</option>`)}</select>
      </div>
      <${FactField} key=${name} id="record-fact" attribute=${attribute} label=${label(name)} fact=${recorded} change=${setFact} terms=${terms}
        issuer=${seen.data.facts.issuer} />
    </${Form}>
  </details>`;
}
