// A set that a club offers: taking it, its newer revisions, what I show of it, how far the others are, swaps, the display.
import { ask, get, send } from "../kept/api.js";
import { date, say } from "../kept/words.js";
import { Adopt, Conflicts, loadRevisions, pull } from "../parts/adopt.js";
import { useActing } from "../parts/acting.js";
import { Changes } from "../parts/changes.js";
import { Consents, FactsOfCoins } from "../parts/consent.js";
import { labelsOf, loadAttributes, loadTerms, useLoaded } from "../parts/data.js";
import { DisplayedPhotos } from "../parts/displayed-photos.js";
import { html, useState } from "../parts/html.js";
import { Long, useLong } from "../parts/long.js";
import { go } from "../parts/navigation.js";
import { OfferForm } from "../parts/offering.js";
import { Panel } from "../parts/panel.js";
import { Standings, loadShown } from "../parts/standings.js";
import { FoundSwaps, Proposals, useProposals } from "../parts/swaps.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";

/** The club, the offer, and my own set that was taken from it with the revision that it follows. */
async function loadOffer(club, definition) {
  const [found, offer] = await Promise.all([get(`/v1/clubs/${club}`), get(`/v1/clubs/${club}/definitions/${definition}`)]);
  const { copy } = offer.data;
  let revisions = null;
  if (copy !== null) {
    // A copy may have been deleted since: then it is as if nothing was taken.
    revisions = await loadRevisions(copy.definition_id).catch((error) => {
      if (error.status !== 404) throw error;
      return null;
    });
  }
  return { club: found.data, offer: offer.data, etag: offer.etag, copy: revisions === null ? null : copy, revisions };
}

