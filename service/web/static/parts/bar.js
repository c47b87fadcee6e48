// How far a set is, as a bar of three textures: full, hatched, dotted.
import { say } from "../kept/words.js";
import { html } from "./html.js";

const WIDTH = 400;

/** @param {{figures: {places: number, filled: number, tentative: number, empty: number}, id: string}} of */
export function Bar({ figures, id }) {
  const { places, filled, tentative } = figures;
  const unit = places === 0 ? 0 : WIDTH / places;
  const [hatch, dots] = [`hatch-${id}`, `dots-${id}`];
  return html`<svg class="bar" viewBox="0 0 ${WIDTH} 22" preserveAspectRatio="none" role="img" aria-label=${say("bar.name", figures)}>
    <defs>
      <pattern id=${hatch} width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
        <rect class="hatch" width="3.4" height="7" />
      </pattern>
      <pattern id=${dots} width="8" height="8" patternUnits="userSpaceOnUse"><circle class="speck" cx="4" cy="4" r="1.1" /></pattern>
    </defs>
    <rect x="0" y="1" width=${WIDTH} height="20" fill="url(#${dots})" />
    <rect class="ground" x="0" y="1" width=${unit * (filled + tentative)} height="20" />
    <rect x="0" y="1" width=${unit * (filled + tentative)} height="20" fill="url(#${hatch})" />
    <rect class="full" x="0" y="1" width=${unit * filled} height="20" />
    <rect class="frame" x="0.75" y="1" width=${WIDTH - 1.5} height="20" />
  </svg>`;
}
