// What a draft says beside its places: which coin is the better one, what is presumed, rules over several places.
import { inOrder, listed, say } from "../kept/words.js";
import { PREFERENCE_KINDS, RULE_KINDS, changedAt, newRule, preferenceKind, suitsPreference } from "../sheet/draft-rules.js";
import { entriesOf, listAt, valueAt, withoutMember } from "../sheet/draft.js";
import { waysOf } from "../sheet/fact-draft.js";
import { listedTerms } from "../sheet/own-facts.js";
import { factInWords } from "./clauses.js";
import { labelsOf, loadTerms, loadTermsOf, useLoaded } from "./data.js";
import { Adding, Facts, Items, Values, Where, addTo, idOf } from "./draft-items.js";
import { FactField } from "./fact-field.js";
import { html, useState } from "./html.js";
import { Select } from "./select.js";
import { TextField } from "./text-field.js";

/** @typedef {import("./draft-items.js").Work} Work */

const anyFact = () => true;
const named = (part) => part.label || part.id;

// --- preferences

/** Which of two coins that fit is the better one: of the whole set, or of one place. @param {{work: Work, pointer: string}} of */
export function Preferences({ work, pointer }) {
  const { attributes } = work;
  const label = labelsOf(attributes);
  const names = listAt(work.document, pointer).map(({ order }) => order).filter((name) => name !== undefined);
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, names.join()], { keeps: true });
  const words = (item, here) => {
    const kind = preferenceKind(item);
    if (kind === "where") return say("prefer.says_where", { rule: work.textAt(`${here}/where`) });
    const values = (item.values ?? []).map((value) => terms?.get(item.order)?.get(value) ?? value);
    return say(`prefer.says_${kind}`, { what: label(item[kind]), values: listed(values) });
  };
  const add = (kind, name) => addTo(work, pointer, kind === "where" ? { where: true } : { [kind]: name, ...(kind === "order" ? { values: listedTerms(attributes.get(name)) } : {}) });
  const kinds = PREFERENCE_KINDS.map((key) => ({ key, text: say(`prefer.add_${key}`), fit: key === "where" ? undefined : (attribute) => suitsPreference(key, attribute) }));
  return html`<p class="hint">${say(pointer === "/prefer" ? "prefer.hint" : "prefer.hint_place")}</p>
    <${Items} work=${work} pointer=${pointer} words=${words} editor=${(item, here) => html`<${Preference} work=${work} item=${item} here=${here} />`} ordered />
    <${Adding} id="${idOf(pointer)}-add" label=${say("prefer.add")} kinds=${kinds} attributes=${attributes} add=${add} />`;
}

function Preference({ work, item, here }) {
  const kind = preferenceKind(item);
  if (kind === "where") return html`<${Where} work=${work} pointer="${here}/where" />`;
  const label = labelsOf(work.attributes);
  return html`<${Fact} work=${work} here=${here} kind=${kind} name=${item[kind]} called=${label} />
    ${kind === "order" && html`<${Ordered} work=${work} item=${item} here=${here} label=${label(item.order)} />`}`;
}

/** The fact that a preference is about, among those that suit it. */
function Fact({ work, here, kind, name, called }) {
  const options = [...work.attributes.values()].filter((one) => suitsPreference(kind, one) || one.name === name)
    .map((one) => /** @type {[string, string]} */ ([one.name, called(one.name)])).sort(([, one], [, other]) => inOrder(one, other));
  return html`<${Select} name="${idOf(here)}-fact" label=${say("prefer.fact")} options=${options} value=${name} change=${(next) => work.change(changedAt(work.document, here, { [kind]: next }))} />`;
}

function Ordered({ work, item, here, label }) {
  const attribute = work.attributes.get(item.order);
  const { value: terms } = useLoaded(() => (attribute?.vocabulary ? loadTermsOf(attribute.vocabulary, attribute.carried) : null), [item.order]);
  return html`<${Values} id="${idOf(here)}-value" label=${say("prefer.order_of", { what: label })} values=${item.values ?? []} terms=${terms}
    word=${(value) => terms?.terms.get(value)?.label ?? value} read=${(text) => text.trim() || undefined} change=${(values) => work.change(changedAt(work.document, here, { values }))} />`;
}

// --- presumptions

