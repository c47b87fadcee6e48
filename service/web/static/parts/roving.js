// Going from place to place by the arrow keys: one place takes the focus of the Tab key (WAI-ARIA: roving tabindex).
import { useState } from "./html.js";

const SELECTOR = "a[data-place]";

/** The element above or below: of the nearest row the one whose middle is nearest. */
function vertical(from, all, down) {
  const here = from.getBoundingClientRect();
  const middle = (box) => box.left + box.width / 2;
  const rows = all
    .map((element) => ({ element, box: element.getBoundingClientRect() }))
    .filter(({ box }) => (down ? box.top >= here.bottom - 1 : box.bottom <= here.top + 1));
  if (rows.length === 0) return undefined;
  const nearest = down ? Math.min(...rows.map(({ box }) => box.top)) : Math.max(...rows.map(({ box }) => box.bottom));
  const row = rows.filter(({ box }) => Math.abs((down ? box.top : box.bottom) - nearest) < here.height / 2);
  return row.reduce((best, one) => (Math.abs(middle(one.box) - middle(here)) < Math.abs(middle(best.box) - middle(here)) ? one : best)).element;
}

/**
 * @param {{current: Element}} root what the places are in
 * @param {string[]} addresses of the places that are shown, in their order
 */
export function useRoving(root, addresses) {
  const [here, at] = useState(null);
  // Until one was chosen, and where that is not shown any more, the first one is it.
  const stop = addresses.includes(here) ? here : addresses[0];
  const onKeyDown = (event) => {
    const from = event.target.closest?.(SELECTOR);
    if (!from || event.altKey || event.ctrlKey || event.metaKey) return;
    const places = [...root.current.querySelectorAll(SELECTOR)];
    const place = places.indexOf(from);
    const next = {
      ArrowRight: () => places[place + 1],
      ArrowLeft: () => places[place - 1],
      ArrowDown: () => vertical(from, places, true),
      ArrowUp: () => vertical(from, places, false),
      Home: () => places[0],
      End: () => places[places.length - 1],
    }[event.key]?.();
    if (next === undefined) return;
    event.preventDefault();
    next.focus();
  };
  return { at, onKeyDown, tabindex: (address) => (address === stop ? 0 : -1) };
}
