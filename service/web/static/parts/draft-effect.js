// What a draft does: its words, my coins for each place, what the check finds, the author's examples.
import { get } from "../kept/api.js";
import { listed, number, say } from "../kept/words.js";
import { factInWords } from "./clauses.js";
import { labelsOf, loadTerms, useLoaded } from "./data.js";
import { html } from "./html.js";
import { useMessages } from "./message.js";
import { coinName } from "./place.js";
import { focusOf, isFreeChoice, partAt, withExample, withoutExample } from "../sheet/draft.js";

export const findingKey = ({ code, pointer, message }) => `${code} ${pointer} ${message}`;

/** An example coin in words. */
function exampleInWords(facts, label, terms) {
  return Object.entries(facts).map(([name, value]) => say("build.condition_says", { what: label(name), value: factInWords(value, terms?.get(name)) })).join("; ");
}

function Finding({ finding, document, label, terms, goTo, acknowledged, acknowledge }) {
  const worded = useMessages();
  const part = partAt(document, finding.pointer);
  const entry = focusOf(finding.pointer);
  const isWarning = finding.severity === "warning";
  // A set begins without one, and what a document would lack is no word for whoever fills in forms.
  const isEmpty = finding.code === "empty" && finding.pointer === "";
  return html`<li class="finding severity-${finding.severity}">
    <p><strong>${say(`build.severity_${finding.severity}`)}</strong> ${isEmpty ? say("build.no_place_yet") : worded(finding)}</p>
    ${finding.example && html`<p class="hint">${say("build.example_coin", { facts: exampleInWords(finding.example, label, terms) })}</p>`}
    <p class="buttons">
      ${(part ?? entry) !== null && html`<button type="button" class="plain" onClick=${() => goTo(part, entry)}>${say(part === null ? "build.go_to_entry" : "build.go_to_place")}</button>`}
      ${isWarning && html`<label class="pick"><input type="checkbox" checked=${acknowledged} onChange=${() => acknowledge(findingKey(finding))} /> ${say("build.acknowledge")}</label>`}
    </p>
  </li>`;
}

/** Some coins of one place, each with what can be said of it. */
function Coins({ title, some, coins, named, actions }) {
  if (coins === 0) return null;
  return html`<div><h3>${title}</h3><ul class="coin-list">
    ${some.map((holding) => html`<li key=${holding}>${coinName(named[holding] ?? null)} ${actions?.(holding)}</li>`)}
    ${coins > some.length && html`<li class="hint">${say("build.more_coins", { n: coins - some.length })}</li>`}
  </ul></div>`;
}

/** What the other places are called that a coin fits. */
function alsoIn(preview, { fit_elsewhere: both }, holding) {
  const labels = new Map(preview.places.map(({ place, label }) => [place, label]));
  return both.some.find((one) => one.holding === holding).places.map((place) => labels.get(place));
}

/** A part may have many places: what they come to together. */
function totals(places) {
  const sum = (of) => places.reduce((whole, place) => whole + of(place).coins, 0);
  return { fit: sum(({ fit }) => fit), may: sum(({ may_fit: may }) => may), elsewhere: sum(({ fit_elsewhere: both }) => both) };
}

/**
 * @param {{document: object, preview: object | null, entry: import("../sheet/draft.js").Entry | null, attributes: Map<string, object>,
 *   goTo: (id: string | null, focus?: string | null) => void, acknowledged: Set<string>, acknowledge: (key: string) => void, change: (document: object) => void}} of
 */
