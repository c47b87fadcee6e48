// One club: what it offers and announces, swaps that wait for an answer, its members; what its stewards do.
import { all, ask, get, send } from "../kept/api.js";
import { date, say } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { Changes } from "../parts/changes.js";
import { useLoaded } from "../parts/data.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { InvitationLink, Invitations } from "../parts/invitations.js";
import { go } from "../parts/navigation.js";
import { OfferForm } from "../parts/offering.js";
import { Panel } from "../parts/panel.js";
import { Proposals, useProposals } from "../parts/swaps.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";

const DAY = 24 * 60 * 60;

/** A club with what it offers, each with my own copy of it, and what was announced, the newest first. */
async function loadClub(club) {
  const path = `/v1/clubs/${club}`;
  const [found, offers, announced, members] = await Promise.all([
    get(path),
    all(`${path}/definitions`),
    all(`${path}/announcements`),
    all(`${path}/members`),
  ]);
  const mine = await Promise.all(offers.map(async ({ id }) => (await get(`${path}/definitions/${id}`)).data));
  return { club: found.data, etag: found.etag, offers: mine, announced: announced.reverse(), members };
}

/** @param {{club: string}} of */
export function Club({ club: id }) {
  const { value, error, again } = useLoaded(() => loadClub(id), [id]);
  const proposals = useProposals(id);
  if (value === null) {
    return html`<${Title} text=${say("club.title")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const { club, offers, announced, members } = value;
  const open = (proposals.value ?? []).filter(({ state }) => state === "proposed");
  const over = (proposals.value ?? []).filter(({ state }) => state !== "proposed");
  return html`
    <nav class="crumbs" aria-label=${say("club.path")}><a href="/app/clubs">${say("club.clubs")}</a></nav>
    <${Title} text=${club.name} />
    <${Trouble} error=${error ?? proposals.error} again=${again} />
    ${club.note && html`<p class="summary">${club.note}</p>`}
    <p>${say(`club.you_are_${club.role}`, { name: club.own_name })}</p>
    ${open.length > 0 && html`<section class="attention"><h2>${say("club.proposals", { n: open.length })}</h2>
      <${Proposals} club=${id} me=${club.member_id} proposals=${open} again=${proposals.again} /></section>`}
    <section><h2>${say("club.offers")}</h2>
      ${offers.length === 0 && html`<p>${say("club.no_offers")}</p>`}
      <ul class="sets">${offers.map((offer) => html`<${Offered} key=${offer.id} club=${id} offer=${offer} />`)}</ul>
    </section>
    <section><h2>${say("club.news")}</h2>
      ${announced.length === 0 && html`<p>${say("club.no_news")}</p>`}
      <ol class="rows">${announced.map((one) => html`<${Announced} key=${one.id} club=${id} one=${one} gone=${!offers.some((offer) => offer.id === one.definition_id)} />`)}</ol>
    </section>
    ${over.length > 0 && html`<${Panel} title=${say("club.past_proposals", { n: over.length })}>${() => html`
      <${Proposals} club=${id} me=${club.member_id} proposals=${over} again=${proposals.again} />`}</${Panel}>`}
    <${Panel} title=${say("club.members", { n: members.length })}>${() => html`<ul class="rows">${members.map((member) => html`<li key=${member.id}>
      ${member.name} <span class="of">${say(`club.is_${member.role}`)}${member.is_you ? `, ${say("club.this_is_you")}` : ""}</span></li>`)}</ul>
      <${Leave} club=${club} />`}</${Panel}>
    ${club.role === "steward" && html`<section class="steward"><h2>${say("club.steward")}</h2>
      <${Panel} title=${say("club.offer_set")}>${() => html`<${OfferForm} path=${`/v1/clubs/${id}/definitions`} label=${say("club.offer_do")} done=${again} />`}</${Panel}>
      <${Panel} title=${say("club.invite")}>${() => html`<${Invite} club=${id} />`}</${Panel}>
      <${Panel} title=${say("club.deeds")}>${() => html`<${Deeds} club=${id} />`}</${Panel}>
    </section>`}`;
}

function Offered({ club, offer }) {
  const { copy } = offer;
  const key = copy === null ? "offer.not_taken" : copy.revision < offer.revision ? "offer.is_newer" : "offer.is_taken";
  return html`<li class="set"><h3><a href="/app/clubs/${club}/sets/${offer.id}">${offer.title}</a></h3>
    ${offer.document.summary && html`<p class="summary">${offer.document.summary}</p>`}
    <p>${say("offer.revision", { revision: offer.revision, by: offer.offered_by, on: date(offer.offered_at) })}</p>
    <p class="figures">${say(key)}</p></li>`;
}

/** An announcement; of a newer revision with what it changes, in sentences. */
function Announced({ club, one, gone }) {
  const told = { title: one.title, revision: one.revision, by: one.by };
  const path = `/v1/clubs/${club}/definitions/${one.definition_id}/changes?from=${one.revision - 1}&to=${one.revision}`;
  return html`<li><p><strong>${say(`club.was_${one.kind}`, told)}</strong> <span class="of">${date(one.at)}</span></p>
    ${one.note && html`<p class="note">${one.note}</p>`}
    ${one.kind === "revised" && !gone && html`<${Panel} title=${say("offer.changes")}>${() => html`<${Changes} path=${path} />`}</${Panel}>`}
  </li>`;
}

function Leave({ club }) {
  const { busy, error, attempt } = useActing();
  const [asked, setAsked] = useState(false);
  const leave = () =>
    attempt(async () => {
      await ask("DELETE", `/v1/clubs/${club.id}/membership`);
      go("/app/clubs", { replace: true });
    });
  if (!asked) return html`<p class="buttons"><button type="button" class="plain" onClick=${() => setAsked(true)}>${say("club.leave")}</button></p>`;
  return html`<div class="notice" role="status"><p>${say("club.leave_what", { name: club.name })}</p><${Trouble} error=${error} />
    <p class="buttons"><button type="button" disabled=${busy} onClick=${leave}>${say("club.leave_do")}</button>
      <button type="button" class="plain" onClick=${() => setAsked(false)}>${say("club.stay")}</button></p></div>`;
}

function Invite({ club }) {
  const path = `/v1/clubs/${club}/invitations`;
  const { value: invitations, error, again } = useLoaded(async () => (await all(path)).reverse(), [path]);
  const { busy, error: refused, attempt } = useActing();
  const [made, setMade] = useState(null);
  const invite = async ({ note, role, days }) => {
    setMade(await send("POST", path, { role, expires_in_seconds: Number(days) * DAY, ...(note ? { note } : {}) }));
    await again();
  };
  const revoke = (id) =>
    attempt(async () => {
      await ask("DELETE", `${path}/${id}`);
      if (made?.id === id) setMade(null);
      await again();
    });
  return html`<p>${say("invite.what")}</p>
    ${made && html`<${InvitationLink} path="/app/clubs" invitation=${made.invitation} once=${say("invite.once")} />`}
    <${Form} submit=${invite} label=${say("invite.do")}>
      <${Field} name="note" label=${say("invite.note")} hint=${say("invite.note_hint")} required=${false} autocomplete="off" />
      <div class="field"><label for="invite-role">${say("invite.role")}</label>
        <select id="invite-role" name="role"><option value="member">${say("club.is_member")}</option><option value="steward">${say("club.is_steward")}</option></select></div>
      <div class="field"><label for="invite-days">${say("invite.days")}</label>
        <select id="invite-days" name="days">${[7, 1, 30].map((n) => html`<option key=${n} value=${n}>${say("invite.n_days", { n })}</option>`)}</select></div>
    </${Form}>
    <${Trouble} error=${error ?? refused} />
    <${Invitations} invitations=${invitations ?? []} busy=${busy} revoke=${revoke} />`;
}

const DEEDS = {
  founded: "deed.founded",
  "changed-club": "deed.changed_club",
  "changed-role": "deed.changed_role",
  "removed-member": "deed.removed_member",
  left: "deed.left",
  invited: "deed.invited",
  "revoked-invitation": "deed.revoked_invitation",
  "offered-definition": "deed.offered_definition",
  "revised-definition": "deed.revised_definition",
  "withdrawn-definition": "deed.withdrawn_definition",
};

function Deeds({ club }) {
  const { value, error, again } = useLoaded(async () => (await all(`/v1/clubs/${club}/audit`)).reverse(), [club]);
  if (value === null) return html`<${Trouble} error=${error} again=${again} />`;
  const told = (deed) => [deed.whom?.name, deed.about].filter(Boolean).join(", ");
  return html`<ul class="rows">${value.map((deed) => html`<li key=${deed.id}>${say(DEEDS[deed.what] ?? "deed.other", { by: deed.by.name })}
    ${told(deed) !== "" && html`<span class="of"> ${told(deed)}</span>`} <span class="of">${date(deed.at)}</span></li>`)}</ul>`;
}
