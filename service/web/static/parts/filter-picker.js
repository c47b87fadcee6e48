// A condition for a filter, picked: which fact, how it is compared, with what.
import { inOrder, say } from "../kept/words.js";
import { OWN_ATTRIBUTES, conditionText, isBare, relationsOf } from "../sheet/filter-text.js";
import { FactField } from "./fact-field.js";
import { html, useState } from "./html.js";
import { ownName } from "./own-fields.js";

/**
 * Facts and own fields in a select. @param {{id: string, value: string, choose: (name: string) => void, attributes: Map<string, object>,
 *   label: (name: string) => string, own: string[]}} of own fields have the prefix "own."
 */
export function FieldSelect({ id, value, choose, attributes, label, own }) {
  const names = [...attributes.keys()].sort((one, other) => inOrder(label(one), label(other)));
  return html`<select id=${id} value=${value} onChange=${(event) => choose(event.target.value)}>
    <optgroup label=${say("import.facts")}>${names.map((name) => html`<option key=${name} value=${name}>${label(name)}</option>`)}</optgroup>
    <optgroup label=${say("coin.own")}>${own.map((name) => html`<option key=${name} value="own.${name}">${ownName(name)}</option>`)}</optgroup></select>`;
}

/** The attribute, or the own field, that such a select names. */
export function pickedField(value, attributes) {
  const isOwn = value.startsWith("own.");
  return { isOwn, attribute: isOwn ? OWN_ATTRIBUTES.get(value.slice(4)) : attributes.get(value) };
}

/** @param {{attributes: Map<string, object>, label: (name: string) => string, add: (condition: string) => void}} of */
export function FilterPicker({ attributes, label, add }) {
  const [name, setName] = useState("denomination");
  const { isOwn, attribute } = pickedField(name, attributes);
  const relations = relationsOf(attribute);
  const [wanted, setRelation] = useState("is");
  const relation = relations.includes(wanted) ? wanted : relations[0];
  const [value, setValue] = useState(null);
  const text = conditionText(attribute, isOwn, relation, value);
  const called = isOwn ? ownName(attribute.name) : label(attribute.name);
  const sent = (event) => {
    event.preventDefault();
    if (text !== null) add(text);
  };
  return html`<form class="filter-picker" onSubmit=${sent} noValidate>
    <div class="field"><label for="filter-name">${say("filter_by.what")}</label>
      <${FieldSelect} id="filter-name" value=${name} attributes=${attributes} label=${label} own=${[...OWN_ATTRIBUTES.keys()]} choose=${(one) => {
        setName(one);
        setValue(null);
      }} /></div>
    <div class="field"><label for="filter-relation">${say("filter_by.relation")}</label>
      <select id="filter-relation" value=${relation} onChange=${(event) => {
        setRelation(event.target.value);
        setValue(null);
      }}>${relations.map((one) => html`<option key=${one} value=${one}>${say(`filter_by.${one}`)}</option>`)}</select></div>
    ${!isBare(relation) && html`<${FactField} key=${`${name} ${relation}`} id="filter-value" attribute=${attribute} label=${called} fact=${null} change=${setValue} hint=${false}
      ways=${[relation === "between" ? "between" : "value"]} />`}
    <p class="made" role="status">${text !== null && html`<code>${text}</code>`}</p>
    <button type="submit" class="plain" disabled=${text === null}>${say("filter_by.add")}</button>
  </form>`;
}
