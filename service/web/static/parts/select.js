// One of a list, with its label.
import { html, useState } from "./html.js";

let made = 0;

/** @param {{name: string, label: string, options: [string, string][], value?: string, change?: (value: string) => void}} of value and text each */
export function Select({ name, label, options, value, change = () => {} }) {
  const [id] = useState(() => `select-${(made += 1)}`);
  return html`<div class="field"><label for=${id}>${label}</label>
    <select id=${id} name=${name} value=${value} onChange=${(event) => change(event.target.value)}>
      ${options.map(([key, text]) => html`<option key=${key} value=${key}>${text}</option>`)}</select></div>`;
}
