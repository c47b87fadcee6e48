// How far the members are who show it, and what they can spare.
import { all, get } from "../kept/api.js";
import { inOrder, listed, say } from "../kept/words.js";
import { byStatus } from "../sheet/club.js";
import { Bar } from "./bar.js";
import { useLoaded } from "./data.js";
import { html } from "./html.js";
import { Panel } from "./panel.js";
import { Trouble } from "./trouble.js";

/** What members show: their counts by id, and how many pieces they can spare. */
export async function loadShown(club, definition) {
  const path = `/v1/clubs/${club}/definitions/${definition}`;
  const [standings, spares] = await Promise.all([all(`${path}/standings`), all(`${path}/spares`)]);
  const members = new Map();
  for (const { member, counts } of standings) members.set(member.id, { member, counts, shows: true, pieces: null });
  for (const { member, pieces } of spares) {
    members.set(member.id, { ...(members.get(member.id) ?? { member, counts: null, shows: false }), pieces });
  }
  return [...members.values()].sort((one, other) => inOrder(one.member.name, other.member.name));
}

/** @param {{club: string, definition: string, me: string, shown: object[]}} of */
export function Standings({ club, definition, me, shown }) {
  if (shown.length === 0) return html`<p>${say("standing.nobody")}</p>`;
  return html`<ul class="standings">${shown.map(({ member, counts, shows, pieces }) => html`<li key=${member.id}>
    <h3>${member.id === me ? say("standing.you", { name: member.name }) : member.name}</h3>
    ${counts !== null && html`<${Bar} figures=${counts} id="standing-${member.id}" /><p class="figures">${say("standing.figures", counts)}</p>`}
    ${shows && counts === null && html`<p>${say("standing.not_evaluated")}</p>`}
    ${pieces !== null && html`<p>${say("standing.spares", { n: pieces })}</p>`}
    ${shows && counts !== null && html`<${Panel} title=${say("standing.places")}>${() => html`<${Places} path=${`/v1/clubs/${club}/definitions/${definition}/standings/${member.id}`} />`}</${Panel}>`}
  </li>`)}</ul>`;
}

function Places({ path }) {
  const { value, error, again } = useLoaded(async () => (await get(path)).data, [path]);
  if (value === null) return html`<${Trouble} error=${error} again=${again} />`;
  return html`<dl class="seen-places">${byStatus(value.places).map(({ status, labels }) => html`<div key=${status}>
    <dt>${say(`state.${status}`)}</dt><dd>${listed(labels)}</dd></div>`)}</dl>`;
}
