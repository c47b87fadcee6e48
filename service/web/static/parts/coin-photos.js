// Photos of a coin: shown, taken with the camera or chosen, deleted.
import { all, ask } from "../kept/api.js";
import { addPhoto } from "../kept/edits.js";
import { say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { html, useEffect } from "./html.js";
import { forgetPhoto } from "./photos.js";
import { Trouble } from "./trouble.js";

const SIDES = ["obverse", "reverse", "edge"];

async function load(coin) {
  const photos = await all(`/v1/holdings/${coin}/photos`);
  return Promise.all(photos.map(async (photo) => {
    const answer = await ask("GET", `/v1/holdings/${coin}/photos/${photo.id}/image?size=640`, { headers: { Accept: "image/*" } });
    return { ...photo, etag: answer.headers.get("ETag"), address: URL.createObjectURL(await answer.blob()) };
  }));
}

/** @param {{coin: string, changed: () => Promise<void>}} of `changed`: takes the coin as it is then, before its photo is shown: what is shown was seen */
export function CoinPhotos({ coin, changed }) {
  const { value: photos, error, again } = useLoaded(() => load(coin), [coin]);
  useEffect(() => () => photos?.forEach(({ address }) => URL.revokeObjectURL(address)), [photos]);
  const { busy, error: trouble, attempt } = useActing();
  const done = (act) =>
    attempt(async () => {
      await act();
      forgetPhoto(coin);
      await changed();
      await again();
    });
  const taken = (side) => (event) => {
    const [file] = event.target.files;
    event.target.value = "";
    if (file) done(() => addPhoto(coin, file, side));
  };
  const removed = (photo) => done(() => ask("DELETE", `/v1/holdings/${coin}/photos/${photo.id}`, { headers: { "If-Match": "*" } }));
  return html`<section class="photos" aria-busy=${busy}><h2>${say("photos.title")}</h2>
    <${Trouble} error=${trouble ?? error} />
    <ul>${(photos ?? []).map((photo) => html`<li key=${photo.id}>
      <img src=${photo.address} alt=${say("photos.of", { side: say(`photos.${photo.side}`) })} width=${photo.width} height=${photo.height} />
      <button type="button" class="plain" disabled=${busy} onClick=${() => removed(photo)}>${say("photos.delete", { side: say(`photos.${photo.side}`) })}</button></li>`)}</ul>
    <div class="buttons">${SIDES.map((side) => html`<label key=${side} class="button as-button" for="photo-${side}">${say("photos.take", { side: say(`photos.${side}`) })}
      <input id="photo-${side}" class="unseen" type="file" accept="image/*" capture="environment" disabled=${busy} onChange=${taken(side)} /></label>`)}</div>
    <p class="hint">${say("photos.hint")}</p>
  </section>`;
}
