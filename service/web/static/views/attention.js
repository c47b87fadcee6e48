// What needs its owner: values that two devices wrote unseen by each other, edits that the service refused, and what is unsent.
import { plain } from "../kept/exact.js";
import { OWN_FIELDS } from "../kept/mutations.js";
import { device, lastReport, turn } from "../kept/sending.js";
import { date, listed, say } from "../kept/words.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadTerms, useLoaded } from "../parts/data.js";
import { html, useEffect, useState } from "../parts/html.js";
import { photoOf } from "../parts/photos.js";
import { Title } from "../parts/title.js";
import { SaveUnsent, SyncLine, TakeIn, useWaiting } from "../parts/unsent.js";
import { bothOf, madeAt } from "../sheet/differing.js";

const OWN = new Set(OWN_FIELDS);
const KNOWN = ["value", "destroy", "invalid_merge"];

/** Everything that the view shows, of one moment. */
async function load() {
  const [open, refused, photos, decided, coins, mine] = await Promise.all([
    device.open(),
    device.attention(),
    device.refusedPhotos(),
    device.decided(),
    device.holdings(),
    device.made(),
  ]);
  const shown = new Map([...coins].map(([id, values]) => [id, plain(values)]));
  return { open, refused, photos, decided, coins, shown, mine };
}

export function Attention() {
  const { value: found, again } = useLoaded(load, [], { keeps: true });
  useEffect(() => device.watch(again), []);
  // Ten minutes end without anything else happening.
  useEffect(() => {
    const timer = setInterval(again, 30_000);
    return () => clearInterval(timer);
  }, []);
  const [said, setSaid] = useState("");
  const words = useWords(found);
  if (found === null) return html`<${Title} text=${say("needs.title")} /><p role="status">${say("app.loading")}</p>`;
  const { open, refused, photos, decided } = found;
  const act = (what, then) => async () => {
    await then();
    setSaid(what);
    turn();
  };
  const nothing = open.length + refused.length + photos.length === 0;
  return html`
    <${Title} text=${say("needs.title")} />
    <p role="status" class="told">${said}</p>
    ${nothing && html`<p>${say("needs.nothing")}</p>`}
    ${open.length > 0 && html`<section><h2>${say("needs.conflicts", { n: open.length })}</h2><p class="hint">${say("needs.what")}</p>
      ${open.map((one) => html`<${Conflict} key=${one.holding + one.conflict.id} of=${one} found=${found} words=${words} act=${act} />`)}</section>`}
    ${refused.length > 0 && html`<section><h2>${say("needs.refused", { n: refused.length })}</h2><p class="hint">${say("needs.refused_what")}</p>
      ${refused.map((one) => html`<${Refused} key=${one.mutation.mutation_id} of=${one} found=${found} words=${words} act=${act} />`)}</section>`}
    ${photos.length > 0 && html`<section><h2>${say("needs.photos", { n: photos.length })}</h2>
      <ul>${photos.map((one) => html`<li key=${one.sha256}>${plain(one.problem).detail ?? plain(one.problem).title}</li>`)}</ul></section>`}
    ${decided.length > 0 && html`<section><h2>${say("needs.decided")}</h2><p class="hint">${say("needs.undo_hint")}</p>
      <ul class="decided">${decided.map((one) => html`<li key=${one.mutation}>${words.coin(one.holding)}, ${date(one.at)}
        <button type="button" class="plain" onClick=${act(say("needs.undone"), () => device.undo(one.mutation))}>${say("needs.undo")}</button></li>`)}</ul>
    </section>`}
    <${Unsent} />`;
}

