// A rule as a form: conditions that all hold, alternatives, exceptions; and what there is no form for as text, in its place.
import { send } from "../kept/api.js";
import { bareNumber, date, either, listed, say } from "../kept/words.js";
import { added, attributesIn, changedAt, orAlso, removed, turned } from "../sheet/rule-form.js";
import { ConditionForm } from "./condition-form.js";
import { labelsOf, loadTerms, useLoaded } from "./data.js";
import { html, useRef, useState } from "./html.js";

/** A condition in words. @param {import("../sheet/rule-form.js").Condition} condition */
export function conditionInWords({ attribute, how, values }, label, terms) {
  const word = (value) => {
    if (typeof value === "number") return bareNumber(value);
    if (typeof value === "boolean") return say(value ? "fact.yes" : "fact.no");
    return value.date === undefined ? (terms?.get(attribute)?.get(value) ?? value) : date(value.date);
  };
  const words = values.map(word);
  const value = {
    is: () => either(words),
    narrower: () => either(words),
    has_any: () => either(words),
    has_all: () => listed(words),
    is_not: () => say("build.not_value", { value: words[0] }),
    between: () => say("fact.between", { from: words[0], to: words[1] }),
    at_least: () => say("fact.at_least", { from: words[0] }),
    at_most: () => say("fact.at_most", { to: words[0] }),
    above: () => say("build.above", { value: words[0] }),
    below: () => say("build.below", { value: words[0] }),
    none: () => say("fact.none"),
    empty: () => say("fact.none"),
    ended: () => say("build.ended"),
  }[how]();
  return say("build.condition_says", { what: label(attribute), value });
}

const written = new Map();

/** The service's text of a part of a rule: it is the only one that writes text. */
async function textOf(tree, document) {
  const key = JSON.stringify(tree);
  if (!written.has(key)) {
    const definition = { format: document.format, title: "?", attributes: document.attributes ?? [], vocabularies: document.vocabularies ?? [], slots: [{ id: "part", accepts: tree }] };
    const told = await send("POST", "/v1/definition-previews", { definition });
    written.set(key, told.rules[0].text ?? key);
  }
  return written.get(key);
}

function Block({ tree, document }) {
  const { value } = useLoaded(() => textOf(tree, document), [JSON.stringify(tree)]);
  return html`<span class="block-text"><code>${value ?? say("app.loading")}</code> <span class="hint">${say("build.block")}</span></span>`;
}

/**
 * @param {{id: string, form: import("../sheet/rule-form.js").Node, change: (form: import("../sheet/rule-form.js").Node) => void,
 *   attributes: Map<string, object>, document: object}} of
 */
export function RuleForm({ id, form, change, attributes, document }) {
  const [asking, setAsking] = useState(null);
  const { value: terms } = useLoaded(() => loadTerms(attributes, attributesIn(form)), [attributes, attributesIn(form).join()], { keeps: true });
  const label = labelsOf(attributes);
  const opener = useRef(null);
  // The keyboard goes on where it was before the form, or at what the rule begins with.
  const close = () => {
    setAsking(null);
    setTimeout(() => (opener.current?.isConnected ? opener.current : whole.current?.querySelector("button"))?.focus());
  };
  const whole = useRef(null);
  const put = (next) => {
    close();
    change(next);
  };
  const ask = (what, path) => {
    opener.current = window.document.activeElement;
    setAsking({ what, path: path.join(".") });
  };
  const asked = (what, path) => asking !== null && asking.what === what && asking.path === path.join(".");
  const dialog = (path, what, condition, done) => asked(what, path) && html`<${ConditionForm} id="${id}-${what}-${path.join("-")}" attributes=${attributes}
    condition=${condition} done=${done} cancel=${close} />`;

  const item = (node, path, inAny) => {
    const inner = node.kind === "not" ? node.item : node;
    const at = node.kind === "not" ? [...path, 0] : path;
    const isGroup = inner.kind === "all" || inner.kind === "any";
    const name = inner.kind === "condition" ? conditionInWords(inner, label, terms) : say(`build.group_${inner.kind}`);
    return html`<li key=${path.join(".")} class="rule-item ${node.kind === "not" ? "denied" : ""}">
      ${node.kind === "not" && html`<strong class="but-not">${say("build.but_not")}</strong> `}
      ${inner.kind === "condition" && html`<span class="says">${name}</span>`}
      ${inner.kind === "block" && html`<${Block} tree=${inner.tree} document=${document} />`}
      ${inner.kind === "not" && html`<ul class="rule-items">${item(inner, at, false)}</ul>`}
      ${isGroup && group(inner, at)}
      <span class="buttons small">
        ${inner.kind === "condition" && html`<button type="button" class="plain" aria-label=${say("build.change_what", { what: name })} onClick=${() => ask("change", at)}>${say("build.change")}</button>`}
        ${!inAny && html`<button type="button" class="plain" aria-label=${say("build.or_also_what", { what: name })} onClick=${() => ask("or", path)}>${say("build.or_also")}</button>`}
        <button type="button" class="plain" aria-pressed=${node.kind === "not"} aria-label=${say("build.but_not_what", { what: name })} onClick=${() => put(turned(form, path))}>${say("build.but_not")}</button>
        <button type="button" class="plain" aria-label=${say("build.remove_what", { what: name })} onClick=${() => put(removed(form, path))}>${say("build.remove")}</button>
      </span>
      ${dialog(at, "change", inner.kind === "condition" ? inner : null, (condition) => put(changedAt(form, at, () => condition)))}
      ${dialog(path, "or", null, (condition) => put(orAlso(form, path, condition)))}
    </li>`;
  };

  const group = (node, path) => html`<div class="rule-group ${node.kind}">
    <p class="group-name">${node.items.length === 0 ? say("build.any_coin") : say(`build.group_${node.kind}`)}</p>
    <ul class="rule-items">${node.items.map((one, at) => item(one, [...path, at], node.kind === "any"))}</ul>
    <p class="buttons"><button type="button" class=${path.length === 0 ? "" : "plain"} onClick=${() => ask("add", path)}>${say(node.kind === "any" ? "build.add_alternative" : "build.add_condition")}</button>
      ${path.length === 0 && node.kind === "any" && html`<button type="button" class="plain" onClick=${() => ask("and", path)}>${say("build.add_for_all")}</button>`}</p>
    ${dialog(path, "add", null, (condition) => put(added(form, path, condition)))}
    ${dialog(path, "and", null, (condition) => put({ kind: "all", items: [form, condition] }))}
  </div>`;
  return html`<div class="rule-form" role="group" aria-label=${say("build.conditions")} ref=${whole}>${group(form, [])}</div>`;
}
