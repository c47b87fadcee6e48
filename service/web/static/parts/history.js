// How a set grew: a line that is drawn, and a table that says the same.
import { get, send } from "../kept/api.js";
import { date, listed, say } from "../kept/words.js";
import { days, line } from "../sheet/history.js";
import { useActing } from "./acting.js";
import { useLoaded } from "./data.js";
import { html } from "./html.js";
import { Trouble } from "./trouble.js";

/** Every filling that was noted, and the day of the last note. */
async function loadHistory(set) {
  const fillings = [];
  let noted = null;
  for (let next = `/v1/definitions/${set}/history?limit=200`; next; ) {
    const { data } = await get(next);
    fillings.push(...data.items);
    noted = data.noted_on;
    next = data.next;
  }
  return { told: days(fillings, noted), noted };
}

/** @param {{set: string, places: number}} of `places`: how many the set has now */
export function History({ set, places }) {
  const { value, error, again } = useLoaded(() => loadHistory(set), [set]);
  const { busy, error: refused, attempt } = useActing();
  const note = () =>
    attempt(async () => {
      await send("POST", `/v1/definitions/${set}/history`, {});
      await again();
    });
  if (value === null) return html`<${Trouble} error=${error} again=${again} />${error === null && html`<p role="status">${say("app.loading")}</p>`}`;
  const { told } = value;
  return html`<p>${say("history.what")}</p>
    <p role="status">${value.noted === null ? say("history.none") : say("history.noted", { on: date(value.noted) })}</p>
    <${Trouble} error=${refused} />
    <p class="buttons"><button type="button" class="plain" disabled=${busy} onClick=${note}>${say("history.note")}</button></p>
    ${told.length > 0 && html`<div class="grown"><${Drawn} told=${told} places=${places} /><${Table} told=${told} /></div>`}`;
}

function Drawn({ told, places }) {
  const { width, height, filled, possible, dots, most } = line(told, places);
  const [first, last] = [told[0], told[told.length - 1]];
  const name = say("history.line", { from: date(first.day), was: first.filled, to: date(last.day), is: last.filled, places: most });
  return html`<figure><svg class="growth" viewBox="-8 -8 ${width + 16} ${height + 16}" role="img" aria-label=${name}>
      <path class="frame" d="M0 0V${height}H${width}" />
      <path class="possible" d=${possible} /><path class="steps" d=${filled} />
      ${dots.map(({ x, y }, at) => html`<circle class="dot" key=${at} cx=${x} cy=${y} r="4" />`)}
    </svg><figcaption class="hint">${say("history.caption", { places: most })}</figcaption></figure>`;
}

function Table({ told }) {
  const named = (labels) => (labels.length === 0 ? "" : listed(labels));
  return html`<div class="wide" tabindex="0" role="region" aria-label=${say("history.title")}><table class="others">
    <thead><tr>${["day", "filled", "tentative", "came", "left"].map((key) => html`<th scope="col" key=${key}>${say(`history.${key}`)}</th>`)}</tr></thead>
    <tbody>${[...told].reverse().map((one) => html`<tr key=${one.day}><th scope="row">${date(one.day)}</th>
      <td>${one.filled}</td><td>${one.tentative}</td><td>${named(one.came)}</td><td>${named(one.left)}</td></tr>`)}</tbody></table></div>`;
}
