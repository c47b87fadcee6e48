// Adding to a draft: a place from a coin of mine, one for each key, a free choice, a blank place, or a template.
import { all, get } from "../kept/api.js";
import { listed, say } from "../kept/words.js";
import { withPart } from "../sheet/draft.js";
import { treeOf } from "../sheet/rule-form.js";
import { TEMPLATES, conditionsOf, decadesOf } from "../sheet/templates.js";
import { AttributePicker, loadCounts } from "./condition-form.js";
import { factInWords } from "./clauses.js";
import { labelsOf, loadTerms, loadTermsOf, useLoaded } from "./data.js";
import { html, useState } from "./html.js";
import { conditionInWords } from "./rule-form.js";
import { TermPicker } from "./term-picker.js";
import { Trouble } from "./trouble.js";

const WAYS = ["coin", "blank", "one_per", "free_choice", "template"];
const KEYED = new Set(["text", "integer", "boolean", "date"]);
const SHOWN = 12;

/** A coin in a few words. */
const coinLine = (coin, terms) => {
  const { year_on_coin: year, denomination, issuer } = coin.facts;
  const words = [factOr(year), factOr(denomination, terms?.get("denomination")), factOr(issuer, terms?.get("issuer"))].filter((text) => text !== "");
  const what = words.length > 0 ? words.join(" ") : say("build.nothing_recorded");
  return coin.number ? say("coin.name", { number: coin.number, title: what }) : what;
};
const factOr = (fact, terms) => (fact === undefined ? "" : factInWords(fact, terms));

/** A place from a coin of mine: which of its facts make the type. */
function FromCoin({ id, attributes, add }) {
  const [words, setWords] = useState("");
  const [coin, setCoin] = useState(null);
  const [off, setOff] = useState(new Set());
  const { value: coins, error } = useLoaded(
    async () => (await get(`/v1/holdings?limit=${SHOWN}${words.trim() === "" ? "" : `&q=${encodeURIComponent(words.trim())}`}`)).data.items,
    [words],
    { keeps: true },
  );
  const { value: issue } = useLoaded(
    async () => (typeof coin?.issue === "string" ? (await get(`/v1/issues/${encodeURIComponent(coin.issue)}`)).data.facts : {}),
    [coin],
  );
  const { value: terms } = useLoaded(() => loadTerms(attributes, [...attributes.keys()].filter((name) => ["denomination", "issuer"].includes(name) || (coin && name in coin.facts))), [attributes, coin]);
  const label = labelsOf(attributes);
  if (coin === null) {
    return html`<div><${Trouble} error=${error} />
      <label for="${id}-words">${say("build.find_coin")}</label>
      <input id="${id}-words" type="search" autocomplete="off" value=${words} onInput=${(event) => setWords(event.target.value)} />
      <ul class="coin-list">${(coins ?? []).map((one) => html`<li key=${one.id}><button type="button" class="plain" onClick=${() => setCoin(one)}>${coinLine(one, terms)}</button></li>`)}</ul>
      ${coins?.length === 0 && html`<p>${say("build.no_coins")}</p>`}</div>`;
  }
  const found = conditionsOf({ ...(issue ?? {}), ...coin.facts }, attributes);
  const on = ({ condition, chosen }) => chosen !== off.has(condition.attribute);
  const toggled = (name) => setOff(new Set(off.has(name) ? [...off].filter((one) => one !== name) : [...off, name]));
  const taken = found.filter(on).map(({ condition }) => condition);
  const named = ["denomination", "issuer"].map((name) => factOr({ ...(issue ?? {}), ...coin.facts }[name], terms?.get(name))).filter((text) => text !== "");
  return html`<fieldset><legend>${say("build.which_facts")}</legend>
    ${found.map((one) => html`<label key=${one.condition.attribute} class="pick"><input type="checkbox" checked=${on(one)} onChange=${() => toggled(one.condition.attribute)} />
      ${conditionInWords(one.condition, label, terms)}</label>`)}
    <button type="button" onClick=${() => add("slots", { label: named.length > 0 ? named.join(", ") : say("build.new_place"), accepts: treeOf({ kind: "all", items: taken }) })}>${say("build.add_place")}</button>
  </fieldset>`;
}

