// All coins as a table: sorted, filtered by a rule or by words, with the columns of the owner's choice; several changed at once.
import { keep, kept } from "../kept/database.js";
import { get } from "../kept/api.js";
import { exportSheet } from "../kept/imports.js";
import { coinsHere } from "../kept/here.js";
import { watchHoldings } from "../kept/live.js";
import { inOrder, say } from "../kept/words.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributesOf, loadMyDocuments, loadTerms, useLoaded } from "../parts/data.js";
import { handOver } from "../parts/file-drop.js";
import { FilterPicker } from "../parts/filter-picker.js";
import { Field, Form } from "../parts/form.js";
import { html, useEffect, useRef, useState } from "../parts/html.js";
import { ManyCoins } from "../parts/many-coins.js";
import { go } from "../parts/navigation.js";
import { ownInWords, ownName } from "../parts/own-fields.js";
import { saveFile } from "../kept/save.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { FromHere } from "../parts/unsent.js";
import { OWN, USUAL, nextSort, pagePath, valueOf } from "../sheet/coins.js";
import { joined } from "../sheet/filter-text.js";

const FORMATS = ["csv", "xlsx", "json"];
// What has no order, or is no text.
const UNSORTED = new Set(["tags", "issue"]);

const asked = () => Object.fromEntries(new URLSearchParams(location.search));

/** The same view, asked otherwise; a page further on belongs to its own question. */
function ask(changed) {
  const wanted = Object.entries({ ...asked(), cursor: "", ...changed }).filter(([, value]) => value !== "");
  go(`/app/coins${wanted.length > 0 ? `?${new URLSearchParams(wanted)}` : ""}`);
}

/** A sheet that is dropped anywhere on the view is imported. */
const dropping = {
  onDragOver: (event) => event.preventDefault(),
  onDrop: (event) => {
    event.preventDefault();
    const [file] = event.dataTransfer.files;
    if (!file) return;
    handOver(file);
    go("/app/coins/import");
  },
};

// Rows that a phone draws at once.
const MOST_HERE = 1000;

/** A page of the service; without a network all coins as this browser has them, which no rule can be asked of. */
async function loadPage(query) {
  try {
    return (await get(pagePath(query))).data;
  } catch (error) {
    if (error.status !== 0 || query.filter) throw error;
    const items = await coinsHere(query, valueOf, inOrder);
    return { items: items.slice(0, MOST_HERE), total: items.length, next: null, isHere: true };
  }
}

export function Coins() {
  const query = asked();
  const { value: page, error, again } = useLoaded(() => loadPage(query), [location.search]);
  useEffect(() => watchHoldings(again), [location.search]);
  // What was pressed to find or to sort them is painted anew with them.
  const found = useRef(null);
  const shown = useRef(location.search);
  useEffect(() => {
    if (page === null || shown.current === location.search) return;
    shown.current = location.search;
    if (document.activeElement === document.body) found.current?.focus();
  }, [page]);
  const { value: attributes } = useLoaded(async () => loadAttributesOf(await loadMyDocuments()), []);
  const [columns, setColumns] = useState(USUAL);
  const { value: terms } = useLoaded(() => loadTerms(attributes, columns), [attributes, columns.join()], { keeps: true });
  const [selected, setSelected] = useState(new Map());
  useEffect(() => {
    kept("columns").then((known) => known && setColumns(known));
  }, []);
  const choose = (now) => {
    setColumns(now);
    keep("columns", now);
  };
  const label = (name) => (OWN.has(name) ? ownName(name) : labelsOf(attributes)(name));
  const select = (coins, is) => setSelected((before) => {
    const now = new Map(before);
    for (const coin of coins) is ? now.set(coin.id, coin.number) : now.delete(coin.id);
    return now;
  });
  const name = (id) => (selected.get(id) ?? null) === null ? say("coins.without_number") : say("coin.numbered", { number: selected.get(id) });
  return html`<div ...${dropping}>
    <${Title} text=${say("coins.title")} />
    <p class="buttons"><a class="button" href="/app/coins/new">${say("coin.new")}</a> <a class="button" href="/app/coins/import">${say("import.title")}</a> <a class="button" href="/app/lists">${say("lists.title")}</a></p>
    <details class="panel" open=${Boolean(query.filter || query.q)}><summary>${say("coins.find")}</summary>
      <${Form} key=${location.search} submit=${async ({ q, filter, doubtful }) => ask({ q, filter, doubtful: doubtful ?? "" })} label=${say("coins.find")}>
        <${Field} name="q" label=${say("coins.words")} value=${query.q ?? ""} hint=${say("coins.words_hint")} required=${false} />
        <${Field} name="filter" label=${say("coins.rule")} value=${query.filter ?? ""} hint=${say("coins.rule_hint")} required=${false} />
        <label class="pick"><input type="checkbox" name="doubtful" value="true" defaultChecked=${query.doubtful === "true"} /> ${say("coins.doubtful")}</label>
      </${Form}>
      ${attributes !== null && html`<h2>${say("filter_by.title")}</h2><p class="hint">${say("filter_by.hint")}</p>
        <${FilterPicker} key=${location.search} attributes=${attributes} label=${label} add=${(condition) => ask({ filter: joined(query.filter ?? "", condition) })} />`}
    </details>
    ${attributes !== null && html`<${Columns} columns=${columns} choose=${choose} items=${page?.items ?? []} attributes=${attributes} label=${label} />`}
    <${Exports} />
    <${Trouble} error=${error} again=${again} />
    ${page === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${page !== null && html`<${FromHere} found=${page} /><p class="found" role="status" tabindex="-1" ref=${found}>${say("coins.count", { n: page.total ?? page.items.length })}</p>
      <${Table} items=${page.items} columns=${columns} sort=${query.sort ?? ""} label=${label} terms=${terms} selected=${selected} select=${select} />
      <p class="buttons">
        ${query.cursor && html`<button type="button" class="plain" onClick=${() => ask({})}>${say("coins.first")}</button>`}
        ${page.next && html`<button type="button" onClick=${() => ask({ cursor: new URL(page.next, location.href).searchParams.get("cursor") })}>${say("coins.next")}</button>`}
      </p>`}
    ${attributes !== null && selected.size > 0 && html`<${ManyCoins} ids=${[...selected.keys()]} name=${name} attributes=${attributes} label=${label} done=${again}
      leave=${() => setSelected(new Map())} />`}
  </div>`;
}

