// The dealer's table: "do I need this?", from what this browser keeps, with a network and without.
import { answersKept, askAgain, forgetSince, keepAnswer, toldAgain } from "../kept/answers.js";
import { send } from "../kept/api.js";
import { keep, kept } from "../kept/database.js";
import { createCoin } from "../kept/edits.js";
import { keptSheets, onSheets, renewSheets } from "../kept/need-sheets.js";
import { unsentCoins } from "../kept/said.js";
import { device } from "../kept/sending.js";
import { isKeptForGood } from "../kept/storage.js";
import { date, inSentence, listed, number, say } from "../kept/words.js";
import { AnswerLine, AnswerSign, answerText, answerWord, byWelcome, placeLabels } from "../parts/answer.js";
import { factInWords } from "../parts/clauses.js";
import { loadTermsOf, useLoaded } from "../parts/data.js";
import { FactField } from "../parts/fact-field.js";
import { html, useEffect, useMemo, useRef, useState } from "../parts/html.js";
import { coinName } from "../parts/place.js";
import { Title } from "../parts/title.js";
import { Trouble, troubleOf } from "../parts/trouble.js";
import { SaveUnsent, useWaiting } from "../parts/unsent.js";
import * as again from "../sheet/asked-again.js";
import { effects, waysIn } from "../sheet/effect.js";
import { askedFacts, openPlaces } from "../sheet/open-places.js";
import { termsOf } from "../sheet/terms.js";
import { bestFor, moneyOf } from "../sheet/tray.js";

const TRAY = "table-tray";
const SEEN = "table-seen";
const ABOUT = "table-about";
const MOST_SEEN = 100;
// Answers that nobody had time to read are not kept.
const READ_MS = 900;
const EMPTY = { currency: "EUR", dealer: "", budget: "" };
let made = 0;
const newCoin = () => ({ key: `${Date.now()}-${(made += 1)}`, facts: {}, price: "", number: "" });

/** The terms of an attribute of the sheets: of its vocabulary with all their names, and those that the sheets alone have. */
async function termsFor(document, attribute) {
  const told = document.vocabularies[attribute.vocabulary];
  if (told === undefined) return null;
  const plain = Object.entries(told.terms).map(([id, label]) => ({ id, label, alternative_labels: [], abbreviations: [], names: [], note: "", broader: [] }));
  const full = await loadTermsOf(told.name).catch(() => null);
  if (full !== null && plain.every(({ id }) => full.terms.has(id))) return full;
  return termsOf(told.name, plain);
}

async function allTerms(document) {
  const found = new Map();
  const { first, others } = askedFacts(document);
  for (const attribute of [...first, ...others]) if (attribute.vocabulary !== null) found.set(attribute.name, await termsFor(document, attribute));
  return found;
}

/** Something that this browser keeps, as a state of the view. */
function useKept(key, first) {
  const [value, set] = useState(null);
  useEffect(() => {
    kept(key).then((found) => set(found ?? first));
  }, []);
  const change = (now) => {
    set(now);
    keep(key, now);
  };
  return [value ?? first, change];
}

export function Table() {
  const before = useRef(null);
  // What did not change is the same object, and is not worked out anew.
  const load = async () => {
    const found = (await keptSheets()) ?? "none";
    const isSame = ["etag", "language"].every((name) => before.current?.[name] && before.current[name] === found[name]);
    if (found !== "none" && isSame) found.document = before.current.document;
    before.current = found;
    return found;
  };
  const { value: sheets, again: read } = useLoaded(load, [], { keeps: true });
  const [error, setError] = useState(null);
  useEffect(() => onSheets(read), []);
  const renew = () => renewSheets().then(() => setError(null), setError);
  useEffect(() => {
    renew();
  }, []);
  if (sheets === null || sheets === "none") {
    return html`<${Title} text=${say("table.title")} /><${Trouble} error=${sheets === "none" ? error : null} again=${renew} />
      ${(sheets === null || error === null) && html`<p role="status">${say("app.loading")}</p>`}
      ${sheets === "none" && error !== null && html`<p>${say("table.no_sheets")}</p>`}`;
  }
  return html`<${Title} text=${say("table.title")} />
    <p class="hint">${say("table.since", { when: date(sheets.fetched) })} ${error !== null && (error.status === 0 ? say("table.offline") : troubleOf(error))}</p>
    <${Keeping} />
    ${sheets.document.sets.length === 0 ? html`<p>${say("home.none")}</p>` : html`<${AtTheTable} document=${sheets.document} fetched=${sheets.fetched} isReached=${error === null} />`}`;
}

