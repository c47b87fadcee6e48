// Opening an account with an invitation of this server.
import { openAccount } from "../kept/account.js";
import { withPassword } from "../kept/session.js";
import { say } from "../kept/words.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { invited } from "../parts/invitations.js";
import { Title } from "../parts/title.js";

/** @param {{signedIn: (session: object, to: string) => void}} of */
export function Join({ signedIn }) {
  const [invitation] = useState(invited);
  const open = async (typed) => {
    const name = typed.name.trim();
    await openAccount(typed.invitation.trim(), name, typed.password);
    signedIn(await withPassword(name, typed.password, say("account.this_browser")), "/app/");
  };
  return html`
    <${Title} text=${say("join.title")} />
    <section class="panel">
      <p>${say("join.what")}</p>
      <${Form} submit=${open} label=${say("join.do")}>
        <${Field} name="invitation" label=${say("join.invitation")} value=${invitation} hint=${say("join.invitation_hint")} autocomplete="off" />
        <${Field} name="name" label=${say("account.name")} hint=${say("join.name_hint")} autocomplete="username" />
        <${Field} name="password" label=${say("account.password")} type="password" autocomplete="new-password" hint=${say("account.password_hint")} />
      </${Form}>
    </section>
    <p><a href="/app/sign-in">${say("join.have_one")}</a></p>`;
}
