// The keys of a group with one place for each: where they come from, which they are, how they are cut.
import { bareNumber, listed, say } from "../kept/words.js";
import { changedAt, keyFrom, keyParts, keysFrom, sourcesOf, withKeyPart } from "../sheet/draft-rules.js";
import { withMembers } from "../sheet/draft.js";
import { loadCounts } from "./condition-form.js";
import { labelsOf, loadTermsOf, useLoaded } from "./data.js";
import { Values, idOf } from "./draft-items.js";
import { OnlyWhere } from "./draft-rules.js";
import { html, useState } from "./html.js";
import { TermPicker } from "./term-picker.js";

const BETWEEN = " / ";

/** @param {{work: import("./draft-items.js").Work, group: object, here: string}} of `here`: the pointer of the group */
export function GroupKeys({ work, group, here }) {
  const { attributes } = work;
  const label = labelsOf(attributes);
  const parts = keyParts(group);
  const first = attributes.get(parts[0].attribute);
  const { value: counts } = useLoaded(() => (parts.length === 1 ? loadCounts(parts[0].attribute) : null), [parts[0].attribute]);
  const put = (more) => work.change((now) => changedAt(now, here, more));
  const mine = (counts?.values ?? []).filter(({ coins }) => coins > 0).map(({ value }) => value);
  const chosen = (source) => put({ keys: keysFrom(source, group, attributes, parts.some(({ band, bands }) => band ?? bands) ? [] : mine) });
  const { from } = group.keys;
  return html`<fieldset><legend>${say("build.one_for_each", { what: listed(parts.map(({ attribute }) => label(attribute))) })}</legend>
      ${sourcesOf(group, attributes).map((one) => html`<label key=${one} class="pick"><input type="radio" name="key-source" checked=${from === one} onChange=${() => from !== one && chosen(one)} /> ${say(`build.keys_${one}`)}</label>`)}</fieldset>
    ${from === "list" && (parts.length === 1
      ? html`<${OneList} id="key" attribute=${first} part=${parts[0]} values=${group.keys.values ?? []} change=${(values) => put({ keys: { ...group.keys, values } })} />`
      : html`<${SeveralList} id="key" attributes=${attributes} parts=${parts} label=${label} values=${group.keys.values ?? []} change=${(values) => put({ keys: { ...group.keys, values } })} />`)}
    ${from === "catalogue" && html`<${OnlyWhere} work=${work} here="${here}/keys" add=${say("keys.only_where")} drop=${say("keys.of_all")} />`}
    ${from === "vocabulary" && group.keys.where !== undefined && html`<${OnlyWhere} work=${work} here="${here}/keys" add="" drop=${say("keys.all_terms")}><p><code>${work.textAt(`${here}/keys/where`)}</code></p></${OnlyWhere}>`}
    ${parts.map((part, at) => html`<${Cut} key=${part.attribute} id="${idOf(here)}-${at}" attribute=${attributes.get(part.attribute)} part=${part} label=${label(part.attribute)} put=${(more) => put(withKeyPart(group, at, more))} />`)}`;
}

const wordOf = (terms) => (value) => {
  if (value !== null && typeof value === "object") return say("fact.none");
  if (typeof value === "boolean") return say(value ? "fact.yes" : "fact.no");
  return typeof value === "number" ? bareNumber(value) : (terms?.terms.get(value)?.label ?? String(value));
};

const termsOfKey = (attribute, part) => (part.bands === undefined && attribute?.vocabulary ? loadTermsOf(attribute.vocabulary, attribute.carried) : null);

function OneList({ id, attribute, part, values, change }) {
  const { value: terms } = useLoaded(() => termsOfKey(attribute, part), [part.attribute]);
  return html`<${Values} id=${id} label=${say("keys.which")} values=${values} word=${wordOf(terms)} read=${(text) => keyFrom(attribute, part, text)} terms=${terms} change=${change} />`;
}

