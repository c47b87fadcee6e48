// A message of the service in the language of the page.
import { get } from "../kept/api.js";
import { isOne, number, say, spoken } from "../kept/words.js";
import { worded } from "../sheet/messages.js";
import { loadAttributes, useLoaded } from "./data.js";

/** What the service's own texts are in. */
const ENGLISH = "en";

/** The sentences of messages in the language of the page, and the attributes; null: its own texts are right. */
async function loadSentences() {
  if (spoken() === ENGLISH) return null;
  const [{ data }, attributes] = await Promise.all([get("/v1/messages"), loadAttributes()]);
  return { sentences: new Map(data.items.map((one) => [one.code, one.sentence])), attributes };
}

/** @param {Map<string, {label: string, look_at: string}>} attributes @returns {import("../sheet/messages.js").Speech} */
const speechOf = (attributes) => ({
  coin({ number: called, title }) {
    if (called === null) return title ?? say("message.a_coin");
    const name = /\d/.test(called) ? say("coin.numbered", { number: called }) : called;
    return title ? say("message.coin", { name, title }) : name;
  },
  quoted: (label) => say("message.quoted", { label }),
  fact(part) {
    // One that a definition declares has the words of its author.
    const { label, look_at: where } = { ...part, ...attributes.get(part.attribute) };
    return part.look_at ? say("message.fact", { label, where: where ?? "" }) : label;
  },
  more: (n) => say("message.more", { n }),
  number,
  isOne,
});

/** Words messages of the service; its own texts until the sentences are here, and where they cannot be had. */
export function useMessages() {
  const { value } = useLoaded(loadSentences, []);
  return (message) => (value === null ? message.message : worded(message, value.sentences, speechOf(value.attributes)));
}