/** What the browser may remove, and what is not at the service yet. */
function Keeping() {
  const waiting = useWaiting();
  const { value: isKept } = useLoaded(isKeptForGood, []);
  if (waiting === null || waiting.unsent === 0) return null;
  return html`<div class="notice"><p>${say("unsent.what", { n: waiting.unsent })} ${isKept === false && say("table.may_be_removed")}</p>
    <p class="buttons"><${SaveUnsent} /></p></div>`;
}

function AtTheTable({ document, fetched, isReached }) {
  const [coin, setCoin] = useState(newCoin);
  const [tray, setTray] = useKept(TRAY, []);
  const [seen, setSeen] = useKept(SEEN, []);
  const [about, setAbout] = useKept(ABOUT, EMPTY);
  const [done, setDone] = useState("");
  const [failed, setFailed] = useState(null);
  const { value: unsent, again: readUnsent } = useLoaded(unsentCoins, [fetched], { keeps: true });
  useEffect(() => device.watch(readUnsent), [fetched]);
  const { value: terms } = useLoaded(() => allTerms(document), [document], { keeps: true });
  const asked = useMemo(() => askedFacts(document), [document]);
  const words = useMemo(() => wordsFor(document, terms), [document, terms]);
  const facts = useMemo(() => Object.fromEntries(Object.entries(coin.facts).filter(([, fact]) => fact !== undefined && fact !== null)), [coin.facts]);
  const isEmpty = Object.keys(facts).length === 0;
  const answers = useMemo(() => (isEmpty || unsent === null ? [] : effects(document, facts, unsent)), [document, facts, unsent]);
  const entry = useMemo(() => entryOf(document, facts, answers, words), [answers]);
  useEffect(() => {
    if (isEmpty) return undefined;
    const timer = setTimeout(() => keepAnswer(entry), READ_MS);
    return () => clearTimeout(timer);
  }, [entry]);
  const price = moneyOf(coin.price);
  const put = (more) => {
    setDone("");
    setCoin((before) => ({ ...before, ...more }));
  };
  const record = (name) => (fact) => {
    setDone("");
    setCoin((before) => ({ ...before, facts: { ...before.facts, [name]: fact } }));
  };
  const next = (text) => {
    setDone(text);
    setCoin(newCoin());
  };
  const bought = async (one) => {
    setFailed(null);
    try {
      await createCoin(asBought(one, about));
    } catch (trouble) {
      setFailed(trouble);
      return;
    }
    await readUnsent();
    setTray(tray.filter((other) => other.key !== one.key));
    if (one.key === coin.key) next(say("table.was_bought", { what: words.coin(one.facts) }));
    else setDone(say("table.was_bought", { what: words.coin(one.facts) }));
  };
  const only = (list, set, text, most = Infinity) => {
    keepAnswer(entry);
    set([...list, { ...coin, facts, at: new Date().toISOString(), dealer: about.dealer, currency: about.currency }].slice(-most));
    next(say(text, { what: words.coin(facts) }));
  };
  const issuer = typeof facts.issuer === "string" ? facts.issuer : undefined;
  const field = (attribute) => html`<${FactField} key=${`${coin.key} ${attribute.name}`} id="fact-${attribute.name}" attribute=${attribute}
    label=${words.label(attribute.name)} change=${record(attribute.name)} terms=${terms?.get(attribute.name) ?? null} issuer=${issuer} />`;
  return html`<div class="dealer">
    <section class="hand" aria-labelledby="hand"><h2 id="hand">${say("table.hand")}</h2>
      ${asked.first.map(field)}
      ${asked.others.length > 0 && html`<details><summary>${say("table.more_facts")}</summary>${asked.others.map(field)}</details>`}
      <p class="buttons"><button type="button" class="plain" onClick=${() => next("")}>${say("table.another")}</button></p>
    </section>
    <section class="said" aria-labelledby="said"><h2 id="said">${say("table.said")}</h2>
      <p class="summary-line" aria-live="polite">${done !== "" ? done : isEmpty ? say("table.type") : summaryOf(answers, words)}</p>
      <${Answers} document=${document} facts=${facts} answers=${answers} words=${words} isReached=${isReached} />
      <${Trouble} error=${failed} />
      <fieldset class="deal"><legend>${say("table.deal")}</legend>
        <div class="row">
          <${Text} id="price" label=${say("table.price")} value=${coin.price} change=${(text) => put({ price: text })} inputmode="decimal" bad=${coin.price !== "" && price === undefined && say("fact_field.wrong_number")} />
          <${Text} id="currency" label=${say("table.currency")} value=${about.currency} change=${(text) => setAbout({ ...about, currency: text.toUpperCase() })} bad=${!/^[A-Z]{3}$/.test(about.currency) && say("table.three_letters")} />
          <${Text} id="number" label=${say("table.number")} value=${coin.number} change=${(text) => put({ number: text })} />
          <${Text} id="dealer" label=${say("own.bought_from")} value=${about.dealer} change=${(text) => setAbout({ ...about, dealer: text })} />
        </div>
        <p class="buttons">
          <button type="button" disabled=${isEmpty} onClick=${() => keepAnswer(entry).then(() => bought({ ...coin, facts }))}>${say("table.bought")}</button>
          <button type="button" class="plain" disabled=${isEmpty} onClick=${() => only(tray, setTray, "table.in_tray")}>${say("table.consider")}</button>
          <button type="button" class="plain" disabled=${isEmpty} onClick=${() => only(seen, setSeen, "table.was_seen", MOST_SEEN)}>${say("table.seen")}</button>
        </p>
      </fieldset>
    </section>
    <div class="beside">
      <${Tray} document=${document} tray=${tray} setTray=${setTray} unsent=${unsent ?? []} about=${about} setAbout=${setAbout} words=${words} bought=${bought} />
      <${Wanted} document=${document} />
      <${SeenList} seen=${seen} setSeen=${setSeen} words=${words} />
      <${AskedAgain} fetched=${fetched} words=${words} />
    </div>
  </div>`;
}

