// One place: what it takes, the coin in it and why, the runners-up, what to look at, and the owner's decisions.
import { get, send } from "../kept/api.js";
import { watchHoldings } from "../kept/live.js";
import { listed, say } from "../kept/words.js";
import { Clauses, VerdictSign, factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadSet, loadTerms, useLoaded } from "../parts/data.js";
import { Decisions } from "../parts/decisions.js";
import { Disc } from "../parts/disc.js";
import { html, useEffect, useMemo } from "../parts/html.js";
import { Looked } from "../parts/looked.js";
import { useMessages } from "../parts/message.js";
import { photoOf } from "../parts/photos.js";
import { coinName, placePath, textOf, wordOf } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { cellsOf, contested } from "../sheet/album.js";

/** The verdict of the coin for this place, clause by clause. */
async function explained(set, cell) {
  if (cell === null || cell.holding === null) return null;
  const asked = { definition: { id: set }, holding: cell.holding, place: cell.address };
  return (await send("POST", "/v1/explanations", asked)).places[0] ?? null;
}

/** What issues of the catalogue are called, by id; an own one that is gone by its id. */
async function issueLabels(view) {
  const ids = view?.may_be.map((one) => one.issue).filter((id) => typeof id === "string") ?? [];
  const labels = await Promise.all(ids.map((id) => get(`/v1/issues/${encodeURIComponent(id)}`).then(({ data }) => data.label, () => id)));
  return new Map(ids.map((id, at) => [id, labels[at]]));
}

/** The attributes whose facts an explanation read. */
function* attributesIn(clauses) {
  for (const clause of clauses) {
    for (const fact of clause.facts ?? []) yield fact.attribute;
    yield* attributesIn(clause.clauses ?? []);
  }
}