/** Which columns there are: those that occur here are offered first, any other is a choice away. */
function Columns({ columns, choose, items, attributes, label }) {
  const occurring = new Set(items.flatMap((coin) => [...Object.keys(coin.facts), ...[...OWN].filter((name) => valueOf(coin, name) !== undefined)]));
  const offered = [...new Set([...columns, ...occurring])].filter((name) => name !== "number").sort((one, other) => inOrder(label(one), label(other)));
  const others = [...OWN, ...attributes.keys()].filter((name) => name !== "number" && !offered.includes(name)).sort((one, other) => inOrder(label(one), label(other)));
  const toggled = (name) => choose(columns.includes(name) ? columns.filter((one) => one !== name) : [...columns, name]);
  return html`<details class="panel"><summary>${say("coins.columns")}</summary>
    <fieldset class="filters"><legend class="unseen">${say("coins.columns")}</legend>
      ${offered.map((name) => html`<label key=${name}><input type="checkbox" checked=${columns.includes(name)} onChange=${() => toggled(name)} /> ${label(name)}</label>`)}
    </fieldset>
    <div class="field"><label for="more-columns">${say("coins.more_columns")}</label>
      <select id="more-columns" value="" onChange=${(event) => event.target.value && choose([...columns, event.target.value])}>
        <option value=""></option>${others.map((name) => html`<option key=${name} value=${name}>${label(name)}</option>`)}</select></div>
  </details>`;
}

function Exports() {
  const [error, setError] = useState(null);
  const save = (format) => exportSheet(format).then((content) => saveFile(say("coins.export_file", { format }), content), setError);
  return html`<details class="panel"><summary>${say("coins.export")}</summary><p class="hint">${say("coins.export_hint")}</p><${Trouble} error=${error} />
    <p class="buttons">${FORMATS.map((format) => html`<button key=${format} type="button" class="plain" onClick=${() => save(format)}>${say(`coins.export_${format}`)}</button>`)}</p></details>`;
}

function Table({ items, columns, sort, label, terms, selected, select }) {
  const heading = (name) => {
    const is = { [name]: "ascending", [`-${name}`]: "descending" }[sort];
    if (UNSORTED.has(name)) return html`<th scope="col" key=${name}>${label(name)}</th>`;
    return html`<th scope="col" key=${name} aria-sort=${is}>
      <button type="button" class="plain" onClick=${() => ask({ sort: nextSort(sort, name) })}>${label(name)}${is && html`<${Arrow} up=${is === "ascending"} />`}</button>
    </th>`;
  };
  const text = (coin, name) => {
    const value = valueOf(coin, name);
    if (value === undefined) return "";
    return OWN.has(name) ? ownInWords(name, value) : factInWords(value, terms?.get(name));
  };
  const called = (coin) => coin.number ?? say("coins.without_number");
  return html`${items.length > 0 && html`<label class="pick"><input type="checkbox" checked=${items.every(({ id }) => selected.has(id))} onChange=${(event) => select(items, event.target.checked)} />
      ${say("coins.select_all")}</label>`}
    <div class="wide" tabindex="0" role="region" aria-label=${say("coins.title")}>
    <table class="coins"><thead><tr>${["number", ...columns].map(heading)}</tr></thead>
      <tbody>${items.map((coin) => html`<tr key=${coin.id} class=${selected.has(coin.id) ? "selected" : ""}>
        <th scope="row"><span class="row-head"><label class="pick"><input type="checkbox" checked=${selected.has(coin.id)} onChange=${(event) => select([coin], event.target.checked)} />
          <span class="unseen">${say("coins.select", { coin: called(coin) })}</span></label><a href="/app/coins/${coin.id}">${called(coin)}</a></span></th>
        ${columns.map((name) => html`<td key=${name}>${text(coin, name)}</td>`)}
      </tr>`)}</tbody>
    </table>
  </div>`;
}

const Arrow = ({ up }) => html`<svg class="arrow" viewBox="0 0 12 12" aria-hidden="true"><path d=${up ? "M6 2l4 7H2z" : "M6 10L2 3h8z"} /></svg>`;
