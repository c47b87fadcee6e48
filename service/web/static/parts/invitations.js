// Invitations: the one that somebody came with, the link of one that was just made, and all that were made.
import { say } from "../kept/words.js";
import { html } from "./html.js";

/** The invitation behind # in the address, which a browser sends to no server; it is taken away. */
export function invited() {
  const text = new URLSearchParams(location.hash.slice(1)).get("invitation") ?? "";
  if (text !== "") history.replaceState(null, "", location.pathname);
  return text;
}

/** @param {{path: string, invitation: string, once: string}} of `path`: the view that it opens; `once`: that it is shown once */
export const InvitationLink = ({ path, invitation, once }) => html`<div class="notice made" role="status"><p>${once}</p>
  <div class="field"><label for="invite-link">${say("invite.link")}</label>
    <input id="invite-link" readonly value="${location.origin}${path}#invitation=${encodeURIComponent(invitation)}" onFocus=${(event) => event.target.select()} /></div></div>`;

/** @param {{invitations: {id: string, note: string | null, status: string}[], busy: boolean, revoke: (id: string) => void}} of */
export const Invitations = ({ invitations, busy, revoke }) => html`<ul class="rows">${invitations.map((one) => html`<li key=${one.id}>
  ${one.note ?? say("invite.nameless")} <span class="of">${say(`invite.is_${one.status}`)}</span>
  ${one.status === "open" && html`<p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${() => revoke(one.id)}>${say("invite.revoke")}</button></p>`}</li>`)}</ul>`;
