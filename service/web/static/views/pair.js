// A device asks to be signed in: two buttons for whoever is signed in here.
import { decidePairing } from "../kept/session.js";
import { say } from "../kept/words.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { Title } from "../parts/title.js";

/** @param {{session: import("../kept/session.js").Session, code: string}} of */
export function Pair({ session, code }) {
  const [done, setDone] = useState(null);
  const decide = async (typed, button) => {
    const approve = button === "first";
    const decision = { user_code: typed.code, approve, device_name: typed.device || say("pair.a_device") };
    await decidePairing(session, decision, typed.password);
    setDone(approve ? "pair.approved" : "pair.denied");
  };
  if (done !== null) return html`<${Title} text=${say("pair.title")} /><p role="status">${say(done)}</p>`;
  return html`
    <${Title} text=${say("pair.title")} />
    <section class="panel">
      <p>${say("pair.what", { name: session.name })}</p>
      <p><strong>${say("pair.caution")}</strong></p>
      <${Form} submit=${decide} label=${say("pair.approve")} second=${{ label: say("pair.deny"), name: "deny" }}>
        <${Field} name="code" label=${say("pair.code")} value=${code} autocomplete="off" />
        <${Field} name="device" label=${say("pair.device")} value=${say("pair.a_device")} autocomplete="off" />
        ${!session.scopes.includes("admin") &&
        html`<${Field} name="password" label=${say("account.password")} type="password" autocomplete="current-password" hint=${say("pair.password_hint")} />`}
      </${Form}>
    </section>`;
}
