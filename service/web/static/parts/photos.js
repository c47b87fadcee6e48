// Photos of coins, fetched with the token when their place comes into sight.
import { ask, get } from "../kept/api.js";
import { useEffect, useState } from "./html.js";

const SIZE = 160;
const addresses = new Map();

/** A picture that is fetched with the token, under an address of this page's. @param {string} address */
export async function pictureAt(address) {
  const answer = await ask("GET", address, { headers: { Accept: "image/*" } });
  return URL.createObjectURL(await answer.blob());
}

/** The address of a small picture of a coin; null: it has none. */
async function load(holding) {
  const { data } = await get(`/v1/holdings/${holding}/photos`);
  const first = data.items.find((photo) => photo.side === "obverse") ?? data.items[0];
  if (first === undefined) return null;
  return pictureAt(`/v1/holdings/${holding}/photos/${first.id}/image?size=${SIZE}`);
}

/** The picture of a coin, asked for once. */
export async function photoOf(holding) {
  if (!addresses.has(holding)) addresses.set(holding, load(holding).catch(() => null));
  return addresses.get(holding);
}

/** Its photos changed: it is asked for anew the next time. */
export const forgetPhoto = (holding) => addresses.delete(holding);

/**
 * Pictures of the coins in sight, by holding.
 * @param {{current: Element | null}} root @param {unknown} on what is shown
 */
export function usePhotos(root, on) {
  const [found, set] = useState(new Map());
  useEffect(() => {
    const seen = new IntersectionObserver(async (entries) => {
      for (const { isIntersecting, target } of entries) {
        if (!isIntersecting) continue;
        seen.unobserve(target);
        const { holding } = /** @type {HTMLElement} */ (target).dataset;
        const photo = await photoOf(holding);
        if (photo !== null) set((before) => (before.get(holding) === photo ? before : new Map(before).set(holding, photo)));
      }
    });
    for (const element of root.current?.querySelectorAll("a[data-holding]") ?? []) seen.observe(element);
    return () => seen.disconnect();
  }, [on]);
  return found;
}