/** How the sheets call things. */
function wordsFor(document, terms) {
  const attributes = new Map(document.sets.flatMap((sheet) => sheet.attributes.map((one) => [one.name, one])));
  const named = Object.assign({}, ...document.sets.map((sheet) => sheet.named));
  const labels = new Map([...(terms ?? [])].map(([name, of]) => [name, new Map([...(of?.terms ?? [])].map(([id, { label }]) => [id, label]))]));
  const places = new Map(document.sets.map((sheet) => [sheet.definition.id, placeLabels(sheet)]));
  const label = (name) => inSentence(attributes.get(name)?.label ?? name.replaceAll("_", " "));
  return {
    label,
    lookAt: (name) => attributes.get(name)?.look_at ?? "",
    coinOf: (holding) => coinName(named[holding] ?? null),
    labelIn: (set) => (place) => places.get(set)?.get(place) ?? place,
    coin(facts) {
      const first = ["year_on_coin", "denomination", "issuer"].filter((name) => facts[name] !== undefined);
      const shown = first.length > 0 ? first : Object.keys(facts).slice(0, 3);
      return shown.length === 0 ? say("coin.without_name") : shown.map((name) => factInWords(facts[name], labels.get(name))).join(" ");
    },
  };
}

const textOf = (answer, words) => answerText(answer, { ...words, labelOf: words.labelIn(answer.set) });

/** The best of the answers in one sentence, for whoever hears it. */
function summaryOf(answers, words) {
  const [best, ...others] = [...answers].sort(byWelcome);
  const told = say("table.best", { word: answerWord(best), set: best.title, text: textOf(best, words) });
  return others.length === 0 ? told : `${told} ${say("table.others", { n: others.length, words: listed([...new Set(others.map((one) => inSentence(answerWord(one))))]) })}`;
}

/** An answer with its stamps, to be asked again. */
function entryOf(document, facts, answers, words) {
  const sheets = new Map(document.sets.map((sheet) => [sheet.definition.id, sheet]));
  const sets = answers.map((said) => {
    const named = [...said.places, said.at, said.betters?.place, said.closest?.place, ...said.fits.slice(0, 3)].filter(Boolean);
    const labels = Object.fromEntries(named.map((place) => [place, words.labelIn(said.set)(place)]));
    return { said, stamps: again.stampsOf(sheets.get(said.set)), labels };
  });
  return { at: new Date().toISOString(), what: words.coin(facts), facts, sets };
}

function asBought({ facts, price, number: own }, { currency, dealer }) {
  const paid = moneyOf(price);
  return {
    facts,
    number: own.trim() === "" ? null : own.trim(),
    bought_on: new Date().toLocaleDateString("sv"),
    bought_from: dealer.trim() === "" ? null : dealer.trim(),
    price_paid: paid === undefined || !/^[A-Z]{3}$/.test(currency) ? null : { amount: paid / 1000, currency },
  };
}