/** One for each key of an attribute. */
function OnePer({ id, attributes, add }) {
  const [name, setName] = useState(null);
  const [from, setFrom] = useState("holdings");
  const attribute = attributes.get(name);
  const { value: counts } = useLoaded(() => (name === null ? null : loadCounts(name)), [name]);
  const label = labelsOf(attributes);
  if (attribute === undefined) return html`<${AttributePicker} id="${id}-key" attributes=${attributes} fit=${({ type }) => KEYED.has(type)} picked=${setName} />`;
  const sources = ["holdings", "list", "catalogue", ...(attribute.vocabulary ? ["vocabulary"] : [])];
  const mine = (counts?.values ?? []).filter(({ coins }) => coins > 0).map(({ value }) => value);
  const keys = { list: { from: "list", values: mine }, vocabulary: { from: "vocabulary", name: attribute.vocabulary, level: "narrowest" } }[from] ?? { from };
  const part = { id: say("build.each_of", { what: label(name) }), attribute: name, label: "{key}", accepts: true, keys };
  return html`<div><p>${say("build.one_for_each", { what: label(name) })}</p>
    <fieldset><legend>${say("build.keys_from")}</legend>${sources.map((one) => html`<label key=${one} class="pick">
      <input type="radio" name="${id}-from" checked=${from === one} onChange=${() => setFrom(one)} /> ${say(`build.keys_${one}`)}${one === "list" && html` <span class="count">${listed(mine.slice(0, 5).map(String))}</span>`}</label>`)}</fieldset>
    <button type="button" disabled=${from === "list" && mine.length === 0} onClick=${() => add("one_per", part)}>${say("build.add_places")}</button></div>`;
}

function FreeChoice({ id, add }) {
  const [places, setPlaces] = useState("3");
  const number = /^\d{1,4}$/.test(places) && Number(places) > 0 ? Number(places) : null;
  return html`<div class="field"><label for="${id}-places">${say("build.how_many")}</label>
    <input id="${id}-places" inputmode="numeric" value=${places} aria-invalid=${number === null} onInput=${(event) => setPlaces(event.target.value)} />
    <p><button type="button" disabled=${number === null} onClick=${() => add("free_choice", { label: say("build.new_choice"), places: number, accepts: true })}>${say("build.add_places")}</button></p></div>`;
}

/** A term: those that my coins have ahead, any other by a search. */
function TermChoice({ id, attribute, label, chosen, choose }) {
  const [text, setText] = useState("");
  const { value: terms } = useLoaded(() => loadTermsOf(attribute.vocabulary, attribute.carried), [attribute.name]);
  const { value: counts } = useLoaded(() => loadCounts(attribute.name), [attribute.name]);
  const behind = new Map((counts?.values ?? []).map((entry) => [String(entry.value), entry.with_narrower ?? entry.coins]));
  const usual = [...behind.keys()].filter((value) => behind.get(value) > 0 && terms?.terms.has(value)).slice(0, 8);
  const named = (value) => ({ id: value, label: terms?.terms.get(value)?.label ?? value });
  return html`<div class="field"><label for=${id}>${label}</label>
    <${TermPicker} id=${id} terms=${terms} text=${text} counts=${behind} typed=${setText} picked=${(term) => {
      choose(term);
      setText(term.label);
    }} />
    ${usual.length > 0 && html`<div class="buttons" role="group" aria-label=${say("build.most_used")}>${usual.map((value) => html`<button key=${value} type="button" class="plain"
      aria-pressed=${chosen?.id === value} onClick=${() => choose(named(value))}>${named(value).label} <span class="count">${say("count.coins", { n: behind.get(value) })}</span></button>`)}</div>`}
  </div>`;
}

