// What was measured, compared at once with the issues of the catalogue that the coin may be.
import { get, send } from "../kept/api.js";
import { say } from "../kept/words.js";
import { fitting, measuredOf } from "../sheet/coins.js";
import { factInWords } from "./clauses.js";
import { useLoaded } from "./data.js";
import { html } from "./html.js";
import { Trouble } from "./trouble.js";

const MOST = 12;

/** The issues that a coin may be: those that it names, else those of its issuer and denomination that its facts allow. */
async function issuesOf(coin) {
  const named = typeof coin.issue === "string" ? [coin.issue] : (coin.issue?.one_of ?? []);
  if (named.length > 0) return named;
  const { denomination } = coin.facts;
  if (typeof denomination !== "string" || typeof coin.facts.issuer !== "string") return [];
  const { data } = await get(`/v1/issues?${new URLSearchParams({ contains: denomination, limit: "100" })}`);
  return fitting(coin.facts, data.items).map(({ id }) => id).slice(0, MOST);
}

async function compare(coin) {
  const measured = measuredOf(coin.facts);
  if (measured === null) return null;
  const [issue, ...others] = await issuesOf(coin);
  if (issue === undefined) return { checks: [], told: null };
  const told = await send("POST", "/v1/piece-checks", { issue, measured, ...(others.length > 0 ? { look_alikes: others } : {}) });
  return { checks: [{ issue: told.issue, label: told.label, verdict: told.verdict, tests: told.tests }, ...told.look_alikes], told };
}

/** @param {{coin: object, label: (name: string) => string}} of `coin`: with its issue and its facts, as they are typed */
export function Weighed({ coin, label }) {
  const about = JSON.stringify([coin.issue, measuredOf(coin.facts), coin.facts.issuer, coin.facts.denomination, coin.facts.material]);
  const { value, error } = useLoaded(() => compare(coin), [about], { keeps: true });
  if (error !== null) return html`<${Trouble} error=${error} />`;
  if (value === null) return null;
  if (value.checks.length === 0) return html`<p class="hint" role="status">${say("weighed.no_issue")}</p>`;
  return html`<section class="panel weighed"><h3>${say("weighed.title")}</h3>
    <div role="status">${value.checks.map((check) => html`<p key=${check.issue}><b>${say(`weighed.${check.verdict.replaceAll(" ", "_")}`)}</b> ${check.label}</p>
      <ul>${check.tests.filter(({ measured, published }) => measured !== null && published !== null).map((test) => html`<li key=${test.attribute}>
        ${say(test.tolerance ? "weighed.test" : "weighed.exactly", { what: label(test.attribute), published: factInWords(test.published), tolerance: test.tolerance ? factInWords(test.tolerance) : "" })}
        ${" "}${say(`weighed.${test.verdict.replaceAll(" ", "_")}`)}</li>`)}</ul>`)}</div>
    <p class="hint">${say("weighed.caution")}</p>
  </section>`;
}
