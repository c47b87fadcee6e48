// What goes with something that is taken out of a draft: what its rules lack then, by place, as the service finds it; and how many coins have it.
import { send } from "../kept/api.js";
import { listed, say } from "../kept/words.js";
import { entryOf, partAt, valueAt } from "../sheet/draft.js";
import { brokenBy } from "../sheet/own-facts.js";
import { loadCounts } from "./condition-form.js";
import { useLoaded } from "./data.js";
import { html, useEffect } from "./html.js";
import { useMessages } from "./message.js";
import { Trouble } from "./trouble.js";

const SECTIONS = { scope: "build.scope", prefer: "prefer.title", presume: "presume.title", identify: "presume.title", constraints: "set_rule.title", examples: "build.examples" };

/** What a pointer leads into, as the builder calls it. */
function whereOf(document, pointer) {
  const part = partAt(document, pointer);
  if (part !== null) return entryOf(document, part)?.part.label || part;
  const [, section, at] = pointer.split("/");
  const entry = valueAt(document, `/${section}/${at}`);
  return entry?.label || entry?.name || (SECTIONS[section] ? say(SECTIONS[section]) : say("build.whole_set"));
}

const findingsOf = async (definition) => (await send("POST", "/v1/definition-previews", { definition })).findings;

/** How many coins have the fact at all, or one of its values. @param {string} name @param {string | null} value */
async function coinsWith(name, value) {
  const counts = await loadCounts(name);
  if (value === null) return counts?.known ?? 0;
  const found = counts?.values.find((one) => one.value === value);
  return (found?.coins ?? 0) + (found?.perhaps ?? 0);
}

/** @typedef {{where: string, finding: any}} Broken what reads it, and what is found there; null: nothing more is known */

/**
 * What a draft's rules lack without an entry. @param {object} document @param {object} next the same without it
 * @param {string} list the pointer of the list that it was in @returns {Promise<Broken[]>}
 */
export async function brokenWithout(document, next, list) {
  const [before, after] = await Promise.all([findingsOf(document), findingsOf(next)]);
  const places = (one) => listed([...new Set([one.pointer, ...(one.others ?? [])].map((pointer) => whereOf(next, pointer)))]);
  return brokenBy(before, after, list).map((finding) => ({ where: places(finding), finding }));
}

/**
 * Asks once more where something breaks; else it is taken away at once.
 * @param {{find: () => Promise<Broken[]>, what: string, facts: string[], value?: string | null, remove: () => void, keep: () => void}} of
 *   `facts`: attributes that coins may have it of
 */
export function Removing({ find, what, facts, value = null, remove, keep }) {
  const worded = useMessages();
  const { value: told, error } = useLoaded(async () => {
    const [broken, ...coins] = await Promise.all([find(), ...facts.map((name) => coinsWith(name, value))]);
    return { broken, coins: coins.reduce((sum, n) => sum + n, 0) };
  }, []);
  const isFree = told !== null && told.broken.length === 0 && told.coins === 0;
  useEffect(() => {
    if (isFree) remove();
  }, [isFree]);
  return html`<div class="panel removing" role="group" aria-label=${say("build.remove_what", { what })} aria-live="polite">
    <${Trouble} error=${error} />
    ${told === null && error === null && html`<p>${say("app.loading")}</p>`}
    ${told !== null && !isFree && html`
      ${told.broken.length > 0 && html`<p>${say("mine.breaks")}</p><ul>${told.broken.map(({ where, finding }) => html`<li key=${where + finding?.code}><strong>${where}</strong>${finding && html`: ${worded(finding)}`}</li>`)}</ul>`}
      ${told.coins > 0 && html`<p>${say("mine.coins_have", { n: told.coins })}</p>`}
      <p class="buttons"><button type="button" onClick=${remove}>${say("mine.remove_anyway")}</button>
        <button type="button" class="plain" onClick=${keep}>${say("mine.keep")}</button></p>`}
  </div>`;
}