/** Keys of several facts together: one value of each. */
function SeveralList({ id, attributes, parts, label, values, change }) {
  const { value: terms } = useLoaded(() => Promise.all(parts.map((part) => termsOfKey(attributes.get(part.attribute), part))), [parts.length]);
  const [typed, setTyped] = useState(parts.map(() => ({ text: "", id: null })));
  const put = (at, text, term = null) => setTyped(typed.map((one, place) => (place === at ? { text, id: term } : one)));
  const key = typed.map(({ text, id: term }, at) => term ?? keyFrom(attributes.get(parts[at].attribute), parts[at], text));
  const ready = key.every((one) => one !== undefined) && !values.some((one) => JSON.stringify(one) === JSON.stringify(key));
  const add = () => {
    change([...values, key]);
    setTyped(parts.map(() => ({ text: "", id: null })));
  };
  const word = (value) => [value].flat().map((one, at) => wordOf(terms?.[at])(one)).join(BETWEEN);
  return html`<fieldset class="values"><legend>${say("keys.which")}</legend><ul class="draft-items keys">${values.map((value) => html`<li key=${word(value)}><span class="says">${word(value)}</span>
      <span class="buttons small"><button type="button" class="plain" aria-label=${say("build.remove_what", { what: word(value) })} onClick=${() => change(values.filter((one) => one !== value))}>${say("build.remove")}</button></span></li>`)}</ul>
    ${parts.map((part, at) => html`<div key=${part.attribute} class="field"><label for="${id}-${at}">${label(part.attribute)}</label>
      <${TermPicker} id="${id}-${at}" terms=${terms?.[at] ?? null} text=${typed[at].text} typed=${(text) => put(at, text)} picked=${(term) => put(at, term.label, term.id)} /></div>`)}
    <p class="buttons small"><button type="button" class="plain" disabled=${!ready} onClick=${add}>${say("build.add_it")}</button></p></fieldset>`;
}

/** How the values of an attribute become keys: by spans of a width, by named bands, and whether none of it is one too. */
function Cut({ id, attribute, part, label, put }) {
  const isNumber = attribute !== undefined && ["integer", "decimal"].includes(attribute.type);
  const bands = part.bands ?? [];
  const [width, setWidth] = useState(part.band === undefined || part.band === null ? "" : String(part.band));
  const wrong = width !== "" && !/^[1-9]\d{0,8}$/.test(width);
  const span = (text) => {
    setWidth(text);
    if (text === "") put({ band: null });
    else if (/^[1-9]\d{0,8}$/.test(text)) put({ band: Number(text) });
  };
  const end = (text) => (text.trim() === "" ? null : Number.isFinite(Number(text)) ? Number(text) : text.trim());
  const band = (at, more) => put({ bands: bands.map((one, place) => (place === at ? withMembers(one, more) : one)) });
  return html`${isNumber && bands.length === 0 && html`<div class="field"><label for="${id}-band">${say("keys.band", { what: label })}</label>
      <input id="${id}-band" inputmode="numeric" value=${width} aria-invalid=${wrong} onInput=${(event) => span(event.target.value)} />
      ${wrong && html`<p class="wrong">${say("build.a_number")}</p>`}</div>`}
    ${bands.map((one, at) => html`<fieldset key=${at} class="two-ends"><legend>${say("keys.named_band", { n: at + 1, what: label })}</legend>
      ${["key", "from", "to"].map((member) => html`<div key=${member} class="field"><label for="${id}-${at}-${member}">${say(`keys.band_${member}`)}</label>
        <input id="${id}-${at}-${member}" type="text" autocomplete="off" value=${one[member] ?? ""} onInput=${(event) => band(at, { [member]: member === "key" ? event.target.value : end(event.target.value) })} /></div>`)}
      <p class="buttons small"><button type="button" class="plain" disabled=${bands.length === 1} aria-label=${say("build.remove_what", { what: one.key })} onClick=${() => put({ bands: bands.filter((_, place) => place !== at) })}>${say("build.remove")}</button></p></fieldset>`)}
    ${bands.length > 0 && html`<p class="buttons small"><button type="button" class="plain" onClick=${() => put({ bands: [...bands, { key: say("keys.new_band", { n: bands.length + 1 }), from: bands[bands.length - 1].to ?? 0 }] })}>${say("keys.add_band")}</button></p>`}
    <label class="pick"><input type="checkbox" checked=${part.none === true} onChange=${(event) => put({ none: event.target.checked ? true : null })} /> ${say("keys.none", { what: label })}</label>`;
}
