// The facts of a coin and what its owner notes of it, in one form: first what settles most, the rest by group.
import { say } from "../kept/words.js";
import { grouped, valueOf } from "../sheet/coins.js";
import { FactField } from "./fact-field.js";
import { Form } from "./form.js";
import { html, useState } from "./html.js";
import { OwnFields } from "./own-fields.js";
import { Weighed } from "./weighed.js";

/** The attribute of a fact that nobody declared: what its value is. */
const undeclared = (name, value) => ({
  name,
  type: { number: "decimal", boolean: "boolean" }[typeof value] ?? "text",
  many: Array.isArray(value),
  values: [],
  vocabulary: null,
});

const same = (one, other) => JSON.stringify(one ?? null) === JSON.stringify(other ?? null);

/** What was typed, without what is recorded already. */
const differing = (typed, recorded) => Object.fromEntries(Object.entries(typed).filter(([name, value]) => value === undefined || !same(value, recorded[name])));

/** What is recorded with what was typed over it. */
const over = (recorded, typed) => Object.fromEntries(Object.entries({ ...recorded, ...typed }).filter(([, value]) => value !== null && value !== undefined));

/**
 * @param {{coin: object, first: string[], attributes: Map<string, object>, label: (name: string) => string, second?: {label: string,
 *   name: string}, submit: (typed: {facts: object, own: object, whole: object}, button: string) => Promise<void>, changed?: (is: boolean) => void,
 *   open?: boolean}} of
 *   `coin`: what is recorded, or what a new one begins with; `first`: the facts ahead of the others; `submit` is given what differs,
 *   null for what is taken away, and `whole`, the coin as it is then; `changed` is told whether something was typed; `open`: the owner's notes are shown
 */
export function CoinForm({ coin, first, attributes, label, second, submit, changed, open = false }) {
  const [facts, setFacts] = useState({});
  const [own, setOwn] = useState({});
  const [shown, setShown] = useState(new Set());
  const typedFacts = differing(facts, coin.facts);
  const typedOwn = differing(own, coin);
  const n = Object.keys(typedFacts).length + Object.keys(typedOwn).length;
  const now = { ...over(coin, typedOwn), facts: over(coin.facts, typedFacts) };
  const told = (more) => changed?.(more);
  const putFact = (name) => (fact) => {
    setFacts((before) => ({ ...before, [name]: fact }));
    told(true);
  };
  const putOwn = (name, value) => {
    setOwn((before) => ({ ...before, [name]: value }));
    told(true);
  };
  const sent = async (_, button) => {
    if ([...Object.values(typedFacts), ...Object.values(typedOwn)].includes(undefined)) {
      throw Object.assign(new Error(say("coin_form.unreadable")), { status: -1, errors: [] });
    }
    await submit({ facts: typedFacts, own: typedOwn, whole: now }, button);
  };
  const field = (name) => html`<${FactField} key=${name} id="fact-${name.replace(/[^\w-]/g, "_")}" attribute=${attributes.get(name) ?? undeclared(name, coin.facts[name])} label=${label(name)}
    fact=${facts[name] ?? coin.facts[name]} change=${putFact(name)} issuer=${typeof now.facts.issuer === "string" ? now.facts.issuer : undefined} />`;
  const names = [...new Set([...attributes.keys(), ...Object.keys(coin.facts)])];
  const toggled = (key) => (event) => event.target.open && setShown((before) => new Set(before).add(key));
  return html`<${Form} submit=${sent} label=${say("looked.record")} second=${second}>
    <section><h2>${say("coin.first")}</h2>${first.map(field)}<${Weighed} coin=${now} label=${label} /></section>
    ${grouped(names, new Set(first)).map((group) => {
      const recorded = group.names.filter((name) => valueOf(coin, name) !== undefined).length;
      return html`<details class="panel" key=${group.key} onToggle=${toggled(group.key)}>
        <summary>${say(`coin.group_${group.key}`)} <span class="count">${say("coin.recorded", { n: recorded })}</span></summary>
        ${shown.has(group.key) && group.names.map(field)}</details>`;
    })}
    <details class="panel own" open=${open}><summary>${say("coin.own")}</summary><${OwnFields} own=${now} put=${putOwn} /></details>
    <p class="hint unsaved" role="status">${n === 0 ? "" : say("coin_form.unsaved", { n })}</p>
  </${Form}>`;
}
