// A steward offers the club one of his own sets, or a newer revision of what is offered.
import { all, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useLoaded } from "./data.js";
import { Field, Form } from "./form.js";
import { html } from "./html.js";
import { Trouble } from "./trouble.js";

/** @param {{path: string, label: string, done: () => Promise<unknown>}} of `path`: where the offer is posted */
export function OfferForm({ path, label, done }) {
  const { value: sets, error, again } = useLoaded(() => all("/v1/definitions"), []);
  if (sets === null) return html`<${Trouble} error=${error} again=${again} />`;
  if (sets.length === 0) return html`<p>${say("offer.no_sets")}</p>`;
  const offer = async ({ definition_id: id, note }) => {
    await send("POST", path, { definition_id: id, ...(note ? { note } : {}) });
    await done();
  };
  return html`<p>${say("offer.what")}</p>
    <${Form} submit=${offer} label=${label}>
      <div class="field"><label for="offer-set">${say("offer.which")}</label>
        <select id="offer-set" name="definition_id">${sets.map(({ id, title }) => html`<option key=${id} value=${id}>${title}</option>`)}</select></div>
      <${Field} name="note" label=${say("offer.note")} hint=${say("offer.note_hint")} required=${false} autocomplete="off" />
    </${Form}>`;
}
