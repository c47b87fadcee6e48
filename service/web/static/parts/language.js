// The choice of the language: a button each, named in its own language.
import { LANGUAGES, chooseLanguage, say, spoken } from "../kept/words.js";
import { html } from "./html.js";

export const Languages = () =>
  html`<nav class="languages" aria-label=${say("app.language")}>
    ${Object.entries(LANGUAGES).map(([tag, name]) => html`<button key=${tag} type="button" class="plain" lang=${tag}
      aria-pressed=${tag === spoken()} onClick=${() => chooseLanguage(tag)}>${name}</button>`)}
  </nav>`;