/** What coins, attributes and values are called here. */
function useWords(found) {
  const { value: attributes } = useLoaded(() => loadAttributes(), []);
  const names = ["denomination", "issuer", ...(found?.open ?? []).flatMap(({ conflict }) => conflict.attribute ?? Object.keys(conflict.patch ?? {})),
    ...(found?.refused ?? []).flatMap(({ mutation }) => Object.keys(mutation.patch))];
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, [...new Set(names)].join()], { keeps: true });
  const fact = (name) => name.replace(/^facts\./, "");
  const label = (name) => (name !== fact(name) || !OWN.has(name) ? labelsOf(attributes)(fact(name)) : say(`own.${name}`));
  const value = (name, one) => {
    if (one === null || one === undefined) return say("needs.not_recorded");
    if (name === "photos") return say("needs.n_photos", { n: one.length });
    if (typeof one === "object" && OWN.has(name) && !Array.isArray(one)) return Object.values(one).filter((each) => each !== null).join(" ");
    if (Array.isArray(one) && one.some((each) => typeof each === "object")) return JSON.stringify(one);
    return factInWords(one, terms?.get(fact(name)));
  };
  const coin = (id) => {
    const values = found?.shown.get(id) ?? {};
    const about = ["year_on_coin", "denomination"].filter((name) => values[name] !== undefined).map((name) => value(name, values[name]));
    const number = values.number ? say("coin.numbered", { number: values.number }) : say("needs.coin");
    return about.length === 0 ? number : `${number}, ${about.join(" ")}`;
  };
  return { label, value, coin };
}

/** Which device and when, as far as is known. */
function Who({ mutation, client, at, mine }) {
  const isMine = mutation.split("+").some((id) => mine.has(id));
  const name = isMine ? say("needs.this_browser") : client ?? say("needs.another_device");
  return html`<p class="hint">${at === null ? name : say("needs.who_when", { device: name, when: date(at) })}</p>`;
}

function Card({ title, children, label, press }) {
  return html`<div class="card"><h4>${title}</h4>${children}
    ${press && html`<p class="buttons"><button type="button" onClick=${press}>${label}</button></p>`}</div>`;
}

function Conflict({ of: { holding, conflict, writers }, found, words, act }) {
  const shown = found.shown.get(holding) ?? {};
  const decide = (how) => act(say("needs.done"), how);
  const keep = decide(() => device.resolve(holding, conflict, { takeOther: false }));
  const take = decide(() => device.resolve(holding, conflict, { takeOther: true }));
  const other = html`<${Who} mutation=${conflict.mutation_id} client=${conflict.client} at=${conflict.at ?? conflict.edited_at} mine=${found.mine} />`;
  const { value: photo } = useLoaded(() => photoOf(holding), [holding]);
  const plainly = plain(conflict);
  let body;
  if (conflict.kind === "value") body = html`<${Values} of=${plainly} stored=${conflict} holding=${holding} writers=${writers} shown=${shown} found=${found} words=${words} other=${other} keep=${keep} take=${take} decide=${decide} />`;
  else if (conflict.kind === "destroy") {
    body = html`<p>${say("needs.delete_meanwhile")}</p><div class="cards">
      <${Card} title=${say("needs.edited")} label=${say("needs.keep_coin")} press=${keep}><${Lines} values=${shown} words=${words} /></${Card}>
      <${Card} title=${say("needs.deleted")} label=${say("needs.delete_coin")} press=${take}><p>${say("needs.deleted_unseen")}</p>${other}</${Card}></div>`;
  } else if (conflict.kind === "invalid_merge") {
    const now = Object.fromEntries(Object.keys(plainly.patch).map((name) => [name, shown[name] ?? null]));
    body = html`<p>${say("needs.mixture_meanwhile")}</p><div class="cards">
      <${Card} title=${say("needs.shown")} label=${say("needs.keep_shown")} press=${keep}><${Lines} values=${now} words=${words} /></${Card}>
      <${Card} title=${say("needs.whole_edit")} label=${say("needs.take_edit")} press=${take}><${Lines} values=${plainly.patch} words=${words} />${other}</${Card}></div>`;
  } else {
    body = html`<p>${say("needs.unknown", { kind: conflict.kind })}</p><pre>${JSON.stringify(plainly, null, 1)}</pre>
      <p class="buttons"><button type="button" onClick=${keep}>${say("needs.keep_shown")}</button></p>`;
  }
  return html`<article class="conflict" data-kind=${KNOWN.includes(conflict.kind) ? conflict.kind : "unknown"}>
    <h3><a href="/app/coins/${holding}">${words.coin(holding)}</a></h3>
    ${photo && html`<img class="photo" src=${photo} alt=${say("needs.photo")} />`}
    ${body}
  </article>`;
}

