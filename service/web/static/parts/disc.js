// The sign of a place. It never stands alone: a word, a border and a text beside it say the same.
import { html } from "./html.js";

const MIDDLE = { cx: 24, cy: 24 };
const TICK = html`<path class="tick" d="M15.5 24.5l6 6 11-12.5" />`;

const filled = () => html`<circle class="full" ...${MIDDLE} r="17" />${TICK}`;
const tentative = () => html`<path class="broken" d="M24 7a17 17 0 0 0 0 34" /><path class="half" d="M24 6a18 18 0 0 1 0 36z" />`;
const empty = () => html`<circle class="dotted" ...${MIDDLE} r="17" />`;
const contested = () => html`<circle class="dotted" ...${MIDDLE} r="17" />
  <circle class="full" cx="18.5" cy="24" r="4.5" /><circle class="full" cx="29.5" cy="24" r="4.5" />`;
const SIGNS = { filled, tentative, empty, contested };

/**
 * @param {{state: string, interchangeable?: boolean, presumed?: boolean, photo?: string}} of `photo`: a picture of the coin,
 *   which stands in the disc; the sign is then smaller, at its edge
 */
export function Disc({ state, interchangeable, presumed, photo }) {
  const ring = interchangeable && html`<circle class="ring" ...${MIDDLE} r="21.5" />`;
  const dot = presumed && html`<circle class="dot" cx="24" cy="46.5" r="2.5" />`;
  const sign = html`${SIGNS[state]()}${ring}${dot}`;
  if (!photo) return html`<svg class="disc ${state}" viewBox="0 0 48 50" aria-hidden="true">${sign}</svg>`;
  return html`<span class="photographed">
    <img class="photo" src=${photo} alt="" />
    <svg class="disc ${state}" viewBox="0 0 48 50" aria-hidden="true">${sign}</svg>
  </span>`;
}
