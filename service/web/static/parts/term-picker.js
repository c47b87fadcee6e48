// A field for a term: what is typed is searched by label and by other names, and one is picked from the list below it
// (WAI-ARIA Authoring Practices: editable combobox with list autocomplete).
import { say } from "../kept/words.js";
import { found } from "../sheet/terms.js";
import { html, useState } from "./html.js";

/**
 * @param {{id: string, terms: import("../sheet/terms.js").Terms | null, text: string, typed: (text: string) => void,
 *   picked: (term: import("../sheet/terms.js").Term) => void, entered?: (text: string) => void, label?: string, describedBy?: string,
 *   counts?: Map<string, number>}} of `label`: where no label element is for it; `entered`: what the Enter key does where no term is chosen
 */
export function TermPicker({ id, terms, text, typed, picked, entered, label, describedBy, counts }) {
  const [open, setOpen] = useState(false);
  const [at, setAt] = useState(-1);
  const options = open && terms !== null ? found(terms, text, { counts }) : [];
  const shown = options.length > 0;
  const close = () => {
    setOpen(false);
    setAt(-1);
  };
  const pick = (term) => {
    picked(term);
    close();
  };
  const pressed = (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.isComposing) return;
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      if (!shown) return setOpen(true);
      const step = event.key === "ArrowDown" ? 1 : -1;
      return setAt((before) => (before < 0 && step < 0 ? options.length - 1 : (before + step + options.length) % options.length));
    }
    if (event.key === "Escape" && shown) {
      event.preventDefault();
      return close();
    }
    if (event.key !== "Enter") return undefined;
    if (options[at] !== undefined) {
      event.preventDefault();
      return pick(options[at]);
    }
    if (entered === undefined || text.trim() === "") return close();
    event.preventDefault();
    entered(text);
    return close();
  };
  const used = (id) => counts?.get(id) ?? 0;
  return html`<div class="picker">
    <input id=${id} type="text" role="combobox" autocomplete="off" autocapitalize="none" spellcheck="false" value=${text} aria-label=${label}
      aria-expanded=${shown} aria-controls="${id}-list" aria-autocomplete="list" aria-activedescendant=${at >= 0 ? `${id}-${at}` : undefined}
      aria-describedby=${describedBy} onKeyDown=${pressed} onBlur=${close}
      onInput=${(event) => {
        typed(event.target.value);
        setOpen(event.target.value.trim() !== "");
        setAt(-1);
      }} />
    <ul id="${id}-list" role="listbox" aria-label=${say("picker.terms")} hidden=${!shown}>
      ${options.map((term, place) => html`<li key=${term.id} id="${id}-${place}" role="option" aria-selected=${place === at}
        onMouseDown=${(event) => event.preventDefault()} onClick=${() => pick(term)}>
        ${term.label}${term.id !== term.label && html` <span class="of">${term.id}</span>`}${used(term.id) > 0 && html` <span class="count">${used(term.id)}</span>`}
      </li>`)}
    </ul>
  </div>`;
}
