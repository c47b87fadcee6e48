// A text of a document as a field.
import { html } from "./html.js";

/** @param {{id: string, label: string, value?: string, change: (text: string) => void, hint?: string, many?: boolean}} of */
export function TextField({ id, label, value, change, hint, many = false }) {
  const field = { id, value: value ?? "", autocomplete: "off", "aria-describedby": hint ? `${id}-hint` : undefined, onInput: (event) => change(event.target.value) };
  return html`<div class="field"><label for=${id}>${label}</label>
    ${many ? html`<textarea ...${field} rows="2"></textarea>` : html`<input type="text" ...${field} />`}
    ${hint && html`<p class="hint" id="${id}-hint">${hint}</p>`}</div>`;
}