/** @param {{club: string, definition: string}} of */
export function Offer({ club: id, definition }) {
  const { value, error, again } = useLoaded(() => loadOffer(id, definition), [id, definition]);
  const shown = useLoaded(() => loadShown(id, definition), [id, definition]);
  const proposals = useProposals(id);
  if (value === null) {
    return html`<${Title} text=${say("offer.title")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const { club, offer } = value;
  const mine = (proposals.value ?? []).filter((made) => made.definition_id === definition);
  const me = club.member_id;
  return html`
    <nav class="crumbs" aria-label=${say("club.path")}><a href="/app/clubs">${say("club.clubs")}</a> / <a href="/app/clubs/${id}">${club.name}</a></nav>
    <${Title} text=${offer.title} />
    <${Trouble} error=${error} again=${again} />
    ${offer.document.summary && html`<p class="summary">${offer.document.summary}</p>`}
    <p>${say("offer.revision", { revision: offer.revision, by: offer.offered_by, on: date(offer.offered_at) })}</p>
    ${offer.note && html`<p class="note">${offer.note}</p>`}
    <${Taken} club=${id} value=${value} again=${again} />
    <section><h2>${say("consent.title")}</h2>
      <${Consents} club=${id} definition=${definition} document=${offer.document} changed=${shown.again} /></section>
    <section><h2>${say("standing.title")}</h2>
      <${Trouble} error=${shown.error} again=${shown.again} />
      ${shown.value !== null && html`<${Standings} club=${id} definition=${definition} me=${me} shown=${shown.value} />`}</section>
    <section><h2>${say("swap.title")}</h2>
      <${FoundSwaps} club=${id} definition=${definition} me=${me} proposed=${proposals.again} />
      <${Trouble} error=${proposals.error} />
      ${mine.length > 0 && html`<h3>${say("swap.proposals")}</h3>
        <${Proposals} club=${id} me=${me} proposals=${mine} again=${proposals.again} />`}</section>
    <section><h2>${say("display.title")}</h2>
      <${Display} club=${id} definition=${definition} document=${offer.document} /></section>
    ${club.role === "steward" && html`<section class="steward"><h2>${say("club.steward")}</h2>
      <${Panel} title=${say("offer.announce")}>${() => html`<${OfferForm} path=${`/v1/clubs/${id}/definitions/${definition}/revisions`} label=${say("offer.announce_do")} done=${again} />`}</${Panel}>
      <${Panel} title=${say("offer.withdraw")}>${() => html`<${Withdraw} club=${id} value=${value} />`}</${Panel}>
    </section>`}`;
}

function Taken({ club, value, again }) {
  const { offer, copy, revisions } = value;
  const { busy, error, attempt } = useActing();
  const [conflicts, setConflicts] = useState([]);
  const path = `/v1/clubs/${club}/definitions/${offer.id}`;
  const take = () =>
    attempt(async () => {
      await send("POST", `${path}/copies`, {});
      await again();
    });
  const merge = () =>
    attempt(async () => {
      setConflicts((await pull(copy.definition_id)).conflicts);
      await again();
    });
  if (copy === null) {
    return html`<section class="panel"><h2>${say("offer.take")}</h2><p>${say("offer.take_what")}</p><${Trouble} error=${error} />
      <p class="buttons"><button type="button" disabled=${busy} onClick=${take}>${say("offer.take_do")}</button></p></section>`;
  }
  const isNewer = copy.revision < offer.revision;
  // One element: what comes and goes in it stays where it belongs.
  return html`<div><p><a href="/app/sets/${copy.definition_id}">${say("offer.my_set")}</a></p>
    ${isNewer && html`<section class="panel newer"><h2>${say("offer.newer", { revision: offer.revision, mine: copy.revision })}</h2>
      <${Changes} path=${`${path}/changes?from=${copy.revision}&to=${offer.revision}`} />
      <p>${say("offer.pull_what")}</p><${Trouble} error=${error} />
      <p class="buttons"><button type="button" disabled=${busy} onClick=${merge}>${say("offer.pull")}</button></p></section>`}
    <${Conflicts} conflicts=${conflicts} />
    ${!isNewer && revisions.isNewer && html`<${Adopt} key=${revisions.latest.revision + revisions.latest.status} set=${copy.definition_id} done=${again} />`}</div>`;
}

function Display({ club, definition, document: set }) {
  const long = useLong(`/v1/clubs/${club}/definitions/${definition}/display`);
  const shown = long.value;
  const names = [...new Set((shown?.exhibits ?? []).flatMap((exhibit) => Object.keys(exhibit.facts)))];
  const { value: attributes } = useLoaded(() => loadAttributes(set), [set]);
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, shown]);
  /** @type {{page: string | null, exhibits: any[]}[]} */
  const pages = [];
  for (const exhibit of shown?.exhibits ?? []) {
    if (pages.length === 0 || pages[pages.length - 1].page !== exhibit.page) pages.push({ page: exhibit.page, exhibits: [] });
    pages[pages.length - 1].exhibits.push(exhibit);
  }
  const rows = (exhibits) =>
    exhibits.map((exhibit) => ({
      key: exhibit.coin + exhibit.place,
      first: exhibit.label,
      more: [exhibit.status === "tentative" ? say("display.possibly", { coin: exhibit.description }) : exhibit.description, exhibit.owner],
      facts: exhibit.facts,
      about: html`<${DisplayedPhotos} coin=${exhibit.description} photos=${exhibit.photos} />`,
    }));
  return html`<p>${say("display.what")}</p>
    <${Long} long=${long} label=${say("display.make")} again=${say("display.make_again")} />
    ${shown !== null && shown.exhibits.length === 0 && html`<p>${say("display.nobody")}</p>`}
    ${shown !== null && shown.exhibits.length > 0 && html`<p class="figures">${say("display.figures", { shown: shown.exhibits.length, places: shown.summary.places })}</p>
      ${!shown.proven_optimal && html`<p class="hint">${say("album.not_proven")}</p>`}
      ${pages.map(({ page, exhibits }, at) => html`<section key=${at}><h3>${page ?? say("display.exhibits")}</h3>
        <${FactsOfCoins} coins=${rows(exhibits)} heading=${say("display.place")} headings=${[say("place.coin"), say("display.lent_by")]}
          label=${labelsOf(attributes)} terms=${terms} name=${page ?? say("display.exhibits")} /></section>`)}
      <h3>${say("display.lenders")}</h3>
      <ul>${shown.lenders.map(({ owner, coins }) => html`<li key=${owner}>${say("display.lends", { owner, n: coins })}</li>`)}</ul>
      <p class="hint">${say("display.terms")}</p>`}`;
}

function Withdraw({ club, value }) {
  const { busy, error, attempt } = useActing();
  const withdraw = () =>
    attempt(async () => {
      await ask("DELETE", `/v1/clubs/${club}/definitions/${value.offer.id}`, { headers: { "If-Match": value.etag } });
      go(`/app/clubs/${club}`, { replace: true });
    });
  return html`<p>${say("offer.withdraw_what")}</p><${Trouble} error=${error} />
    <p class="buttons"><button type="button" disabled=${busy} onClick=${withdraw}>${say("offer.withdraw_do")}</button></p>`;
}
