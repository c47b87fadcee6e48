// My account: password, where I am signed in, whom I invite, everything as a file, and its end. It opens with the password.
import { changePassword, deleteAccount, endToken, everything, invitations, invite, readAccount, revokeInvitation, tokens } from "../kept/account.js";
import { saveFile } from "../kept/save.js";
import { forget, wholeToken } from "../kept/session.js";
import { date, say } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { useLoaded } from "../parts/data.js";
import { Field, Form } from "../parts/form.js";
import { html, useEffect, useState } from "../parts/html.js";
import { InvitationLink, Invitations } from "../parts/invitations.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";

/** @typedef {import("../kept/session.js").Whole} Whole */

// Long enough to read a list and to think about it.
const SECONDS = 15 * 60;

/** @param {{session: import("../kept/session.js").Session, gone: () => void}} of `gone`: the account is deleted, and forgotten here */
export function MyAccount({ session, gone }) {
  const { value: account, error, again } = useLoaded(readAccount, []);
  const [whole, setWhole] = useState(/** @type {Whole | null} */ (null));
  const mayAll = session.scopes.includes("admin");
  const open = async (password) => setWhole(await wholeToken(session, password, say("me.token_name"), SECONDS));
  useEffect(() => {
    if (mayAll) open("");
  }, []);
  // Who leaves the view has to type the password again.
  useEffect(() => () => whole?.end(), [whole]);
  return html`
    <${Title} text=${say("me.title")} />
    <${Trouble} error=${error} again=${again} />
    ${account !== null && html`<p>${say("me.since", { name: account.name, on: date(account.created_at) })}</p>`}
    ${account !== null && whole === null && !mayAll && html`<section class="panel">
      <p>${say(account.has_password ? "me.locked" : "account.no_password")}</p>
      ${account.has_password && html`<${Form} submit=${({ password }) => open(password)} label=${say("me.open")}>
        <${Field} name="password" label=${say("account.password")} type="password" autocomplete="current-password" />
      </${Form}>`}</section>`}
    ${account !== null && whole !== null && html`
      <${Password} whole=${whole} has=${account.has_password} changed=${again} />
      <${SignedIn} whole=${whole} here=${account.token_id} />
      ${account.is_admin && html`<${Inviting} whole=${whole} />`}
      <${Everything} whole=${whole} name=${account.name} />
      <${Ending} whole=${whole} account=${account} gone=${gone} />`}`;
}

function Password({ whole, has, changed }) {
  // How often it was changed: the fields are empty after each time.
  const [done, setDone] = useState(0);
  const change = async ({ before, password }) => {
    await changePassword(whole, before ?? "", password);
    setDone(done + 1);
    changed();
  };
  return html`<details class="panel"><summary>${say("me.password")}</summary>
    ${done > 0 && html`<p class="notice" role="status">${say("me.password_changed")}</p>`}
    <${Form} key=${done} submit=${change} label=${say("account.set_password")}>
      ${has && html`<${Field} name="before" label=${say("me.old_password")} type="password" autocomplete="current-password" />`}
      <${Field} name="password" label=${say("account.new_password")} type="password" autocomplete="new-password" hint=${say("account.password_hint")} />
    </${Form}></details>`;
}

function SignedIn({ whole, here }) {
  const { value: all, error, again } = useLoaded(() => tokens(whole), [whole], { keeps: true });
  const { busy, error: refused, attempt } = useActing();
  // The one that was made for this view is no place where somebody is signed in.
  const shown = (all ?? []).filter((one) => one.id === here || !one.is_this);
  const end = (id) => attempt(async () => {
    await endToken(whole, id);
    await again();
  });
  return html`<details class="panel"><summary>${say("me.signed_in")}</summary><p class="hint">${say("me.signed_in_hint")}</p>
    <${Trouble} error=${error ?? refused} again=${error ? again : undefined} />
    <ul class="rows">${shown.map((one) => html`<li key=${one.id}><span><strong>${one.name}</strong>
      <span class="of">${say("me.made_on", { on: date(one.created_at) })} ${one.last_used_at && say("share.last_used", { on: date(one.last_used_at) })}
        ${one.expires_at && say("share.until", { on: date(one.expires_at) })}</span></span>
      ${one.id === here ? html`<span class="of">${say("me.this_browser")}</span>`
        : html`<button type="button" class="plain" disabled=${busy} aria-label=${say("me.end_what", { what: one.name })} onClick=${() => end(one.id)}>${say("me.end")}</button>`}</li>`)}</ul></details>`;
}

function Inviting({ whole }) {
  const { value: all, error, again } = useLoaded(async () => (await invitations(whole)).reverse(), [whole], { keeps: true });
  const { busy, error: refused, attempt } = useActing();
  const [made, setMade] = useState(null);
  const make = async ({ note }) => {
    setMade(await invite(whole, note.trim()));
    await again();
  };
  const revoke = (id) => attempt(async () => {
    await revokeInvitation(whole, id);
    if (made?.id === id) setMade(null);
    await again();
  });
  return html`<details class="panel"><summary>${say("me.invite")}</summary><p>${say("me.invite_what")}</p>
    ${made && html`<${InvitationLink} path="/app/join" invitation=${made.invitation} once=${say("me.invite_once")} />`}
    <${Form} submit=${make} label=${say("invite.do")}>
      <${Field} name="note" label=${say("invite.note")} required=${false} autocomplete="off" />
    </${Form}>
    <${Trouble} error=${error ?? refused} />
    <${Invitations} invitations=${all ?? []} busy=${busy} revoke=${revoke} /></details>`;
}

function Everything({ whole, name }) {
  const { busy, error, attempt } = useActing();
  const [leaving] = useState(() => new AbortController());
  useEffect(() => () => leaving.abort(), []);
  const save = () => attempt(async () => saveFile(`${name}.zip`, await everything(whole, leaving.signal)));
  return html`<details class="panel"><summary>${say("me.everything")}</summary><p>${say("me.everything_what")}</p>
    <p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${save}>${say("me.everything_save")}</button></p>
    <p role="status">${busy && say("app.loading")}</p><${Trouble} error=${error} /></details>`;
}

function Ending({ whole, account, gone }) {
  const end = async ({ name, password }) => {
    await deleteAccount(whole, name, password ?? "");
    await forget();
    gone();
  };
  return html`<details class="panel"><summary>${say("me.ending")}</summary><p><strong>${say("me.ending_what")}</strong></p><p>${say("me.ending_rest")}</p>
    <${Form} submit=${end} label=${say("me.ending_do")}>
      <${Field} name="name" label=${say("me.ending_name", { name: account.name })} autocomplete="off" />
      ${account.has_password && html`<${Field} name="password" label=${say("account.password")} type="password" autocomplete="current-password" />`}
    </${Form}></details>`;
}