export function DraftEffect({ document, preview, entry, attributes, goTo, acknowledged, acknowledge, change }) {
  const named = [...(preview?.findings ?? []).map(({ example }) => example), ...(document.examples ?? []).map(({ facts }) => facts)];
  const names = [...new Set(named.flatMap((facts) => Object.keys(facts ?? {})))];
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, names.join()], { keeps: true });
  if (preview === null) return html`<p role="status">${say("app.loading")}</p>`;
  const label = labelsOf(attributes);
  const { holdings, findings } = preview;
  const id = entry?.part.id;
  const places = preview.places.filter(({ place, group }) => (group ?? place) === id);
  const example = (holding, member) => async () => {
    const { data } = await get(`/v1/holdings/${holding}`);
    change((now) => withExample(now, { label: coinName(preview.named[holding] ?? null), facts: data.facts, [member]: [id] }));
  };
  const actions = (holding) => html`<span class="buttons small">
    <button type="button" class="plain" aria-label=${say("build.must_fit_what", { coin: coinName(preview.named[holding] ?? null) })} onClick=${example(holding, "fits")}>${say("build.must_fit")}</button>
    <button type="button" class="plain" aria-label=${say("build.must_not_what", { coin: coinName(preview.named[holding] ?? null) })} onClick=${example(holding, "not")}>${say("build.must_not")}</button></span>`;
  const mine = findings.filter(({ pointer }) => id !== undefined && partAt(document, pointer) === id);
  const others = findings.filter((one) => !mine.includes(one));
  const line = (finding, at) => html`<${Finding} key=${findingKey(finding) + at} finding=${finding} document=${document} label=${label} terms=${terms} goTo=${goTo}
    acknowledged=${acknowledged.has(findingKey(finding))} acknowledge=${acknowledge} />`;
  const figures = totals(places);
  // Its places take the same coins.
  const isFree = isFreeChoice(document, id);
  return html`<div class="effect">
    ${holdings !== null && html`<p class="figures" aria-live="polite">${say("build.of_my_coins", { coins: number(holdings.coins), fit: number(holdings.fit), may: number(holdings.may_fit), nowhere: number(holdings.fit_nowhere) })}</p>`}
    ${id !== undefined && html`<section aria-label=${say("build.this_place")}>
      ${preview.places_in_words[id] && html`<p class="takes">${preview.places_in_words[id]}</p>`}
      ${isFree && places.length > 0 && html`<p class="fits" aria-live="polite">${say("build.place_line", { label: entry?.part.label || id, fit: number(places[0].fit.coins), may: number(places[0].may_fit.coins) })}</p>`}
      ${!isFree && places.length > 0 && html`<p class="fits" aria-live="polite">${say("build.place_figures", { fit: number(figures.fit), may: number(figures.may), elsewhere: number(figures.elsewhere) })}</p>`}
      ${places.length > 1 && html`<p>${say("count.places", { n: places.length })}</p>`}
      ${places.length === 1 && html`
        <${Coins} title=${say("build.they_fit")} ...${places[0].fit} named=${preview.named} actions=${actions} />
        <${Coins} title=${say("build.they_may_fit")} ...${places[0].may_fit} named=${preview.named} actions=${actions} />
        <${Coins} title=${say("build.fit_elsewhere")} coins=${places[0].fit_elsewhere.coins} some=${places[0].fit_elsewhere.some.map(({ holding }) => holding)} named=${preview.named}
          actions=${(holding) => html`<span class="of">${say("build.also_in", { places: listed(alsoIn(preview, places[0], holding)) })}</span>`} />`}
      ${!isFree && places.length > 1 && html`<ul class="coin-list">${places.slice(0, 12).map((place) => html`<li key=${place.place}>${say("build.place_line", { label: place.label, fit: place.fit.coins, may: place.may_fit.coins })}</li>`)}
        ${places.length > 12 && html`<li class="hint">${say("build.more_places", { n: places.length - 12 })}</li>`}</ul>`}
    </section>`}
    <h3>${say("build.findings")}</h3>
    ${findings.length === 0 ? html`<p role="status">${say("build.no_findings")}</p>` : html`<ul class="findings">${[...mine, ...others].map(line)}</ul>`}
    ${(document.examples ?? []).length > 0 && html`<h3>${say("build.examples")}</h3><ul class="coin-list">
      ${document.examples.map((one, at) => html`<li key=${at}>${say(one.fits?.length > 0 ? "build.example_fits" : "build.example_not", {
        coin: one.label || exampleInWords(one.facts, label, terms), places: [...(one.fits ?? []), ...(one.not ?? [])].join(", ") })}
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what: one.label || exampleInWords(one.facts, label, terms) })} onClick=${() => change(withoutExample(document, at))}>${say("build.remove")}</button></li>`)}</ul>`}
    ${preview.in_words.length > 0 && html`<details class="panel"><summary>${say("build.in_words")}</summary>
      ${preview.in_words.map((sentence, at) => html`<p key=${at}>${sentence}</p>`)}</details>`}
  </div>`;
}
