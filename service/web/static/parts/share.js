// Links to a set's definition: made here, shown once, revoked.
import { all, ask, send } from "../kept/api.js";
import { date, say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { Field, Form } from "./form.js";
import { html, useState } from "./html.js";
import { useDrawing } from "./picture.js";
import { Trouble } from "./trouble.js";

const DAY = 24 * 60 * 60;
const LASTING = { never: null, week: 7 * DAY, month: 30 * DAY, year: 365 * DAY };

/** The newest published revision that is not withdrawn; null: there is none. */
async function newestPublished(set) {
  const published = (await all(`/v1/definitions/${set}/revisions`)).filter(({ status }) => status === "published");
  return published.reduce((newest, one) => Math.max(newest, one.revision), 0) || null;
}

const loadShares = async (set) => ({
  revision: await newestPublished(set),
  shares: (await all("/v1/shares")).filter((share) => share.definition === set).reverse(),
});

/** @param {{set: string}} of */
export function Share({ set }) {
  const { value, error, again } = useLoaded(() => loadShares(set), [set]);
  const [made, setMade] = useState(null);
  if (value === null) return html`<${Trouble} error=${error} again=${again} />${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  const make = async ({ name, lasting, follows }) => {
    const expires = LASTING[lasting] === null ? {} : { expires_in_seconds: LASTING[lasting] };
    const body = { definition: set, revision: value.revision, follows: follows !== undefined, ...(name ? { name } : {}), ...expires };
    setMade(await send("POST", "/v1/shares", body));
    await again();
  };
  if (value.revision === null) return html`<p>${say("share.unpublished")}</p>`;
  return html`<p>${say("share.what")}</p>
    <p>${say("share.untold")}</p>
    ${made !== null && html`<${Made} made=${made} />`}
    <${Form} submit=${make} label=${say("share.make")}>
      <${Field} name="name" label=${say("share.name")} hint=${say("share.name_hint")} required=${false} autocomplete="off" />
      <div class="field"><label for="share-lasting">${say("share.lasting")}</label>
        <select id="share-lasting" name="lasting">${Object.keys(LASTING).map((key) => html`<option key=${key} value=${key}>${say(`share.lasts_${key}`)}</option>`)}</select></div>
      <label class="pick"><input type="checkbox" name="follows" /> ${say("share.follows")}</label>
    </${Form}>
    <h3>${say("share.links")}</h3>
    ${value.shares.length === 0 && html`<p>${say("share.none")}</p>`}
    <ul class="rows">${value.shares.map((share) => html`<${Line} key=${share.id} share=${share} again=${again} gone=${() => made?.id === share.id && setMade(null)} />`)}</ul>`;
}

function Made({ made }) {
  const picture = useDrawing(made.qr_svg);
  return html`<div class="notice made" role="status">
    <p>${say("share.once")}</p>
    <div class="field"><label for="share-link">${say("share.link")}</label>
      <input id="share-link" readonly value=${made.link} onFocus=${(event) => event.target.select()} /></div>
    ${picture && html`<img class="qr" src=${picture} alt=${say("share.qr")} width="200" height="200" />`}
  </div>`;
}

function Line({ share, again, gone }) {
  const { busy, error, attempt } = useActing();
  const revoke = () =>
    attempt(async () => {
      await ask("DELETE", `/v1/shares/${share.id}`);
      gone();
      await again();
    });
  const status = share.status.replace(" ", "_");
  return html`<li><strong>${share.name ?? say("share.unnamed")}</strong> <span class="of">${say(`share.is_${status}`)}</span><br />
    ${say(share.follows ? "share.shows_later" : "share.shows", { revision: share.revision })} ${say("share.made_on", { on: date(share.created_at) })}
    ${share.expires_at !== null && ` ${say("share.until", { on: date(share.expires_at) })}`}
    ${share.last_used_at !== null && ` ${say("share.last_used", { on: date(share.last_used_at) })}`}
    <${Trouble} error=${error} />
    ${share.status === "open" && html`<p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${revoke}>${say("share.revoke")}</button></p>`}
  </li>`;
}