function Text({ id, label, value, change, inputmode, bad = "" }) {
  return html`<div class="field"><label for="table-${id}">${label}</label>
    <input id="table-${id}" type="text" value=${value} inputmode=${inputmode} autocomplete="off" spellcheck=${false} aria-invalid=${Boolean(bad)}
      aria-describedby=${bad ? `table-${id}-wrong` : undefined} onInput=${(event) => change(event.target.value)} />
    ${bad && html`<p class="wrong" id="table-${id}-wrong">${bad}</p>`}
  </div>`;
}

/** The answers, set by set; what only the service can tell is asked of it where it can be reached. */
function Answers({ document, facts, answers, words, isReached }) {
  const [online, setOnline] = useState({ facts: null, told: new Map() });
  const latest = useRef(facts);
  latest.current = facts;
  const wanted = answers.filter(({ effect, because }) => effect === "ask" && because !== "unsent").map(({ set }) => set);
  useEffect(() => {
    if (wanted.length === 0 || !isReached) return undefined;
    const timer = setTimeout(async () => {
      const asked = { coins: [{ id: "~", facts }], definitions: wanted, today: document.evaluated_on };
      const told = await send("POST", "/v1/candidates", asked).catch(() => null);
      if (told !== null && latest.current === facts) setOnline({ facts, told: new Map(told.sets.map((set) => [set.definition.id, set.candidates[0].message])) });
    }, READ_MS);
    return () => clearTimeout(timer);
  }, [facts, isReached]);
  const ordered = [...answers].sort(byWelcome);
  return html`<ul class="answers">${ordered.map((answer) => html`<${AnswerLine} key=${answer.set} answer=${answer} text=${textOf(answer, words)}
    online=${online.facts === facts ? online.told.get(answer.set) : undefined} />`)}</ul>`;
}

// --- beside -------------------------------------------------------------------------------------------------------------------

function Tray({ document, tray, setTray, unsent, about, setAbout, words, bought }) {
  const judged = useMemo(() => tray.map((one) => ({ ...one, answers: effects(document, one.facts, unsent) })), [document, tray, unsent]);
  const budget = moneyOf(about.budget);
  const choice = useMemo(() => {
    if (budget === undefined) return null;
    const sheets = new Map(document.sets.map((sheet) => [sheet.definition.id, sheet]));
    const priced = judged.filter(({ price }) => moneyOf(price) !== undefined).map(({ key, price, answers }) => {
      const ways = answers.map((answer) => [answer.set, waysIn(sheets.get(answer.set), answer)]).filter(([, found]) => found.length > 0);
      return { id: key, price: moneyOf(price), sets: Object.fromEntries(ways) };
    });
    return bestFor(priced, budget);
  }, [judged, budget]);
  const unpriced = tray.filter(({ price }) => moneyOf(price) === undefined).length;
  const unasked = judged.filter(({ answers }) => answers.some(({ effect }) => effect === "ask")).length;
  return html`<section class="panel tray" aria-labelledby="tray"><h2 id="tray">${say("table.tray")}</h2>
    ${tray.length === 0 ? html`<p class="hint">${say("table.tray_empty")}</p>` : html`
      <ul class="answers">${judged.map((one) => {
        const [best] = [...one.answers].sort(byWelcome);
        return html`<li key=${one.key} class="answer ${best?.effect ?? "outside"}"><${AnswerSign} effect=${best?.effect ?? "outside"} />
          <span><span class="word">${words.coin(one.facts)}</span> ${one.price !== "" && html`<span class="of">${one.price} ${one.currency}</span>`}<br />
            ${best && say("table.best", { word: answerWord(best), set: best.title, text: textOf(best, words) })}
            <span class="buttons"><button type="button" onClick=${() => bought(one)}>${say("table.buy_this", { what: words.coin(one.facts) })}</button>
            <button type="button" class="plain" onClick=${() => setTray(tray.filter((other) => other.key !== one.key))}>${say("table.put_back", { what: words.coin(one.facts) })}</button></span></span>
        </li>`;
      })}</ul>
      <${Text} id="budget" label=${say("table.budget")} value=${about.budget} inputmode="decimal" change=${(text) => setAbout({ ...about, budget: text })}
        bad=${about.budget !== "" && budget === undefined && say("fact_field.wrong_number")} />
      <div role="status">${choice !== null && html`<p>${choiceWords(choice, tray, words, about.currency)}</p>
        ${unpriced > 0 && html`<p class="hint">${say("table.without_price", { n: unpriced })}</p>`}
        ${unasked > 0 && html`<p class="hint">${say("table.not_counted", { n: unasked })}</p>`}`}</div>
      <p class="hint">${say("table.no_valuation")}</p>`}
  </section>`;
}