/** What holds of coins of which nobody wrote it down. @param {{work: Work}} of */
export function Presumptions({ work }) {
  const label = labelsOf(work.attributes);
  const names = listAt(work.document, "/presume").flatMap(({ facts }) => Object.keys(facts));
  const { value: terms } = useLoaded(() => loadTerms(work.attributes, names), [work.attributes, names.join()], { keeps: true });
  const words = ({ facts, where }, here) => {
    const told = Object.entries(facts).map(([name, value]) => say("build.condition_says", { what: label(name), value: factInWords(value, terms?.get(name)) }));
    const what = told.length === 0 ? say("presume.nothing_yet") : told.join("; ");
    return where === undefined ? what : say("presume.says_where", { what, rule: work.textAt(`${here}/where`) });
  };
  const add = (key) => addTo(work, `/${key}`, key === "presume" ? { facts: {} } : { where: true });
  const kinds = ["presume", "identify"].map((key) => ({ key, text: say(`presume.add_${key}`) }));
  return html`<p class="hint">${say("presume.hint")}</p>
    <${Items} work=${work} pointer="/presume" words=${words} editor=${(item, here) => html`<${Presumption} work=${work} item=${item} here=${here} label=${label} />`} />
    <${Items} work=${work} pointer="/identify" words=${(_, here) => say("presume.says_identify", { rule: work.textAt(`${here}/where`) })}
      editor=${(_, here) => html`<${Where} work=${work} pointer="${here}/where" />`} />
    <${Adding} id="presume-add" label=${say("presume.title")} kinds=${kinds} attributes=${work.attributes} add=${add} />`;
}

function Presumption({ work, item, here, label }) {
  // A field whose value cannot be read (yet) stays.
  const [names, setNames] = useState(Object.keys(item.facts));
  const put = (name, fact) => work.change((now) => {
    const { [name]: _, ...others } = valueAt(now, `${here}/facts`);
    return changedAt(now, here, { facts: fact === null || fact === undefined ? others : { ...others, [name]: fact } });
  });
  const without = (name) => {
    setNames(names.filter((one) => one !== name));
    put(name, null);
  };
  const known = names.filter((name) => work.attributes.has(name));
  return html`${known.map((name) => html`<div key=${name} class="presumed">
      <${FactField} id="${idOf(here)}-${name}" attribute=${work.attributes.get(name)} label=${label(name)} fact=${item.facts[name] ?? null} hint=${false}
        ways=${waysOf(work.attributes.get(name)).filter((way) => way !== "unknown")} change=${(fact) => put(name, fact)} />
      <p class="buttons small"><button type="button" class="plain" aria-label=${say("build.remove_what", { what: label(name) })} onClick=${() => without(name)}>${say("build.remove")}</button></p></div>`)}
    <${Adding} id="${idOf(here)}-add" label=${say("presume.facts")} kinds=${[{ key: "fact", text: say("presume.add_fact"), fit: ({ name }) => !names.includes(name) }]}
      attributes=${work.attributes} add=${(_, name) => setNames([...names, name])} />
    <${OnlyWhere} work=${work} here=${here} add=${say("presume.only_where")} drop=${say("presume.of_every")} />`;
}

/** A rule that may be left out. @param {{work: Work, here: string, add: string, drop: string, children?: unknown}} of `children`: in place of the form */
export function OnlyWhere({ work, here, add, drop, children }) {
  if (valueAt(work.document, `${here}/where`) === undefined) {
    return html`<p class="buttons small"><button type="button" class="plain" onClick=${() => {
      work.change((now) => changedAt(now, here, { where: true }));
      work.setFocus(here);
    }}>${add}</button></p>`;
  }
  return html`${children ?? html`<${Where} work=${work} pointer="${here}/where" />`}
    <p class="buttons small"><button type="button" class="plain" onClick=${() => work.change((now) => withoutMember(now, `${here}/where`))}>${drop}</button></p>`;
}

// --- rules over several places

/** @param {{work: Work}} of */
export function SetRules({ work }) {
  const { document, attributes } = work;
  const label = labelsOf(attributes);
  const called = new Map(entriesOf(document).map(({ part }) => [part.id, named(part)]));
  const name = (place) => called.get(place) ?? place;
  const words = (item, here) => {
    const by = listed([item.by ?? item.per ?? []].flat().map(label));
    const counted = item.where !== undefined;
    const what = say(`set_rule.says_${item.kind}${counted && item.kind === "at_most" ? "_where" : ""}`, {
      n: item.count ?? 0, what: by, place: name(item.place ?? ""), rule: counted ? work.textAt(`${here}/where`) : "",
    });
    const told = item.places === undefined ? what : say("set_rule.in_places", { what, places: listed(item.places.map(name)) });
    return item.label ? say("set_rule.labelled", { label: item.label, what: told }) : told;
  };
  const kinds = Object.entries(RULE_KINDS).flatMap(([key, { by }]) => [
    ...(by === undefined ? [] : [{ key, text: say(`set_rule.add_${key}`), fit: anyFact }]),
    ...(by === undefined || key === "at_most" ? [{ key: `${key} where`, text: say(`set_rule.add_${key}_where`) }] : []),
  ]);
  const add = (key, attribute) => addTo(work, "/constraints", newRule(document, key.split(" ")[0], attribute));
  return html`<p class="hint">${say("set_rule.hint")}</p>
    <${Items} work=${work} pointer="/constraints" words=${words} editor=${(item, here) => html`<${SetRule} work=${work} item=${item} here=${here} label=${label} name=${name} />`} />
    <${Adding} id="rule-add" label=${say("set_rule.add")} kinds=${kinds} attributes=${attributes} add=${add} />`;
}

