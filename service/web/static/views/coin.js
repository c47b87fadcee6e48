// One coin: its facts, each recorded in one of four ways, its photos, and the places where it is.
import { all, get } from "../kept/api.js";
import { changeCoin } from "../kept/edits.js";
import { watchHoldings } from "../kept/live.js";
import { inOrder, say } from "../kept/words.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadSet, loadTerms, useLoaded } from "../parts/data.js";
import { Disc } from "../parts/disc.js";
import { Field, Form } from "../parts/form.js";
import { html, useEffect, useState } from "../parts/html.js";
import { photoOf } from "../parts/photos.js";
import { coinName, placePath, wordOf } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { cellsOf } from "../sheet/album.js";
import { OWN, factOf, valueOf } from "../sheet/coins.js";
import { readFact } from "../sheet/facts.js";

const WAYS = ["value", "one_of", "between", "none", "unknown"];

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
  const [way, setWay] = useState("value");
  const [name, setName] = useState("year_on_coin");
  const names = [...attributes.keys()].sort((one, other) => inOrder(label(one), label(other)));
  const sent = async (typed) => {
    const attribute = attributes.get(name);
    const one = { ...attribute, many: attribute.many && way === "value" };
    const terms = await loadTerms(attributes, [name]);
    const value = factOf(way, typed.first ?? "", typed.second ?? "", (text) => readFact(one, text, terms.get(name) ?? new Map()));
    if (value === undefined) throw Object.assign(new Error(say(`record.wrong_${way}`)), { status: -1, errors: [] });
    await changeCoin(coin, { facts: { [name]: value } }, seen);
    await done();
  };
  return html`<details class="panel"><summary>${say("record.title")}</summary>
    <${Form} submit=${sent} label=${say("looked.record")}>
      <div class="field"><label for="record-name">${say("record.what")}</label>
        <select id="record-name" value=${name} onChange=${(event) => setName(event.target.value)}>
          ${names.map((one) => html`<option key=${one} value=${one}>${label(one)}</option>`)}</select>
        <p class="hint">${attributes.get(name)?.look_at ? say("place.look_at", { where: attributes.get(name).look_at }) : say("looked.no_hint")}</p>
      </div>
      <div class="field"><label for="record-way">${say("record.how")}</label>
        <select id="record-way" value=${way} onChange=${(event) => setWay(event.target.value)}>
          ${WAYS.map((one) => html`<option key=${one} value=${one}>${say(`record.${one}`)}</option>`)}</select></div>
      ${(way === "value" || way === "one_of" || way === "between") && html`<${Field} key=${`${way} ${name}`} name="first" label=${say(`record.first_${way}`)} autocomplete="off" />`}
      ${way === "between" && html`<${Field} name="second" label=${say("record.second")} autocomplete="off" />`}
    </${Form}>
  </details>`;
}
