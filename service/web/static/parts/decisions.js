// The owner's decisions about a place: keep this coin here, never here, and what that costs before it is done.
import { Problem, ask, get, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { useActing } from "./acting.js";
import { html, useState } from "./html.js";
import { coinName } from "./place.js";
import { useLoaded } from "./data.js";
import { Trouble } from "./trouble.js";

const without = (pairs, one) => pairs.filter((pair) => pair.holding !== one.holding || pair.place !== one.place);

/** The decisions as they would be. */
function decided(now, kind, one) {
  const pins = without(now.pins, one);
  const nevers = without(now.nevers, one);
  if (kind === "pin") pins.push(one);
  if (kind === "never") nevers.push(one);
  return { pins, nevers };
}

/** The set as it would be. */
const whatIf = (set, decisions) =>
  send("POST", "/v1/evaluations", { definition: { id: set }, holdings: "mine", ...decisions });

const statuses = (evaluation) =>
  new Map([...evaluation.slots, ...[...evaluation.one_per, ...evaluation.free_choice].flatMap((group) => group.places)].map((one) => [one.place, one]));

/** What a decision changes, in words: places that fill, empty, or get another coin. */
function changes(before, after) {
  const [was, is] = [statuses(before), statuses(after)];
  const named = { ...before.named, ...after.named };
  const lines = [];
  for (const [place, { label, holding }] of was) {
    const now = is.get(place);
    if (now === undefined || now.holding === holding) continue;
    const coin = coinName(named[now.holding] ?? null);
    if (now.holding === null) lines.push(say("decide.empties", { label }));
    else lines.push(say(holding === null ? "decide.fills" : "decide.changes", { label, coin }));
  }
  return lines;
}

/** @param {{set: string, cell: object, evaluation: object, done: () => Promise<void>}} of */
export function Decisions({ set, cell, evaluation, done }) {
  const path = `/v1/definitions/${set}/pins`;
  const { value: found, error, again } = useLoaded(() => get(path), [set]);
  const [asked, setAsked] = useState(null);
  const { busy, error: trouble, attempt } = useActing();
  if (found === null) return html`<${Trouble} error=${error} again=${again} />`;
  const now = found.data;
  const here = { holding: cell.holding, place: cell.address };
  const isPinned = now.pins.some((pin) => pin.holding === here.holding && pin.place === here.place);
  const nevers = now.nevers.filter((never) => never.place === cell.address);
  const consider = (kind, one) =>
    attempt(async () => {
      const decisions = decided(now, kind, one);
      const after = await whatIf(set, decisions);
      setAsked({ kind, decisions, lines: changes(evaluation, after), before: evaluation.summary, after: after.summary });
    });
  const carryOut = () =>
    attempt(async () => {
      try {
        await ask("PUT", path, { body: asked.decisions, headers: { "If-Match": found.etag } });
      } catch (error) {
        if (error.status !== 412) throw error;
        // Those that were made meanwhile are not taken back unseen.
        setAsked(null);
        await again();
        await done();
        throw new Problem({ status: -1, title: say("decide.overtaken") });
      }
      setAsked(null);
      await again();
      await done();
    });
  const name = (holding) => coinName(evaluation.named[holding] ?? null);
  const button = (kind, one, key) =>
    html`<button type="button" class="plain" disabled=${busy} onClick=${() => consider(kind, one)}>${say(key, { coin: name(one.holding) })}</button>`;
  return html`<section class="decisions"><h2>${say("decide.title")}</h2>
    ${cell.holding === null && nevers.length === 0 && html`<p class="hint">${say("decide.no_coin")}</p>`}
    ${isPinned && html`<p>${say("decide.is_kept", { coin: name(cell.holding) })}</p>`}
    <p class="buttons">
      ${cell.holding !== null && (isPinned ? button("release", here, "decide.release") : button("pin", here, "decide.keep"))}
      ${cell.holding !== null && button("never", here, "decide.never")}
    </p>
    ${nevers.map((never) => html`<p key=${never.holding}>${say("decide.is_never", { coin: name(never.holding) })} ${button("release", never, "decide.allow")}</p>`)}
    <${Trouble} error=${trouble ?? error} />
    ${asked !== null && html`<div class="panel consequence" role="status">
      <h3>${say(`decide.would_${asked.kind}`)}</h3>
      <p>${say("decide.figures", { was: asked.before.filled, is: asked.after.filled, was_possible: asked.before.possible, is_possible: asked.after.possible })}</p>
      ${asked.lines.length === 0 ? html`<p>${say("decide.nothing")}</p>` : html`<ul>${asked.lines.map((line) => html`<li key=${line}>${line}</li>`)}</ul>`}
      <p class="buttons"><button type="button" disabled=${busy} onClick=${carryOut}>${say("decide.do")}</button>
        <button type="button" class="plain" disabled=${busy} onClick=${() => setAsked(null)}>${say("decide.leave")}</button></p>
    </div>`}
  </section>`;
}
