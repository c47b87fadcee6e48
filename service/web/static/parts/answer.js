// What a coin would do in one set: sign, word, set and text, which all say the same.
import { listed, say } from "../kept/words.js";
import { factInWords } from "./clauses.js";
import { html } from "./html.js";

const FULL = html`<circle class="full" cx="24" cy="24" r="17" />`;
const SIGNS = {
  fills: html`${FULL}<path class="tick" d="M15.5 24.5l6 6 11-12.5" />`,
  frees: html`${FULL}<path class="tick" d="M14 19h17l-5-5M34 29H17l5 5" />`,
  helps_constraint: html`${FULL}<path class="tick" d="M16 31v-9h16v9M24 22v-6" />`,
  betters: html`${FULL}<path class="tick" d="M16 25l8-9 8 9M24 17v16" />`,
  undecided: html`<path class="broken" d="M24 7a17 17 0 0 0 0 34" /><path class="half" d="M24 6a18 18 0 0 1 0 36z" />`,
  ask: html`<circle class="dotted" cx="24" cy="24" r="17" /><path class="stroke" d="M18.5 19a5.5 5.5 0 1 1 8 5c-1.8 1-2.3 1.8-2.3 4M24.2 33v.2" />`,
  bought: html`<circle class="ring" cx="19" cy="24" r="12" /><circle class="full" cx="31" cy="24" r="11" />`,
  spare: html`<circle class="ring" cx="19" cy="24" r="12" /><circle class="ring" cx="30" cy="24" r="12" />`,
  outside: html`<circle class="ring" cx="24" cy="24" r="17" /><path class="stroke" d="M17 24h14" />`,
};

/** @param {{effect: string}} of */
export const AnswerSign = ({ effect }) => html`<svg class="disc answer-sign ${effect}" viewBox="0 0 48 50" aria-hidden="true">${SIGNS[effect]}</svg>`;

// The most welcome first.
const ORDER = ["fills", "frees", "betters", "undecided", "bought", "ask", "spare", "outside"];

/** @param {import("../sheet/effect.js").Answer} one @param {import("../sheet/effect.js").Answer} other */
export const byWelcome = (one, other) => ORDER.indexOf(one.effect) - ORDER.indexOf(other.effect);

/** What the places of a sheet are called, by address, and its groups by id. @param {object} sheet */
export const placeLabels = (sheet) => new Map(sheet.places.flatMap(({ place, group, label }) => [[place, label], ...(group === null ? [] : [[group, label]])]));

const worth = (value) => (value === null || value === undefined ? say("fact.unknown") : factInWords(value));

function bettersWords({ criterion, from, to, place }, label, labelOf) {
  const told = { place: labelOf(place), from: worth(from), to: worth(to) };
  if (criterion.doubt) return say(to === null ? "answer.certain" : "answer.less_doubt", told);
  if (criterion.to_check) return say("answer.less_to_check", told);
  if (criterion.presumed) return say("answer.not_presumed", told);
  const by = criterion.highest ?? criterion.lowest ?? criterion.order;
  if (by === undefined || by === null) return say("answer.preferred", told);
  return criterion.order ? say("answer.earlier", { ...told, what: label(by) }) : say("answer.betters_text", { ...told, what: label(by) });
}

/** Whether it is known that the coin fits where it would count most. @param {import("../sheet/effect.js").Answer} answer */
const isSure = ({ at, fits }) => !at || fits.some((one) => at === one || at.startsWith(`${one}/`));

/** The word of an answer. @param {import("../sheet/effect.js").Answer} answer */
export const answerWord = (answer) => say(answer.effect === "fills" && !isSure(answer) ? "answer.fills_perhaps" : `answer.${answer.effect}`);

/**
 * What an answer says besides its word.
 * @param {import("../sheet/effect.js").Answer} answer @param {{label: (name: string) => string, lookAt: (name: string) => string,
 *   labelOf: (place: string) => string, coinOf: (holding: string) => string}} words
 */
export function answerText(answer, { label, lookAt, labelOf, coinOf }) {
  const names = (places) => listed(places.slice(0, 3).map(labelOf));
  const { effect, places, moves, closest, look, because, fits, mayFit, at, betters, unsent } = answer;
  if (effect === "fills") {
    if (answer.opens !== null) return say("answer.opens", { group: answer.opens.label, key: factInWords(answer.opens.key) });
    if (!isSure(answer)) return say("answer.fits_besides", { places: names(places), certain: names(fits) });
    return answer.exact ? names(places) : say("answer.fills_some", { places: names(fits) });
  }
  if (effect === "frees" && at !== null) {
    const told = moves.filter(({ to }) => to !== null).map(({ holding, to }) => say("answer.moves", { coin: coinOf(holding), place: labelOf(/** @type {string} */ (to)) }));
    return say("answer.frees_text", { place: labelOf(at), moves: listed(told) });
  }
  if (effect === "betters" && betters !== null) return bettersWords(betters, label, labelOf);
  if (effect === "spare") return say("answer.spare_text", { places: names(fits) });
  if (effect === "undecided") {
    const facts = look.slice(0, 3).map((name) => (lookAt(name) === "" ? label(name) : say("answer.fact_where", { fact: label(name), where: lookAt(name) })));
    return facts.length === 0 ? say("answer.may_fit", { places: names(mayFit) }) : say("answer.look", { facts: listed(facts), places: names(mayFit) });
  }
  if (effect === "bought" && unsent !== null) {
    const { number } = unsent;
    return number === null ? say("answer.bought_one") : say("answer.bought_numbered", { number });
  }
  if (effect === "ask") return say(because === "unsent" ? "answer.ask_unsent" : "answer.ask_text");
  if (closest === null) return say("answer.outside_text");
  return closest.failing.length === 0 ? say("answer.closest", { place: labelOf(closest.place) }) : say("answer.closest_needs", { place: labelOf(closest.place), needs: listed(closest.failing) });
}

/** One answer, as an item of a list. @param {{answer: object, text: string, online?: string}} of `online`: what the service says instead */
export const AnswerLine = ({ answer, text, online }) => html`<li class="answer ${answer.effect}">
  <${AnswerSign} effect=${answer.effect} />
  <span><span class="word">${answerWord(answer)}</span> <span class="of">${answer.title}</span><br />${online ?? text}</span>
</li>`;
