// The sign on a button that takes something away.
import { html } from "./html.js";

export const Cross = () => html`<svg viewBox="0 0 12 12" aria-hidden="true"><path d="M2 2l8 8M10 2L2 10" /></svg>`;