/** A page of another set of mine. */
function PageChoice({ id, chosen, choose }) {
  const [set, setSet] = useState("");
  const { value: sets } = useLoaded(() => all("/v1/definitions"), []);
  const { value: from } = useLoaded(async () => (set === "" ? null : (await get(`/v1/definitions/${set}`)).data.document), [set]);
  const pages = [...(from?.layout ?? []).map(({ page }, at) => ({ at, page })), { at: null, page: say("album.other_page") }];
  return html`<div class="field"><label for="${id}-set">${say("build.which_set")}</label>
    <select id="${id}-set" value=${set} onChange=${(event) => setSet(event.target.value)}><option value="">${say("build.choose")}</option>
      ${(sets ?? []).map(({ id: one, title }) => html`<option key=${one} value=${one}>${title}</option>`)}</select>
    ${from && html`<fieldset><legend>${say("build.which_page")}</legend>${pages.map(({ at, page }) => html`<label key=${String(at)} class="pick">
      <input type="radio" name="${id}-page" checked=${chosen !== undefined && chosen.page === at} onChange=${() => choose({ from, page: at })} /> ${page}</label>`)}</fieldset>`}</div>`;
}

function FromTemplate({ id, attributes, document, change }) {
  const [name, setName] = useState(TEMPLATES[0].id);
  const [chosen, setChosen] = useState({});
  const template = TEMPLATES.find((one) => one.id === name) ?? TEMPLATES[0];
  const { value: years } = useLoaded(() => (name === "decades" ? loadCounts("year_on_coin") : null), [name]);
  const put = (more) => setChosen({ ...chosen, ...more });
  const ready = template.optional || template.asks.every((what) => (what === "page" ? chosen.page !== undefined : chosen[what] !== undefined));
  const make = () => {
    const mine = (years?.values ?? []).filter(({ value, coins }) => typeof value === "number" && coins > 0).map(({ value }) => value);
    change(template.make(document, { ...chosen, ...(chosen.page ?? {}), decades: decadesOf(mine, new Date().getFullYear()) }, say));
  };
  return html`<div><fieldset><legend>${say("build.which_template")}</legend>
    ${TEMPLATES.map((one) => html`<label key=${one.id} class="pick"><input type="radio" name="${id}-template" checked=${one.id === name} onChange=${() => {
      setName(one.id);
      setChosen({});
    }} /> ${say(`template.${one.id}`)}</label>`)}</fieldset>
    ${template.asks.includes("issuer") && html`<${TermChoice} key="${name}-issuer" id="${id}-issuer" attribute=${attributes.get("issuer")} label=${say("build.which_issuer")} chosen=${chosen.issuer} choose=${(issuer) => put({ issuer })} />`}
    ${template.asks.includes("motif") && html`<${TermChoice} key="motif" id="${id}-motif" attribute=${attributes.get("main_motifs")} label=${say("build.which_motif")} chosen=${chosen.motif} choose=${(motif) => put({ motif })} />`}
    ${template.asks.includes("page") && html`<${PageChoice} id="${id}-copied" chosen=${chosen.page} choose=${(page) => put({ page })} />`}
    ${(chosen.issuer ?? chosen.motif) && html`<p>${say("build.chosen", { what: (chosen.issuer ?? chosen.motif).label })}</p>`}
    <button type="button" disabled=${!ready} onClick=${make}>${say("build.add_places")}</button></div>`;
}

/**
 * @param {{id: string, document: object, attributes: Map<string, object>, change: (document: object, id?: string | null) => void, page: number | null}} of
 *   `change` is told the id of the place to show, null: none; `page`: on which page places are put
 */
export function DraftStarts({ id, document, attributes, change, page }) {
  const [way, setWay] = useState("");
  const add = (kind, part) => {
    const made = withPart(document, kind, part, page);
    setWay("");
    change(made.document, made.id);
  };
  const chosen = (one) => (one === "blank" ? add("slots", { label: say("build.new_place"), accepts: true }) : setWay(way === one ? "" : one));
  const forms = { coin: FromCoin, one_per: OnePer, free_choice: FreeChoice };
  const Shown = forms[way];
  return html`<section class="starts" aria-label=${say("build.add")}>
    <h3>${say("build.add")}</h3>
    <p class="buttons">${WAYS.map((one) => html`<button key=${one} type="button" class="plain" aria-expanded=${one === "blank" ? undefined : way === one} onClick=${() => chosen(one)}>${say(`start.${one}`)}</button>`)}</p>
    ${Shown && html`<div class="panel"><${Shown} id=${id} attributes=${attributes} add=${add} /></div>`}
    ${way === "template" && html`<div class="panel"><${FromTemplate} id=${id} attributes=${attributes} document=${document} change=${(made) => {
      setWay("");
      change(made, null);
    }} /></div>`}
  </section>`;
}