/** What a rule compares or counts by, how many coins it speaks of, and which. @param {{work: Work, item: any, here: string, label: (name: string) => string, member: string}} of `member`: that has the attributes */
function Counted({ work, item, here, label, member }) {
  const id = idOf(here);
  const put = (more) => work.change((now) => changedAt(now, here, more));
  return html`${item[member] !== undefined && html`<${Facts} id="${id}-by" label=${say(`set_rule.${member}`)} names=${[item[member]].flat()} called=${label} attributes=${work.attributes} change=${(names) => put({ [member]: names })} />`}
    ${item.count !== undefined && html`<div class="field"><label for="${id}-count">${say("set_rule.count")}</label>
      <input id="${id}-count" inputmode="numeric" value=${item.count} onInput=${(event) => /^\d{1,4}$/.test(event.target.value) && put({ count: Number(event.target.value) })} /></div>`}
    ${item.where !== undefined && html`<h4>${say("set_rule.which_coins")}</h4><${Where} work=${work} pointer="${here}/where" />`}`;
}

function SetRule({ work, item, here, label, name }) {
  const { by: member, needsPlaces } = RULE_KINDS[item.kind];
  const id = idOf(here);
  const put = (more) => work.change((now) => changedAt(now, here, more));
  const parts = entriesOf(work.document).map(({ part }) => part);
  const places = item.places ?? [];
  const toggled = (place) => {
    const now = places.includes(place) ? places.filter((one) => one !== place) : [...places, place];
    put({ places: now.length === 0 && !needsPlaces ? null : now });
  };
  // A place of a group has an address of its own, which a rule may name.
  const offered = [...parts.map((part) => part.id), ...places.filter((place) => !parts.some((part) => part.id === place))];
  return html`<${TextField} id="${id}-label" label=${say("set_rule.label")} value=${item.label} change=${(text) => put({ label: text === "" ? null : text })} />
    <${Counted} work=${work} item=${item} here=${here} label=${label} member=${member} />
    ${item.place !== undefined && html`<${Select} name="${id}-place" label=${say("set_rule.place")} options=${(work.document.slots ?? []).map((part) => [part.id, named(part)])} value=${item.place} change=${(place) => put({ place })} />`}
    <fieldset class="values"><legend>${say(needsPlaces ? "set_rule.places" : "set_rule.places_or_all")}</legend>
      ${offered.map((place) => html`<label key=${place} class="pick"><input type="checkbox" checked=${places.includes(place)} onChange=${() => toggled(place)} /> ${name(place)}</label>`)}</fieldset>
    <${TextField} id="${id}-note" label=${say("set_rule.note")} value=${item.note} many change=${(text) => put({ note: text === "" ? null : text })} />`;
}

// --- rules of a free choice

/**
 * What the coins of a free choice must differ in, and how many of them may be alike. @param {{work: Work, choice: any, here: string}} of
 * `here`: the pointer of the choice
 */
export function ChoiceRules({ work, choice, here }) {
  const label = labelsOf(work.attributes);
  const put = (more) => work.change((now) => changedAt(now, here, more));
  const distinct = choice.distinct ?? [];
  const pointer = `${here}/at_most`;
  const words = ({ per, where, count }, at) => (where === undefined
    ? say("set_rule.says_at_most", { n: count, what: listed([per].flat().map(label)) })
    : say("set_rule.says_at_most_where", { n: count, rule: work.textAt(`${at}/where`) }));
  const kinds = [
    ...(distinct.length === 0 ? [{ key: "distinct", text: say("set_rule.add_different"), fit: anyFact }] : []),
    { key: "per", text: say("set_rule.add_at_most"), fit: anyFact },
    { key: "where", text: say("set_rule.add_at_most_where") },
  ];
  const add = (key, attribute) => {
    if (key === "distinct") put({ distinct: [attribute] });
    else addTo(work, pointer, { ...(key === "per" ? { per: attribute } : { where: true }), count: 1 });
  };
  return html`<p class="hint">${say("choice_rule.hint")}</p>
    ${distinct.length > 0 && html`<${Facts} id="${idOf(here)}-distinct" label=${say("choice_rule.distinct")} names=${distinct} called=${label} attributes=${work.attributes} change=${(names) => put({ distinct: names })} />
      <p class="buttons small"><button type="button" class="plain" onClick=${() => put({ distinct: null })}>${say("choice_rule.may_be_alike")}</button></p>`}
    <${Items} work=${work} pointer=${pointer} words=${words} editor=${(item, at) => html`<${Counted} work=${work} item=${item} here=${at} label=${label} member="per" />`} />
    <${Adding} id="${idOf(here)}-choice-add" label=${say("set_rule.add")} kinds=${kinds} attributes=${work.attributes} add=${add} />`;
}
