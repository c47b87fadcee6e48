// A list of one's own: a new one, or terms for one that is there.
import { say } from "../kept/words.js";
import { html, useState } from "./html.js";
import { Select } from "./select.js";
import { TextField } from "./text-field.js";

/** What lists are called, by name. @param {{name: string, label?: string}[]} lists @returns {Map<string, string>} */
export const listLabels = (lists) => new Map(lists.map(({ name, label }) => [name, label || name]));

/** What a list is called, additions too. @param {Map<string, string>} calledBy @returns {(list: Record<string, any>) => string} */
export const listNamer = (calledBy) => ({ name, label, extends: base }) => label || (base ? say("mine.added_to", { what: calledBy.get(base) ?? base }) : name);

/** @param {{bases: [string, string][], make: (label: string, base: string | null) => void}} of `bases`: lists that terms can be added to */
export function NewList({ bases, make }) {
  const [way, setWay] = useState("");
  const [label, setLabel] = useState("");
  const [base, setBase] = useState("");
  const button = (one) => html`<button key=${one} type="button" class="plain" aria-expanded=${way === one} onClick=${() => setWay(way === one ? "" : one)}>${say(`mine.add_${one}`)}</button>`;
  const done = () => {
    make(label.trim(), way === "list" ? null : base);
    setWay("");
    setLabel("");
    setBase("");
  };
  return html`<div class="adding"><p class="buttons">${["list", "terms"].map(button)}</p>
    ${way !== "" && html`<div class="panel">
      ${way === "list" ? html`<${TextField} id="new-list" label=${say("mine.new_label")} value=${label} change=${setLabel} />`
        : html`<${Select} name="new-list-base" label=${say("mine.which_list")} options=${[["", say("build.choose")], ...bases]} value=${base} change=${setBase} />`}
      <p class="buttons"><button type="button" disabled=${(way === "list" ? label.trim() : base) === ""} onClick=${done}>${say("mine.add_this_list")}</button></p></div>`}</div>`;
}
