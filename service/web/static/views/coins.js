// All coins as a table: sorted, filtered by a rule or by words, with the columns of the owner's choice.
import { keep, kept } from "../kept/database.js";
import { get } from "../kept/api.js";
import { watchHoldings } from "../kept/live.js";
import { say } from "../kept/words.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadTerms, useLoaded } from "../parts/data.js";
import { Field, Form } from "../parts/form.js";
import { html, useEffect, useState } from "../parts/html.js";
import { go } from "../parts/navigation.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { COLUMNS, OWN, USUAL, nextSort, pagePath, valueOf } from "../sheet/coins.js";

const asked = () => Object.fromEntries(new URLSearchParams(location.search));

/** The same view, asked otherwise; a page further on belongs to its own question. */
function ask(changed) {
  const wanted = Object.entries({ ...asked(), cursor: "", ...changed }).filter(([, value]) => value !== "");
  go(`/app/coins${wanted.length > 0 ? `?${new URLSearchParams(wanted)}` : ""}`);
}

export function Coins() {
  const query = asked();
  const { value: page, error, again } = useLoaded(async () => (await get(pagePath(query))).data, [location.search]);
  useEffect(() => watchHoldings(again), [location.search]);
  const { value: attributes } = useLoaded(() => loadAttributes(), []);
  const { value: terms } = useLoaded(() => loadTerms(attributes, COLUMNS), [attributes]);
  const [columns, setColumns] = useState(USUAL);
  useEffect(() => {
    kept("columns").then((known) => known && setColumns(known));
  }, []);
  const choose = (name) => {
    const now = COLUMNS.filter((one) => (one === name ? !columns.includes(one) : columns.includes(one)));
    setColumns(now);
    keep("columns", now);
  };
  const label = (name) => (OWN.has(name) ? say(`own.${name}`) : labelsOf(attributes)(name));
  return html`
    <${Title} text=${say("coins.title")} />
    <p class="buttons"><a class="button" href="/app/coins/import">${say("import.title")}</a></p>
    <details class="panel" open=${Boolean(query.filter || query.q)}><summary>${say("coins.find")}</summary>
      <${Form} key=${location.search} submit=${async ({ q, filter }) => ask({ q, filter })} label=${say("coins.find")}>
        <${Field} name="q" label=${say("coins.words")} value=${query.q ?? ""} hint=${say("coins.words_hint")} required=${false} />
        <${Field} name="filter" label=${say("coins.rule")} value=${query.filter ?? ""} hint=${say("coins.rule_hint")} required=${false} />
      </${Form}>
    </details>
    <details class="panel"><summary>${say("coins.columns")}</summary>
      <fieldset class="filters"><legend class="unseen">${say("coins.columns")}</legend>
        ${COLUMNS.map((name) => html`<label key=${name}><input type="checkbox" checked=${columns.includes(name)} onChange=${() => choose(name)} /> ${label(name)}</label>`)}
      </fieldset>
    </details>
    <${Trouble} error=${error} again=${again} />
    ${page === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${page !== null && html`<p role="status">${say("coins.count", { n: page.total ?? page.items.length })}</p>
      <${Table} items=${page.items} columns=${columns} sort=${query.sort ?? ""} label=${label} terms=${terms} />
      <p class="buttons">
        ${query.cursor && html`<button type="button" class="plain" onClick=${() => ask({})}>${say("coins.first")}</button>`}
        ${page.next && html`<button type="button" onClick=${() => ask({ cursor: new URL(page.next, location.href).searchParams.get("cursor") })}>${say("coins.next")}</button>`}
      </p>`}`;
}

function Table({ items, columns, sort, label, terms }) {
  const heading = (name) => {
    const is = { [name]: "ascending", [`-${name}`]: "descending" }[sort];
    return html`<th scope="col" key=${name} aria-sort=${is}>
      <button type="button" class="plain" onClick=${() => ask({ sort: nextSort(sort, name) })}>${label(name)}${is && html`<${Arrow} up=${is === "ascending"} />`}</button>
    </th>`;
  };
  const text = (coin, name) => {
    const value = valueOf(coin, name);
    return value === undefined ? "" : factInWords(value, terms?.get(name));
  };
  return html`<div class="wide" tabindex="0" role="region" aria-label=${say("coins.title")}>
    <table class="coins"><thead><tr>${["number", ...columns].map(heading)}</tr></thead>
      <tbody>${items.map((coin) => html`<tr key=${coin.id}>
        <th scope="row"><a href="/app/coins/${coin.id}">${coin.number ?? say("coins.without_number")}</a></th>
        ${columns.map((name) => html`<td key=${name}>${text(coin, name)}</td>`)}
      </tr>`)}</tbody>
    </table>
  </div>`;
}

const Arrow = ({ up }) => html`<svg class="arrow" viewBox="0 0 12 12" aria-hidden="true"><path d=${up ? "M6 2l4 7H2z" : "M6 10L2 3h8z"} /></svg>`;
