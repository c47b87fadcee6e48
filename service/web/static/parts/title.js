// The heading of a view, which takes the focus when the view is shown, and the title of the page.
import { say } from "../kept/words.js";
import { html, useEffect, useRef } from "./html.js";

let shown = null;

/** @param {{text: string}} of */
export function Title({ text }) {
  const heading = useRef(null);
  useEffect(() => {
    document.title = say("app.title", { view: text });
    const here = location.pathname + location.search;
    // Not on the first view: there the page's own start is right. The heading of what was loading is gone with its focus.
    if (shown !== null && (shown !== here || document.activeElement === document.body)) heading.current?.focus();
    shown = here;
  }, [text]);
  return html`<h1 ref=${heading} tabindex="-1">${text}</h1>`;
}
