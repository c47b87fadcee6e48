// Photos of a coin as the members of a club see them: small ones, each larger when it is pressed. None is kept: whether it may be
// seen is the service's to say, each time.
import { say } from "../kept/words.js";
import { html, useEffect, useRef, useState } from "./html.js";
import { pictureAt } from "./photos.js";

const SMALL = 160;
const LARGE = 640;

/** The picture at an address once it is wanted; an empty text: there is none (any more). @param {string} address @param {boolean} wanted */
function usePicture(address, wanted) {
  const [picture, set] = useState(/** @type {string | null} */ (null));
  useEffect(() => {
    if (!wanted) return undefined;
    let made = "";
    let isOver = false;
    pictureAt(address).then(
      (picture) => {
        if (isOver) return URL.revokeObjectURL(picture);
        made = picture;
        return set(made);
      },
      () => isOver || set(""),
    );
    return () => {
      isOver = true;
      if (made !== "") URL.revokeObjectURL(made);
      set(null);
    };
  }, [address, wanted]);
  return picture;
}

/** Whether an element came into sight. @param {{current: any}} root */
function useInSight(root) {
  const [seen, set] = useState(false);
  useEffect(() => {
    const watching = new IntersectionObserver((entries) => {
      if (!entries.some(({ isIntersecting }) => isIntersecting)) return;
      watching.disconnect();
      set(true);
    });
    watching.observe(root.current);
    return () => watching.disconnect();
  }, []);
  return seen;
}

function Small({ photo, coin, isLarge, press }) {
  const root = useRef(null);
  const picture = usePicture(`${photo.image}?size=${SMALL}`, useInSight(root));
  const side = say(`photos.${photo.side}`);
  return html`<button type="button" class="plain small-photo" ref=${root} disabled=${picture === ""} aria-expanded=${isLarge} aria-label=${say("display.enlarge", { coin, side })} onClick=${press}>
    ${picture ? html`<img src=${picture} alt="" />` : html`<span>${picture === "" ? say("display.photo_gone") : side}</span>`}</button>`;
}

function Large({ photo, coin }) {
  const picture = usePicture(`${photo.image}?size=${LARGE}`, true);
  if (picture === "") return html`<p role="status">${say("display.photo_gone")}</p>`;
  const name = say("display.photo", { coin, side: say(`photos.${photo.side}`) });
  // Its place is there before it has come, so that nothing jumps.
  const scale = Math.min(1, LARGE / Math.max(photo.width, photo.height));
  const [width, height] = [photo.width, photo.height].map((one) => Math.round(one * scale));
  return html`<figure class="large-photo">${picture && html`<img src=${picture} alt=${name} width=${width} height=${height} />`}<figcaption>${name}</figcaption></figure>`;
}

/** @param {{coin: string, photos: {side: string, width: number, height: number, image: string}[]}} of `coin`: what it is called */
export function DisplayedPhotos({ coin, photos }) {
  const [large, show] = useState(/** @type {string | null} */ (null));
  if (photos.length === 0) return null;
  const shown = photos.find(({ image }) => image === large);
  return html`<div class="displayed-photos"><p class="photo-row">${photos.map((photo) => html`<${Small} key=${photo.image} photo=${photo} coin=${coin}
      isLarge=${photo.image === large} press=${() => show(photo.image === large ? null : photo.image)} />`)}</p>
    ${shown && html`<${Large} key=${shown.image} photo=${shown} coin=${coin} />`}</div>`;
}
