// Signing in: by password, by a code that is approved elsewhere, by a token; and the first password.
import { beginPairing, pollPairing, withNewPassword, withPassword, withToken } from "../kept/session.js";
import { say } from "../kept/words.js";
import { Field, Form } from "../parts/form.js";
import { html, useEffect, useState } from "../parts/html.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { LeftBehind } from "../parts/unsent.js";

/** What stands behind # in the address; it is taken away, so that nobody finds it in the history. What is for another view stays. */
function fragment() {
  const told = new URLSearchParams(location.hash.slice(1));
  const isFor = (...names) => names.some((name) => told.has(name));
  if (location.hash !== "" && !isFor("invitation", "from")) history.replaceState(null, "", location.pathname + location.search);
  return told;
}

/** What a token is called in the account's list of tokens. */
const thisBrowser = () => say("account.this_browser");

/** Where to go after signing in: only inside the app. @param {string | null} to */
const inside = (to) => (to !== null && /^\/app\/[\w/-]*$/.test(to) ? to : undefined);

/** @param {{signedIn: (session: object, to?: string) => void}} of */
export function SignIn({ signedIn }) {
  const [told] = useState(fragment);
  const [token] = useState(told.get("token") ?? "");
  const to = inside(told.get("to"));
  return html`
    <${Title} text=${say("account.sign_in")} />
    <${LeftBehind} />
    ${token !== "" && html`<${ByToken} token=${token} signedIn=${(made) => signedIn(made, to)} />`}
    <section class="panel">
      <h2>${say("account.by_password")}</h2>
      <${Form} submit=${async ({ name, password }) => signedIn(await withPassword(name, password, thisBrowser()))} label=${say("account.sign_in")}>
        <${Field} name="name" label=${say("account.name")} autocomplete="username" />
        <${Field} name="password" label=${say("account.password")} type="password" autocomplete="current-password" />
      </${Form}>
    </section>
    <${ByCode} signedIn=${signedIn} />
    ${token === "" && html`<${ByToken} token="" signedIn=${signedIn} />`}
    <p><a href="/app/join">${say("join.invited")}</a></p>
    <p class="hint">${say("account.no_password")}</p>`;
}

function ByToken({ token, signedIn }) {
  return html`<section class="panel">
    <h2>${say(token === "" ? "account.by_token" : "account.by_link")}</h2>
    <p>${say(token === "" ? "account.token_hint" : "account.link_hint")}</p>
    <${Form} submit=${async (typed) => signedIn(await withToken(typed.token.trim()))} label=${say("account.use_token")}>
      <${Field} name="token" label=${say("account.token")} type="password" value=${token} autocomplete="off" />
    </${Form}>
  </section>`;
}

function ByCode({ signedIn }) {
  const [begun, setBegun] = useState(null);
  const [picture, setPicture] = useState(null);
  const [error, setError] = useState(null);
  const begin = async () => {
    setError(null);
    try {
      const made = await beginPairing();
      setPicture(URL.createObjectURL(new Blob([made.qr_svg], { type: "image/svg+xml" })));
      setBegun(made);
    } catch (trouble) {
      setError(trouble);
    }
  };
  useEffect(() => () => picture && URL.revokeObjectURL(picture), [picture]);
  useEffect(() => {
    if (begun === null) return undefined;
    let seconds = begun.interval;
    let timer;
    const ask = async () => {
      try {
        signedIn(await pollPairing(begun.device_code));
      } catch (refusal) {
        if (refusal.code === "slow-down") seconds += 5;
        else if (refusal.code !== "authorization-pending" && refusal.status !== 0) {
          setBegun(null);
          setError(refusal);
          return;
        }
        timer = setTimeout(ask, seconds * 1000);
      }
    };
    timer = setTimeout(ask, seconds * 1000);
    return () => clearTimeout(timer);
  }, [begun]);
  return html`<section class="panel">
    <h2>${say("account.by_code")}</h2>
    ${begun === null
      ? html`<p>${say("account.code_hint")}</p><button type="button" onClick=${begin}>${say("account.show_code")}</button>`
      : html`<p>${say("account.code_what")}</p>
          <p class="code" role="status">${begun.user_code}</p>
          <p>${say("account.code_where", { address: begun.verification_uri })}</p>
          <img class="qr" src=${picture} alt=${say("account.code_picture", { code: begun.user_code })} width="200" height="200" />`}
    <${Trouble} error=${error} />
  </section>`;
}

/** The view of a one-time text: the operator's first address, or one that was handed over for a lost password. */
export function NewPassword({ signedIn }) {
  const [told] = useState(fragment);
  const [name, text] = [told.get("name") ?? "", told.get("text") ?? ""];
  const set = async (typed) =>
    signedIn(await withNewPassword(typed.name, typed.text, typed.password, thisBrowser()), "/app/");
  return html`
    <${Title} text=${say("account.set_password")} />
    <section class="panel">
      <p>${say(text === "" ? "account.text_missing" : "account.text_hint", { name })}</p>
      <${Form} submit=${set} label=${say("account.set_and_sign_in")}>
        <${Field} name="name" label=${say("account.name")} value=${name} autocomplete="username" />
        <${Field} name="text" label=${say("account.text")} type="password" value=${text} autocomplete="off" />
        <${Field} name="password" label=${say("account.new_password")} type="password" autocomplete="new-password" hint=${say("account.password_hint")} />
      </${Form}>
    </section>`;
}
