// Parts of a view as tabs, where there is no room for all of them: arrow keys go from one to the next (WAI-ARIA Authoring Practices).
import { html, useEffect, useRef, useState } from "./html.js";

/** Whether a media query holds, now and later. @param {string} query */
export function useNarrow(query) {
  const [narrow, set] = useState(matchMedia(query).matches);
  useEffect(() => {
    const media = matchMedia(query);
    const changed = () => set(media.matches);
    changed();
    media.addEventListener("change", changed);
    return () => media.removeEventListener("change", changed);
  }, [query]);
  return narrow;
}

/**
 * Each tab shows the element with its key as id, which is a `tabpanel` labelled by `tab-KEY`.
 * @param {{tabs: {key: string, label: string}[], chosen: string, choose: (key: string) => void, label: string}} of
 */
export function Tabs({ tabs, chosen, choose, label }) {
  const list = useRef(null);
  const moved = (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    const at = (tabs.findIndex(({ key }) => key === chosen) + step + tabs.length) % tabs.length;
    choose(tabs[at].key);
    list.current.children[at].focus();
  };
  return html`<div class="tabs" role="tablist" aria-label=${label} ref=${list} onKeyDown=${moved}>
    ${tabs.map((tab) => html`<button key=${tab.key} type="button" role="tab" id="tab-${tab.key}" aria-controls=${tab.key === chosen ? tab.key : undefined}
      aria-selected=${tab.key === chosen} tabindex=${tab.key === chosen ? 0 : -1} onClick=${() => choose(tab.key)}>${tab.label}</button>`)}
  </div>`;
}
