// Forms: labelled fields, one button, and what was wrong with what was sent.
import { useActing } from "./acting.js";
import { html, useState } from "./html.js";
import { Trouble } from "./trouble.js";

let made = 0;

/**
 * @param {{name: string, label: string, type?: string, value?: string, hint?: string, autocomplete?: string,
 *   inputmode?: string, required?: boolean}} of
 */
export function Field({ name, label, type = "text", value = "", hint, autocomplete, inputmode, required = true }) {
  const [id] = useState(() => `field-${(made += 1)}`);
  return html`<div class="field">
    <label for=${id}>${label}</label>
    <input id=${id} name=${name} type=${type} defaultValue=${value} autocomplete=${autocomplete} inputmode=${inputmode}
      required=${required} autocapitalize="none" spellcheck="false" aria-describedby=${hint ? `${id}-hint` : undefined} />
    ${hint && html`<p class="hint" id="${id}-hint">${hint}</p>`}
  </div>`;
}

/**
 * @param {{submit: (typed: Record<string, string>, button: string) => Promise<unknown>, label: string, children: unknown,
 *   second?: {label: string, name: string}}} of `second`: another button, whose name `submit` is given
 */
export function Form({ submit, label, second, children }) {
  const { busy, error, attempt } = useActing();
  const sent = (event) => {
    event.preventDefault();
    // None of its fields is a file.
    const typed = /** @type {Record<string, any>} */ (Object.fromEntries(new FormData(event.target)));
    const pressed = event.submitter?.value ?? "";
    return attempt(() => submit(typed, pressed));
  };
  return html`<form onSubmit=${sent} aria-busy=${busy}>
    ${children}
    <${Trouble} error=${error} />
    <p class="buttons">
      <button type="submit" value="first" disabled=${busy}>${label}</button>
      ${second && html`<button type="submit" value=${second.name} class="plain" disabled=${busy}>${second.label}</button>`}
    </p>
  </form>`;
}
