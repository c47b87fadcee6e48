// What the owner notes of a coin beside its facts: number, status, where it is kept, what was paid.
import { date, say } from "../kept/words.js";
import { factInWords } from "./clauses.js";
import { html } from "./html.js";

export const STATUSES = ["held", "for trade", "on approval", "ordered", "wanted", "sold", "lost", "stolen"];
export const MARKS = ["keep", "replace"];

/** @param {string} name a field, such as number or bought_on */
export const ownName = (name) => say(`own.${name}`);

/** @param {string} value of status or mark */
export const choiceInWords = (value) => say(`own_is.${value.replace(" ", "_")}`);

/** A field's value as people write it. @param {string} name @param {any} value */
export function ownInWords(name, value) {
  if (name === "status" || name === "mark") return choiceInWords(value);
  if (name === "price_paid") return say("own.amount", { amount: factInWords(value.amount), currency: value.currency });
  if (name === "bought_on") return date(value);
  return factInWords(value);
}

/**
 * @param {{own: object, put: (name: string, value: unknown) => void}} of `own`: what is recorded, with what was typed over it; `put` is
 *   told null for nothing, undefined for what cannot be read
 */
export function OwnFields({ own, put }) {
  const text = (name, more = {}) => html`<div class="field"><label for="own-${name}">${ownName(name)}</label>
    <input id="own-${name}" type="text" autocomplete="off" defaultValue=${own[name] ?? ""} onInput=${(event) => put(name, event.target.value.trim() || null)} ...${more} /></div>`;
  const pick = (name, values, none) => html`<div class="field"><label for="own-${name}">${ownName(name)}</label>
    <select id="own-${name}" value=${own[name] ?? ""} onChange=${(event) => put(name, event.target.value || null)}>
      ${none && html`<option value="">${say("own_is.none")}</option>`}${values.map((value) => html`<option key=${value} value=${value}>${choiceInWords(value)}</option>`)}</select></div>`;
  const tags = (typed) => typed.split(";").map((tag) => tag.trim()).filter((tag) => tag !== "");
  return html`<div class="fields">
    ${text("number", { spellcheck: false })}
    ${pick("status", STATUSES, false)}
    ${pick("mark", MARKS, true)}
    <div class="field"><label for="own-quantity">${ownName("quantity")}</label>
      <input id="own-quantity" type="number" min="1" inputmode="numeric" defaultValue=${own.quantity ?? 1}
        onInput=${(event) => put("quantity", /^[1-9]\d*$/.test(event.target.value) ? Number(event.target.value) : undefined)} /></div>
    ${text("location")}
    <div class="field"><label for="own-tags">${say("own.tags_several")}</label>
      <input id="own-tags" type="text" autocomplete="off" defaultValue=${(own.tags ?? []).join("; ")} onInput=${(event) => put("tags", tags(event.target.value))} /></div>
    <${Price} price=${own.price_paid ?? null} put=${(value) => put("price_paid", value)} />
    ${text("bought_from")}
    <div class="field"><label for="own-bought_on">${ownName("bought_on")}</label>
      <input id="own-bought_on" type="date" defaultValue=${own.bought_on ?? ""} onInput=${(event) => put("bought_on", event.target.value || null)} /></div>
    <div class="field wide-field"><label for="own-note">${ownName("note")}</label>
      <textarea id="own-note" rows="3" defaultValue=${own.note ?? ""} onInput=${(event) => put("note", event.target.value.trim() || null)}></textarea></div>
  </div>`;
}

/** An amount in a currency: both, or nothing. */
function Price({ price, put }) {
  const read = (event) => {
    const [amount, currency] = [...event.currentTarget.querySelectorAll("input")].map((field) => field.value.trim());
    const digits = amount.replace(",", ".");
    if (amount === "") return put(null);
    return put(/^\d+(\.\d{1,6})?$/.test(digits) && /^[A-Za-z]{3}$/.test(currency) ? { amount: Number(digits), currency: currency.toUpperCase() } : undefined);
  };
  return html`<div class="field two" onInput=${read}>
    <span><label for="own-price">${ownName("price_paid")}</label>
      <input id="own-price" type="text" inputmode="decimal" autocomplete="off" defaultValue=${price === null ? "" : String(price.amount)} /></span>
    <span><label for="own-currency">${say("own.currency")}</label>
      <input id="own-currency" type="text" autocomplete="off" maxlength="3" autocapitalize="characters" defaultValue=${price?.currency ?? ""} aria-describedby="own-currency-hint" /></span>
    <p class="hint" id="own-currency-hint">${say("own.currency_hint")}</p>
  </div>`;
}