/** @param {{set: string, address: string}} of */
export function Place({ set, address }) {
  const { value, error, again } = useLoaded(() => loadSet(set), [set]);
  useEffect(() => watchHoldings(again), [set]);
  const { value: attributes } = useLoaded(() => loadAttributes(value?.definition.document), [value?.definition]);
  const cells = useMemo(() => (value === null ? new Map() : cellsOf(value.evaluation, value.definition)), [value]);
  const cell = cells.get(address) ?? null;
  const { value: view, error: unexplained } = useLoaded(() => explained(set, cell), [value, address], { keeps: true });
  const { value: issues } = useLoaded(() => issueLabels(view), [view], { keeps: true });
  const { value: terms } = useLoaded(
    () => loadTerms(attributes, view?.may_be.flatMap((one) => [...attributesIn(one.clauses)]) ?? []),
    [view, attributes],
    { keeps: true },
  );
  const { value: photo } = useLoaded(async () => (cell?.holding ? photoOf(cell.holding) : null), [cell?.holding]);
  if (value === null) {
    return html`<${Title} text=${say("place.title")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  if (cell === null) {
    return html`<${Title} text=${say("place.title")} /><p>${say("place.gone", { address })}</p>
      <p><a href="/app/sets/${set}">${say("place.back", { title: value.definition.title })}</a></p>`;
  }
  const label = labelsOf(attributes);
  const place = [...places(value.evaluation)].find((one) => one.place === address);
  return html`
    <nav class="crumbs" aria-label=${say("place.path")}><a href="/app/sets/${set}">${value.definition.title}</a></nav>
    <div class="headline place ${cell.state} ${cell.free ? "free" : ""}">
      <${Disc} state=${cell.state} interchangeable=${cell.interchangeable} presumed=${cell.presumed.length > 0} photo=${photo} />
      <div>
        <${Title} text=${cell.label} />
        <p class="word" role="status">${wordOf(cell, label)}</p>
        ${cell.state !== "empty" && textOf(cell).map((text) => html`<p class="text">${text}</p>`)}
      </div>
    </div>
    <${Trouble} error=${error ?? unexplained} again=${again} />
    <section><h2>${say("place.takes")}</h2>
      <p class="takes">${cell.takes === "" ? say("place.any") : cell.takes}</p>
      ${cell.lookAt !== "" && html`<p class="hint">${say("place.look_at", { where: cell.lookAt })}</p>`}
      ${cell.note !== "" && html`<p class="note">${cell.note}</p>`}
    </section>
    <${Messages} evaluation=${value.evaluation} address=${address} cell=${cell} />
    ${cell.state === "tentative" && html`<${Looked} evaluation=${value.evaluation} view=${view} cell=${cell} issues=${issues} attributes=${attributes} label=${label} done=${again} />`}
    ${view !== null && html`<${Why} view=${view} label=${label} terms=${terms} issues=${issues} cell=${cell} />`}
    <${Alternates} place=${place} evaluation=${value.evaluation} label=${label} set=${set} />
    <${Decisions} key=${`${address} ${cell.holding}`} set=${set} cell=${cell} evaluation=${value.evaluation} done=${again} />
    <${Neighbours} set=${set} cells=${cells} address=${address} />`;
}

function* places(evaluation) {
  yield* evaluation.slots;
  for (const group of [...evaluation.one_per, ...evaluation.free_choice]) yield* group.places;
}

/** What the service says about this place and its coin. */
function Messages({ evaluation, address, cell }) {
  const about = (conflict) =>
    conflict.kind === "undecided"
      ? conflict.holding === cell.holding
      : (conflict.places ?? [conflict.place]).includes(address) || (cell.holding !== null && conflict.holding === cell.holding);
  const worded = useMessages();
  const contests = contested(evaluation);
  const found = evaluation.conflicts.filter((one) => about(one) && (one.kind !== "contested" || contests.includes(one)));
  if (found.length === 0) return null;
  return html`<ul class="messages">${found.map((conflict, at) => html`<li key=${at}>${worded(conflict)}</li>`)}</ul>`;
}

function Why({ view, label, terms, issues, cell }) {
  const worded = useMessages();
  return html`<section><h2>${say("place.why", { coin: coinName(cell.coin) })}</h2>
    ${cell.presumed.length > 0 && html`<p class="hint">${say("place.presumed", { facts: listed(cell.presumed.map(label)) })}</p>`}
    ${view.may_be.map((one, at) => html`<div key=${at}>
      ${view.may_be.length > 1 && html`<h3><${VerdictSign} verdict=${one.verdict} /> ${say("place.as_issue", { issue: issues?.get(one.issue) ?? one.issue })}</h3>`}
      <${Clauses} clauses=${one.clauses} label=${label} terms=${terms} />
      ${(one.reference ?? []).map((gap) => html`<p class="hint" key=${gap.message}>${worded(gap)}</p>`)}
    </div>`)}
  </section>`;
}

/** Where a runner-up is worse, in words. */
function losesOn(loses, label) {
  if (loses.prefer !== undefined) {
    const { criterion } = loses;
    const by = criterion.highest ?? criterion.lowest ?? criterion.order;
    const worth = (value) => (value === null || value === undefined ? say("fact.unknown") : factInWords(value));
    if (by === undefined) return say("loses.where", { rule: typeof criterion.where === "string" ? criterion.where : say("loses.a_rule") });
    return say(criterion.lowest ? "loses.lowest" : criterion.order ? "loses.order" : "loses.highest", {
      what: label(by), this: worth(loses.this), placed: worth(loses.placed),
    });
  }
  const kind = ["pin", "doubt", "to_check", "presumed", "stays", "order", "set"].find((name) => loses[name] !== undefined);
  return say(kind === "order" ? "loses.order_of_ids" : `loses.${kind ?? "set"}`);
}

function Alternates({ place, evaluation, label }) {
  const others = (place?.alternates ?? []).map(({ holding, loses_on: loses }) => ({ holding, text: losesOn(loses, label) }));
  const same = (place?.interchangeable_with ?? []).map((holding) => ({ holding, text: say("loses.nothing") }));
  const found = [...same, ...others.filter(({ holding }) => !same.some((one) => one.holding === holding))];
  if (found.length === 0) return null;
  return html`<section><h2>${say("place.others")}</h2>
    <table class="others"><thead><tr><th scope="col">${say("place.coin")}</th><th scope="col">${say("place.loses_on")}</th></tr></thead>
    <tbody>${found.map(({ holding, text }) => html`<tr key=${holding}>
      <th scope="row">${coinName(evaluation.named[holding] ?? null)}</th><td>${text}</td>
    </tr>`)}</tbody></table>
  </section>`;
}

function Neighbours({ set, cells, address }) {
  const addresses = [...cells.keys()];
  const at = addresses.indexOf(address);
  const link = (other, key) => other && html`<a href=${placePath(set, other)}>${say(key, { label: cells.get(other).label })}</a>`;
  return html`<nav class="neighbours" aria-label=${say("place.neighbours")}>
    ${link(addresses[at - 1], "place.before")} ${link(addresses[at + 1], "place.next")}
  </nav>`;
}
