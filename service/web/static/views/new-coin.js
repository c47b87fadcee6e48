// A new coin, and the next one like it: what repeats stays, its number counts on.
import { createCoin } from "../kept/edits.js";
import { loadCoin } from "../kept/here.js";
import { say } from "../kept/words.js";
import { CoinForm } from "../parts/coin-form.js";
import { labelsOf, loadAttributesOf, loadMyDocuments, useLoaded } from "../parts/data.js";
import { loadFirstFacts } from "../parts/first-facts.js";
import { html, useEffect, useRef, useState } from "../parts/html.js";
import { go } from "../parts/navigation.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { likeThis } from "../sheet/coins.js";

const NOTHING = { facts: {} };

async function load(like) {
  // Without a network there are no sets to ask: the coin is recorded all the same.
  const documents = await loadMyDocuments().catch((error) => {
    if (error.status !== 0) throw error;
    return [];
  });
  const attributes = await loadAttributesOf(documents);
  const known = new Set(attributes.keys());
  const begins = like === "" ? NOTHING : likeThis((await loadCoin(like)).data);
  return { attributes, begins, first: await loadFirstFacts({ documents, known, coin: begins }) };
}

/** @param {{like: string}} of the id of a coin that the new one is like, or "" */
export function NewCoin({ like }) {
  const { value, error, again } = useLoaded(() => load(like), [like]);
  const [last, setLast] = useState(null);
  const form = useRef(null);
  // The next one is typed where the one before began.
  useEffect(() => {
    if (last !== null) form.current?.querySelector("input, select")?.focus();
  }, [last]);
  if (value === null) {
    return html`<${Title} text=${say("coin.new")} /><${Trouble} error=${error} again=${again} />
      ${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  const record = async ({ whole }, button) => {
    const id = await createCoin(whole);
    if (button === "next") setLast({ id, number: whole.number ?? null, begins: likeThis(whole) });
    else go(`/app/coins/${id}`);
  };
  return html`
    <nav class="crumbs" aria-label=${say("place.path")}><a href="/app/coins">${say("coins.title")}</a></nav>
    <${Title} text=${say("coin.new")} />
    <p role="status" class=${last === null ? "" : "notice"}>${last !== null && html`${say("coin.recorded_now")} <a href="/app/coins/${last.id}">${last.number === null ? say("coins.without_number") : say("coin.numbered", { number: last.number })}</a>`}</p>
    <div ref=${form}><${CoinForm} key=${last?.id ?? ""} coin=${last?.begins ?? value.begins} first=${value.first} attributes=${value.attributes} label=${labelsOf(value.attributes)}
      submit=${record} second=${{ label: say("coin.record_next"), name: "next" }} open /></div>`;
}
