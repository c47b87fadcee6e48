// Swaps among members: each as a ring that is drawn, and as a list that says the same; proposals and their answers.
import { all, ask, get, send } from "../kept/api.js";
import { date, listed, say } from "../kept/words.js";
import { beginningWith, ring } from "../sheet/club.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { factInWords } from "./clauses.js";
import { html } from "./html.js";
import { Long, useLong } from "./long.js";
import { Trouble } from "./trouble.js";

/** What is told of a coin of a swap: what it is, and its owner's opinion of the grade. */
const coinOf = ({ label, grade }) => (grade === null || grade === undefined ? label : say("swap.coin", { coin: label, grade: factInWords(grade) }));

const sentence = (leg, me) =>
  say(leg.giver.member_id === me ? "swap.you_give" : leg.receiver.member_id === me ? "swap.you_get" : "swap.gives", {
    giver: leg.giver.name,
    receiver: leg.receiver.name,
    coin: coinOf(leg.coin),
    place: leg.place_label,
  });

/** The ring, numbered as the list beside it. @param {{legs: object[], me: string}} of */
function Ring({ legs, me }) {
  const { size, disc, discs, arcs } = ring(legs.length);
  const name = say("swap.ring", { n: legs.length, round: legs.map((leg) => sentence(leg, me)).join(" ") });
  return html`<svg class="swap-ring" viewBox="0 0 ${size} ${size}" role="img" aria-label=${name}>
    ${arcs.map(({ line, head }, at) => html`<g key=${at}><path class="way" d=${line} /><path class="head" d=${head} /></g>`)}
    ${discs.map(({ x, y }, at) => html`<g key=${at} class=${legs[at].giver.member_id === me ? "you" : ""}>
      <circle cx=${x} cy=${y} r=${disc} /><text x=${x} y=${y} dy="0.35em">${at + 1}</text></g>`)}
  </svg>`;
}

/** A swap, drawn and in words. @param {{legs: object[], me: string}} of */
function Drawn({ legs, me }) {
  const round = beginningWith(legs, me);
  return html`<div class="swap">
    <${Ring} legs=${round} me=${me} />
    <ol>${round.map((leg) => html`<li key=${leg.spare + leg.place}>${sentence(leg, me)}</li>`)}</ol>
  </div>`;
}

/**
 * The swaps of one set that the service finds, each of which can be proposed.
 * @param {{club: string, definition: string, me: string, proposed: () => Promise<void>}} of
 */
export function FoundSwaps({ club, definition, me, proposed }) {
  const long = useLong(`/v1/clubs/${club}/definitions/${definition}/swaps`);
  const { busy, error, attempt } = useActing();
  const found = long.value;
  const propose = (key) =>
    attempt(async () => {
      await send("POST", `/v1/clubs/${club}/swaps`, { definition_id: definition, swap: key });
      await proposed();
      await long.begin();
    });
  return html`<p>${say("swap.what")}</p>
    <${Long} long=${long} label=${say("swap.find")} again=${say("swap.find_again")} />
    <${Trouble} error=${error} />
    ${found?.sharing === false && html`<p>${say("swap.not_sharing")}</p>`}
    ${found?.sharing && found.items.length === 0 && html`<p>${say("swap.none")}</p>`}
    ${found?.sharing && !found.proven && html`<p class="hint">${say("swap.not_proven")}</p>`}
    ${(found?.items ?? []).map((swap) => html`<article class="panel" key=${swap.key}>
      <${Drawn} legs=${swap.legs} me=${me} />
      <p class="buttons"><button type="button" disabled=${busy} onClick=${() => propose(swap.key)}>${say("swap.propose")}</button></p>
    </article>`)}`;
}

/** Proposals that I am a side of. @param {string} club */
export function useProposals(club) {
  return useLoaded(() => all(`/v1/clubs/${club}/swaps`), [club]);
}

/** @param {{club: string, me: string, proposals: object[], again: () => Promise<void>}} of */
export function Proposals({ club, me, proposals, again }) {
  const newest = [...proposals].sort((one, other) => (one.created_at < other.created_at ? 1 : -1));
  if (newest.length === 0) return html`<p>${say("swap.no_proposal")}</p>`;
  return newest.map((made) => html`<${Proposal} key=${made.id} club=${club} me=${me} made=${made} again=${again} />`);
}

function Proposal({ club, me, made, again }) {
  const { busy, error, attempt } = useActing();
  const path = `/v1/clubs/${club}/swaps/${made.id}`;
  const answer = (accepts) =>
    attempt(async () => {
      // What the answer is about is what is on the page: another one's answer meanwhile is no obstacle.
      const { etag } = await get(path);
      await ask("PUT", `${path}/answer`, { body: { accepts }, headers: { "If-Match": etag } });
      await again();
    });
  const yes = made.sides.filter((side) => side.accepted).map((side) => (side.is_you ? say("swap.you") : side.member.name));
  const waiting = made.sides.filter((side) => !side.accepted).map((side) => (side.is_you ? say("swap.you") : side.member.name));
  const isAsked = made.state === "proposed" && made.sides.some((side) => side.is_you && !side.accepted);
  return html`<article class="panel proposal ${made.state}">
    <p class="figures">${say(`swap.is_${made.state}`)}</p>
    ${made.reason && html`<p>${say("swap.reason", { reason: made.reason })}</p>`}
    <p class="hint">${say("swap.proposed_by", { name: made.proposed_by.name, on: date(made.created_at) })}
      ${made.state === "proposed" && ` ${say("swap.until", { on: date(made.expires_at) })}`}</p>
    <${Drawn} legs=${made.legs} me=${me} />
    ${made.state === "proposed" && html`<p role="status">${yes.length > 0 && say("swap.said_yes", { names: listed(yes) })}
      ${waiting.length > 0 && ` ${say("swap.waiting", { names: listed(waiting) })}`}</p>`}
    ${made.state === "accepted" && html`<p>${say("swap.hand_over")}</p>`}
    <${Trouble} error=${error} />
    ${made.state === "proposed" && html`<p class="buttons">
      ${isAsked && html`<button type="button" disabled=${busy} onClick=${() => answer(true)}>${say("swap.accept")}</button>`}
      <button type="button" class="plain" disabled=${busy} onClick=${() => answer(false)}>${say(isAsked ? "swap.decline" : "swap.take_back")}</button></p>`}
  </article>`;
}