function choiceWords({ buy, cost, places, atLeast, proven }, tray, words, currency) {
  if (buy.length === 0) return say("table.buy_none");
  const what = listed(buy.map((key) => words.coin(tray.find((one) => one.key === key).facts)));
  const told = { what, cost: number(cost / 1000), currency, gain: say(atLeast ? "table.gain_at_least" : "table.gain", { n: places }) };
  return `${say("table.buy", told)}${proven ? "" : ` ${say("table.not_proven")}`}`;
}

/** What is still wanted, set by set. */
function Wanted({ document }) {
  const sets = useMemo(() => openPlaces(document), [document]);
  const [open, setOpen] = useState(new Set());
  const toggled = (set) => (event) => {
    const isOpen = event.target.open;
    setOpen((before) => new Set(isOpen ? [...before, set] : [...before].filter((one) => one !== set)));
  };
  return html`<section class="panel" aria-labelledby="wanted"><h2 id="wanted">${say("table.wanted")}</h2>
    ${sets.length === 0 && html`<p>${say("table.nothing_wanted")}</p>`}
    ${sets.map(({ set, title, places }) => html`<details key=${set} onToggle=${toggled(set)}>
      <summary>${title} <span class="count">${say("count.places", { n: places.length })}</span></summary>
      ${open.has(set) && html`<ul class="wanted">${places.map((place) => html`<li key=${place.place}>${place.label}
        <span class="of">${listed(place.clauses.map(({ needs }) => needs).filter((needs) => needs !== ""))}</span></li>`)}</ul>`}
    </details>`)}
  </section>`;
}

function SeenList({ seen, setSeen, words }) {
  if (seen.length === 0) return null;
  return html`<section class="panel" aria-labelledby="seen"><h2 id="seen">${say("table.seen_title")}</h2>
    <ul class="wanted">${[...seen].reverse().map((one) => html`<li key=${one.at}>${words.coin(one.facts)}
      <span class="of">${[one.price && `${one.price} ${one.currency}`, one.dealer, date(one.at)].filter(Boolean).join(", ")}</span>
      <button type="button" class="plain" onClick=${() => setSeen(seen.filter((other) => other.at !== one.at))}>${say("table.forget", { what: words.coin(one.facts) })}</button></li>`)}</ul>
  </section>`;
}

/** Answers that were given without the service, asked again of it. */
function AskedAgain({ fetched, words }) {
  const { value: told, again: read } = useLoaded(toldAgain, [], { keeps: true });
  const { value: waiting, again: count } = useLoaded(answersKept, [fetched], { keeps: true });
  useEffect(() => {
    askAgain(again).catch(() => null).then(() => Promise.all([read(), count()]));
  }, [fetched]);
  if (told === null || (told.asked === 0 && !waiting)) return null;
  const line = (one, key) => html`<li key=${one.at + one.title}>${say(key, {
    when: date(one.at), what: one.what, set: one.title, now: one.now,
    word: inSentence(answerWord(one.said)), text: answerText(one.said, { ...words, labelOf: (place) => one.labels[place] ?? place }),
  })}</li>`;
  return html`<section class="panel again" aria-labelledby="again"><h2 id="again">${say("table.again")}</h2>
    <p role="status">${say("table.again_count", { n: told.asked })} ${told.wrongs === 0 ? say("table.none_wrong") : say("table.wrong", { n: told.wrongs })}</p>
    ${told.wrong.length > 0 && html`<ul class="messages">${told.wrong.map((one) => line(one, "table.wrong_line"))}</ul>`}
    ${told.since.length > 0 && html`<h3>${say("table.since_then")}</h3><ul class="wanted">${told.since.map((one) => line(one, "table.since_line"))}</ul>
      <p class="buttons"><button type="button" class="plain" onClick=${() => forgetSince().then(read)}>${say("table.read")}</button></p>`}
    ${waiting > 0 && html`<p class="hint">${say("table.waiting", { n: waiting })}</p>`}
  </section>`;
}
