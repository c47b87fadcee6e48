// Taking over a set by the link that somebody shared: looked at first, kept when confirmed.
import { ask, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { go } from "../parts/navigation.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";

/** The link behind # in the address, which a browser sends to no server; it is taken away. */
function linked() {
  const text = new URLSearchParams(location.hash.slice(1)).get("from") ?? "";
  if (text !== "") history.replaceState(null, "", location.pathname);
  return text;
}

/** A link of this very server, or null. */
function ownLink(text) {
  const at = URL.canParse(text) ? new URL(text) : null;
  return at?.origin === location.origin && at.pathname.startsWith("/v1/shared/") ? at.pathname : null;
}

/** Brings the definition of a link, to be looked at. */
async function bring(text) {
  try {
    return { ...(await send("POST", "/v1/imports", { from: text })), isFile: false };
  } catch (error) {
    const own = ownLink(text);
    if (own === null || error.code !== "address-not-allowed") throw error;
    // A server in a house may not be asked by its own address: what the link shows is brought as a file.
    const shown = await (await ask("GET", own)).json();
    return { ...(await send("POST", "/v1/imports", { document: shown.document, digest: shown.digest })), isFile: true };
  }
}

export function Take() {
  const [link] = useState(linked);
  const [found, setFound] = useState(null);
  const { busy, error, attempt } = useActing();
  const keep = () =>
    attempt(async () => {
      const kept = await send("POST", `/v1/imports/${found.id}/confirmation`);
      go(`/app/sets/${kept.id}`);
    });
  const drop = () =>
    attempt(async () => {
      await ask("DELETE", `/v1/imports/${found.id}`);
      setFound(null);
    });
  if (found === null) {
    return html`<${Title} text=${say("take.title")} />
      <section class="panel"><p>${say("take.what")}</p>
        <${Form} submit=${async ({ from }) => setFound(await bring(from.trim()))} label=${say("take.look")}>
          <${Field} name="from" label=${say("take.link")} value=${link} hint=${say("take.hint")} type="url" autocomplete="off" />
        </${Form}></section>`;
  }
  const { error: errors = 0, warning: warnings = 0 } = found.counts;
  return html`<${Title} text=${say("take.found", { title: found.title })} />
    <section><h2>${say("take.in_words")}</h2><ol>${found.in_words.slice(1).map((text, at) => html`<li key=${at}>${text}</li>`)}</ol></section>
    <section><h2>${say("take.check")}</h2>
      <p>${errors + warnings === 0 ? say("take.sound") : say("take.findings", { errors, warnings })}</p>
      <ul>${found.findings.filter((one) => one.severity !== "note").map((one, at) => html`<li key=${at}>${one.message}</li>`)}</ul></section>
    ${found.isFile && html`<p class="notice">${say("take.as_file")}</p>`}
    <${Trouble} error=${error} />
    <p class="buttons"><button type="button" disabled=${busy} onClick=${keep}>${say("take.keep")}</button>
      <button type="button" class="plain" disabled=${busy} onClick=${drop}>${say("take.leave")}</button></p>`;
}
