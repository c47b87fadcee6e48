// My clubs; joining one by an invitation; founding one.
import { all, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useLoaded } from "../parts/data.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { invited } from "../parts/invitations.js";
import { go } from "../parts/navigation.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";

/** @param {{session: import("../kept/session.js").Session}} of */
export function Clubs({ session }) {
  const { value: clubs, error, again } = useLoaded(() => all("/v1/clubs"), []);
  const [invitation] = useState(invited);
  const enter = (club) => go(`/app/clubs/${club.id}`);
  const join = async (typed) => enter(await send("POST", "/v1/club-memberships", { invitation: typed.invitation.trim(), name: typed.name }));
  const found = async ({ name, note, own_name: own }) => enter(await send("POST", "/v1/clubs", { name, own_name: own, ...(note ? { note } : {}) }));
  return html`
    <${Title} text=${say("club.clubs")} />
    <${Trouble} error=${error} again=${again} />
    ${clubs === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${clubs?.length === 0 && html`<p>${say("club.none")}</p>`}
    <ul class="sets">${(clubs ?? []).map((club) => html`<li class="set" key=${club.id}>
      <h2><a href="/app/clubs/${club.id}">${club.name}</a></h2>
      ${club.note && html`<p class="summary">${club.note}</p>`}
      <p>${say(`club.you_are_${club.role}`, { name: club.own_name })}</p>
    </li>`)}</ul>
    <details class="panel" open=${invitation !== ""}><summary>${say("club.join")}</summary>
      <p>${say("club.join_what")}</p>
      <${Form} submit=${join} label=${say("club.join_do")}>
        <${Field} name="invitation" label=${say("club.invitation")} value=${invitation} autocomplete="off" />
        <${Field} name="name" label=${say("club.own_name")} value=${session.name} hint=${say("club.own_name_hint")} autocomplete="off" />
      </${Form}>
    </details>
    <details class="panel"><summary>${say("club.found")}</summary>
      <${Form} submit=${found} label=${say("club.found_do")}>
        <${Field} name="name" label=${say("club.name")} autocomplete="off" />
        <${Field} name="note" label=${say("club.note")} required=${false} autocomplete="off" />
        <${Field} name="own_name" label=${say("club.own_name")} value=${session.name} hint=${say("club.own_name_hint")} autocomplete="off" />
      </${Form}>
    </details>`;
}
