// A rule as text, always there to be read and changed, with what is wrong under the very sign.
import { say } from "../kept/words.js";
import { html, useRef } from "./html.js";

/** Where a line and a column (from 1, in characters) are in a text. */
function offsetOf(text, line, column) {
  const lines = text.split("\n");
  const before = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
  // Columns count characters, and some are two units here.
  return before + [...(lines[line - 1] ?? "")].slice(0, column - 1).join("").length;
}

function Fault({ fault, text, show }) {
  const line = fault.line === undefined ? null : (text.split("\n")[fault.line - 1] ?? "");
  return html`<li class="wrong">
    ${line !== null && html`<pre class="pointed" aria-hidden="true">${`${line}\n${" ".repeat(Math.max(fault.column - 1, 0))}^`}</pre>`}
    <p>${line === null ? fault.message : say("build.fault_at", { line: fault.line, column: fault.column, message: fault.message })}
      ${fault.hint ? ` ${fault.hint}` : ""}</p>
    ${line !== null && html`<button type="button" class="plain" onClick=${() => show(offsetOf(text, fault.line, fault.column))}>${say("build.show_fault")}</button>`}
  </li>`;
}

/**
 * @param {{id: string, label: string, text: string, faults: object[], change: (text: string) => void, waiting: boolean}} of `waiting`: the
 *   service has not written it yet
 */
export function RuleText({ id, label, text, faults, change, waiting }) {
  const box = useRef(null);
  const show = (at) => {
    box.current.focus();
    box.current.setSelectionRange(at, Math.min(at + 1, text.length));
  };
  return html`<div class="field rule-text">
    <label for=${id}>${label}</label>
    <textarea id=${id} ref=${box} rows="5" spellcheck="false" autocapitalize="none" autocomplete="off" aria-invalid=${faults.length > 0} aria-busy=${waiting} readonly=${waiting}
      aria-describedby=${faults.length > 0 ? `${id}-faults` : undefined} value=${text} onInput=${(event) => change(event.target.value)}></textarea>
    <div aria-live="polite">${faults.length > 0 && html`<ul class="faults" id="${id}-faults">
      ${faults.map((fault, at) => html`<${Fault} key=${at} fault=${fault} text=${text} show=${show} />`)}</ul>`}</div>
  </div>`;
}
