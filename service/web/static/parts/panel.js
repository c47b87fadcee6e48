// A part that is loaded when it is opened.
import { html, useState } from "./html.js";

/** @param {{id?: string, title: string, children: () => unknown}} of `children`: a function, called while it is open */
export function Panel({ id, title, children }) {
  const [open, set] = useState(id !== undefined && location.hash === `#${id}`);
  return html`<details class="panel" id=${id} open=${open} onToggle=${(event) => set(event.target.open)}>
    <summary>${title}</summary>${open && children()}
  </details>`;
}