function Values({ of, stored, holding, writers, shown, found, words, other, keep, take, decide }) {
  const name = of.attribute;
  const [here, there] = [shown[name] ?? null, of.value];
  const writer = writers[name] ?? "";
  // Numbers with all their digits.
  const both = bothOf(name, found.coins.get(holding)?.[name], stored.value, OWN);
  const values = { shown: words.value(name, here), other: words.value(name, there) };
  const isFact = !OWN.has(name);
  return html`<p>${words.label(name)}: ${say(isFact ? "needs.meanwhile_fact" : "needs.meanwhile_own", values)}</p><div class="cards">
    <${Card} title=${say("needs.shown")} label=${say("needs.keep_this", { value: values.shown })} press=${keep}><p class="value">${values.shown}</p>
      <${Who} mutation=${writer} client=${null} at=${madeAt(writer)} mine=${found.mine} /></${Card}>
    <${Card} title=${say("needs.other")} label=${say("needs.keep_that", { value: values.other })} press=${take}><p class="value">${values.other}</p>${other}</${Card}></div>
    ${both !== null && html`<p class="buttons"><button type="button" class="plain" onClick=${decide(() => device.resolveWith(holding, stored, both))}>
      ${say("needs.both", { values: words.value(name, plain(both)) })}</button></p>`}`;
}

/** Names and values, one a line. */
function Lines({ values, words }) {
  return html`<dl class="facts">${Object.entries(values).map(([name, value]) => html`<div key=${name}>
    <dt>${words.label(name)}</dt><dd>${words.value(name, value)}</dd></div>`)}</dl>`;
}

function Refused({ of: { mutation, error }, found, words, act }) {
  const told = plain(error);
  const reasons = told.messages ?? (told.errors ?? []).map((one) => one.detail ?? "").filter(Boolean);
  const id = mutation.mutation_id;
  const ops = { create: "needs.wanted_create", update: "needs.wanted_update", destroy: "needs.wanted_destroy" };
  return html`<article class="conflict" data-kind="refused">
    <h3>${found.shown.has(mutation.id) ? html`<a href="/app/coins/${mutation.id}">${words.coin(mutation.id)}</a>` : words.coin(mutation.id)}</h3>
    <p>${say(ops[mutation.op] ?? "needs.wanted_update")} <span class="hint">${date(mutation.edited_at)}</span></p>
    <${Lines} values=${plain(mutation.patch)} words=${words} />
    <p class="wrong">${say("needs.reason", { reason: reasons.length > 0 ? listed(reasons) : told.detail ?? told.title ?? told.type ?? "" })}</p>
    <p class="buttons"><button type="button" onClick=${act(say("needs.sent_again"), () => device.sendAgain(id))}>${say("needs.send_again")}</button>
      <button type="button" class="plain" onClick=${act(say("needs.done"), () => device.dismiss(id))}>${say("needs.dismiss")}</button></p>
  </article>`;
}

function Unsent() {
  const waiting = useWaiting();
  if (waiting === null) return null;
  const problem = lastReport()?.problem ?? null;
  return html`<section><h2>${say("needs.unsent")}</h2>
    <${SyncLine} />
    ${problem !== null && html`<p class="hint">${say("needs.problem", { problem: problem.message })}</p>`}
    <p class="buttons"><button type="button" class="plain" onClick=${turn}>${say("needs.sync_now")}</button>${waiting.unsent > 0 && html`<${SaveUnsent} />`}</p>
    <${TakeIn} /></section>`;
}
