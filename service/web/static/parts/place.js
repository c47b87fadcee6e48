// One place of the album: disc, border, word and text, which all say the same.
import { listed, say } from "../kept/words.js";
import { Disc } from "./disc.js";
import { html } from "./html.js";

/** What a coin is called: its own number and what it is. @param {{number: string | null, title: string} | null} coin */
export function coinName(coin) {
  if (coin === null) return say("coin.without_name");
  if (coin.number === null) return coin.title;
  return say("coin.name", { number: coin.number, title: coin.title });
}

/** The word for a cell's state. @param {import("../sheet/album.js").Cell} cell @param {(name: string) => string} label */
export function wordOf(cell, label) {
  if (cell.state !== "filled") return say(`state.${cell.state}`);
  const more = cell.interchangeable ? [say("state.interchangeable")] : [];
  if (cell.presumed.length > 0) more.push(say("state.presumed", { facts: listed(cell.presumed.map(label)) }));
  return more.length === 0 ? say("state.filled") : say("state.filled_and", { more: more.join("; ") });
}

/** What the cell's text says: the coin, what to check, what it takes. */
export function textOf(cell) {
  if (cell.state === "filled") return [coinName(cell.coin)];
  if (cell.state === "tentative") {
    const check = cell.checks.map((fact) => fact.label);
    return [coinName(cell.coin), check.length > 0 ? say("place.check", { facts: listed(check) }) : say("place.in_doubt")];
  }
  if (cell.contest !== null) {
    const { places, coins } = cell.contest;
    return [say("place.contest", { places: say("count.places", { n: places }), coins: say("count.coins", { n: coins }) })];
  }
  return [cell.takes === "" ? say("place.any") : cell.takes];
}

/** The address of a place's own view. */
export const placePath = (set, address) => `/app/sets/${set}/place?at=${encodeURIComponent(address)}`;

/**
 * @param {{set: string, cell: import("../sheet/album.js").Cell, label: (name: string) => string, photo?: string,
 *   tabindex: number, onFocus: () => void}} of
 */
export function PlaceCell({ set, cell, label, photo, tabindex, onFocus }) {
  return html`<li class="place ${cell.state} ${cell.free ? "free" : ""}">
    <a href=${placePath(set, cell.address)} tabindex=${tabindex} onFocus=${onFocus} data-place=${cell.address}
      data-holding=${cell.holding}>
      <${Disc} state=${cell.state} interchangeable=${cell.interchangeable} presumed=${cell.presumed.length > 0} photo=${photo} />
      <span class="label">${cell.label}</span>
      <span class="word">${wordOf(cell, label)}</span>
      ${textOf(cell).map((text) => html`<span class="text">${text}</span>`)}
    </a>
  </li>`;
}
