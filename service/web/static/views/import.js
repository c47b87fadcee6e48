// A sheet is imported: tried first, as a table in which everything can be put right, then carried out.
import { importSheet, tryImport, undoImport } from "../kept/imports.js";
import { inOrder, say } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { factInWords } from "../parts/clauses.js";
import { labelsOf, loadAttributes, loadTerms, useLoaded } from "../parts/data.js";
import { FactField } from "../parts/fact-field.js";
import { FileDrop, handedOver } from "../parts/file-drop.js";
import { html, useEffect, useRef, useState } from "../parts/html.js";
import { ownInWords, ownName } from "../parts/own-fields.js";
import { saveFile } from "../kept/save.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import {
  ENCODINGS, NOTHING_GIVEN, SEPARATORS, SHEET_FIELDS, csvOf, inNames, namesIn, openQuestions, optionsOf, refusedTable, withAnswer, withCell, withLayout,
} from "../sheet/import.js";

const ROWS_SHOWN = 12;
// Between two letters that are typed the file is not sent.
const PAUSE_MS = 400;
const FILES = ".csv,.tsv,.txt,.xlsx,.ods,text/csv";

/** What was said, once nothing more was said for a moment. */
function useSettled(value) {
  const [settled, set] = useState(value);
  useEffect(() => {
    const timer = setTimeout(() => set(value), PAUSE_MS);
    return () => clearTimeout(timer);
  }, [value]);
  return settled;
}

export function Import() {
  const [file, setFile] = useState(handedOver);
  const [given, setGiven] = useState(NOTHING_GIVEN);
  const [stored, setStored] = useState(null);
  const settled = useSettled(given);
  const { value: tried, error, again } = useLoaded(
    async () => (file === null ? null : { report: await tryImport(file, optionsOf(settled)), given: settled, file }),
    [file, settled],
    { keeps: true },
  );
  const { value: attributes } = useLoaded(() => loadAttributes(), []);
  const chosen = (one) => {
    setGiven(NOTHING_GIVEN);
    setStored(null);
    setFile(one);
  };
  const report = tried?.file === file ? tried?.report : null;
  const label = labelsOf(attributes);
  const name = (field) => (SHEET_FIELDS.includes(field) ? ownName(field) : label(field.replace(/^facts\./, "")));
  return html`
    <nav class="crumbs" aria-label=${say("place.path")}><a href="/app/coins">${say("coins.title")}</a></nav>
    <${Title} text=${say("import.title")} />
    ${stored === null && html`<p>${say("import.what")}</p>
      <${FileDrop} label=${say(file === null ? "import.file" : "import.other_file")} accept=${FILES} take=${chosen} />`}
    ${file !== null && html`<p><b>${file.name}</b></p>`}
    ${stored === null && html`<${Trouble} error=${error} again=${again} />`}
    ${file !== null && report === null && error === null && html`<p role="status">${say("import.reading")}</p>`}
    ${stored !== null && html`<${Stored} report=${stored} file=${file} again=${() => chosen(null)} />`}
    ${stored === null && report && attributes !== null && html`
      <p class="figures" role="status">${say("import.counts", { n: report.rows })} ${countsOf(report)}</p>
      <${LayoutOf} report=${report} given=${given} put=${setGiven} />
      <${Columns} report=${report} given=${given} put=${setGiven} attributes=${attributes} name=${name} />
      <${Refused} report=${report} given=${given} put=${setGiven} file=${file} name=${name} />
      <${Questions} report=${report} given=${given} put=${setGiven} attributes=${attributes} name=${name} />
      <${Shared} given=${given} put=${setGiven} attributes=${attributes} label=${label} />
      <${Sample} report=${report} attributes=${attributes} name=${name} />
      <${Finish} report=${report} file=${file} given=${given} settled=${tried?.given === given && error === null} done=${setStored} />`}`;
}

function countsOf({ created, updated, unchanged, refused_rows: refused }) {
  const told = { created, updated, unchanged, refused };
  return Object.entries(told).filter(([, n]) => n > 0).map(([key, n]) => say(`import.${key}`, { n })).join(" ");
}

function LayoutOf({ report, given, put }) {
  const { layout } = report;
  const pick = (name, values, shown = (value) => value) => html`<div class="field"><label for="layout-${name}">${say(`import.${name}`)}</label>
    <select id="layout-${name}" value=${given.layout[name] ?? layout[name]} onChange=${(event) => put(withLayout(given, name, event.target.value))}>
      ${values.map((value) => html`<option key=${value} value=${value}>${shown(value)}</option>`)}</select></div>`;
  return html`<details class="panel" id="layout" open=${report.columns.every(({ field }) => field === null)}><summary>${say("import.layout")}</summary>
    <div class="fields">
      ${layout.encoding !== null && pick("encoding", ENCODINGS)}
      ${layout.separator !== null && pick("separator", SEPARATORS, (sign) => (sign === "\t" ? say("import.tab") : sign))}
      ${layout.sheet !== null && report.other_sheets.length > 0 && pick("sheet", [report.sheet, ...report.other_sheets])}
      ${pick("decimal", [",", "."], (sign) => say(sign === "," ? "import.comma" : "import.point"))}
      ${pick("dates", ["day first", "month first"], (order) => say(order === "day first" ? "import.day_first" : "import.month_first"))}
      <div class="field"><label for="layout-row">${say("import.heading_row")}</label>
        <input id="layout-row" type="number" min="1" inputmode="numeric" value=${given.layout.heading_row ?? layout.heading_row}
          onChange=${(event) => put(withLayout(given, "heading_row", Number(event.target.value) || null))} /></div>
    </div>
    ${report.skipped_rows.length > 0 && html`<p>${say("import.skipped", { n: report.skipped_rows.length })}</p>
      <ul>${report.skipped_rows.slice(0, 20).map(({ row, why }) => html`<li key=${row}>${say("import.skipped_row", { row: String(row), why })}</li>`)}</ul>`}
  </details>`;
}

const NOTE = "-note";
const OUT = "-out";

function Columns({ report, given, put, attributes, name }) {
  const facts = [...attributes.keys()].sort((one, other) => inOrder(name(one), name(other)));
  const chosen = (column, picked) => {
    const columns = { ...given.columns, [column]: picked === OUT ? null : picked };
    if (picked === NOTE) delete columns[column];
    put({ ...given, columns });
  };
  return html`<section><h2 id="columns-title">${say("import.columns")}</h2>
    <p class="hint">${say("import.columns_hint")}</p>
    <ul class="sheet-columns">${report.columns.map(({ column, heading, field, sample, why }) => {
      const said = given.columns[column];
      const now = said === undefined ? (field ?? NOTE) : (said ?? OUT);
      const known = SHEET_FIELDS.includes(now) || attributes.has(now) || now === NOTE || now === OUT;
      return html`<li key=${column} class=${field === null ? "open" : ""}>
        <label for="column-${column}">${heading === "" ? say("import.no_heading", { n: column }) : heading}</label>
        <select id="column-${column}" value=${now} aria-describedby="column-${column}-why" onChange=${(event) => chosen(column, event.target.value)}>
          <option value=${NOTE}>${say("import.to_note")}</option><option value=${OUT}>${say("import.left_out")}</option>
          ${!known && html`<option value=${now}>${name(now)}</option>`}
          <optgroup label=${say("coin.own")}>${SHEET_FIELDS.map((one) => html`<option key=${one} value=${one}>${name(one)}</option>`)}</optgroup>
          <optgroup label=${say("import.facts")}>${facts.map((one) => html`<option key=${one} value=${one}>${name(one)}</option>`)}</optgroup>
        </select>
        <span class="hint" id="column-${column}-why">${say("import.sample", { sample: sample.join(" | "), why })}</span>
      </li>`;
    })}</ul>
  </section>`;
}

function Refused({ report, given, put, file, name }) {
  const rows = refusedTable(report);
  const headings = report.columns.map(({ heading }) => heading);
  const mended = given.cells;
  if (rows.length === 0 && mended.length === 0) return null;
  return html`<section><h2 id="refused-title">${say("import.refused_title", { n: report.refused_rows })}</h2>
    ${rows.length > 0 && html`<p class="hint">${say("import.refused_hint")}</p>
      <div class="wide" tabindex="0" role="region" aria-labelledby="refused-title"><table class="coins refused">
        <thead><tr><th scope="col">${say("import.row")}</th>${headings.map((heading, at) => html`<th key=${at} scope="col">${heading}</th>`)}</tr></thead>
        <tbody>${rows.map((row) => html`<tr key=${row.line}>
          <th scope="row">${row.line}${row.faults.map(({ message, hint }) => html`<span class="wrong">${[message, hint].filter(Boolean).join("; ")}</span>`)}</th>
          ${row.cells.map((cell) => html`<${Cell} key=${cell.column} cell=${cell} line=${row.line} heading=${headings[cell.column - 1] ?? ""}
            called=${(text) => inNames(text, report.columns[cell.column - 1]?.field ?? null, name)}
            change=${(text) => put(withCell(given, row.line, cell.column, text, cell.text))} />`)}
        </tr>`)}</tbody></table></div>
      <p class="buttons"><${SaveRefused} report=${report} file=${file} /></p>`}
    ${mended.length > 0 && html`<ul class="mended">${mended.map(({ line, column, text, was }) => html`<li key=${`${line} ${column}`}>
      ${say("import.mended", { row: String(line), heading: headings[column - 1] ?? String(column), was, text })}
      <button type="button" class="plain" onClick=${() => put(withCell(given, line, column, was, was))}>${say("import.mend_back")}</button></li>`)}</ul>`}
  </section>`;
}

function Cell({ cell, line, heading, called, change }) {
  const open = cell.faults.length > 0 || cell.column > 600;
  if (!open) return html`<td>${cell.text}</td>`;
  const id = `cell-${line}-${cell.column}`;
  return html`<td class="bad"><input id=${id} type="text" defaultValue=${cell.text} aria-invalid="true" aria-label=${say("import.cell", { heading, row: String(line) })}
    aria-describedby="${id}-why" autocomplete="off" spellcheck="false" onChange=${(event) => change(event.target.value)} />
    <span class="wrong" id="${id}-why">${cell.faults.map(({ message, hint }) => called([message, hint].filter(Boolean).join("; "))).join(" ")}</span></td>`;
}

/** The refused rows as a file that can be imported again when it is mended. */
function SaveRefused({ report, file }) {
  const save = () => {
    const separator = report.layout?.separator ?? ";";
    const rows = [report.columns.map(({ heading }) => heading), ...report.not_recorded.map(({ cells }) => cells)];
    // With a mark, by which programs for spreadsheets know UTF-8.
    saveFile(say("import.refused_file", { name: file.name.replace(/\.\w+$/, "") }), new Blob(["\ufeff", csvOf(rows, separator)], { type: "text/csv" }));
  };
  return html`<button type="button" class="plain" onClick=${save}>${say("import.save_refused", { n: report.not_recorded.length })}</button>`;
}

function Questions({ report, given, put, attributes, name }) {
  // What was answered is asked no longer by the service, and stays here so that it can be taken back.
  const asked = useRef([]);
  const open = openQuestions(report);
  const key = ({ field, heading, value }) => JSON.stringify([field, heading, value]);
  const isAnswered = ({ field, value }) => field !== null && given.answers[field] !== undefined && value in given.answers[field];
  asked.current = [...asked.current.filter((one) => isAnswered(one) && !open.some((other) => key(other) === key(one))), ...open];
  const questions = asked.current;
  if (questions.length === 0) return null;
  const answered = (question, answer) => {
    if (question.field !== null) return put(withAnswer(given, question.field, question.value, answer));
    const { column } = report.columns.find(({ heading }) => heading === question.heading);
    return put({ ...given, columns: { ...given.columns, [column]: answer } });
  };
  return html`<section><h2 id="questions-title">${say("import.questions", { n: questions.length })}</h2>
    <p class="hint">${say("import.questions_hint")}</p>
    ${questions.map((question) => html`<${Question} key=${key(question)} question=${question} id="question-${questions.indexOf(question)}" answered=${isAnswered(question)}
      attribute=${question.field === null ? undefined : attributes.get(question.field)} name=${name} issuer=${given.constants.issuer}
      answer=${(value) => answered(question, value)} />`)}
  </section>`;
}

function Question({ question, id, attribute, name, issuer, answered, answer }) {
  const [way, setWay] = useState(answered ? "other" : "kept");
  const { field, heading, value, rows, candidates } = question;
  const took = (now, fact) => {
    setWay(now);
    answer(fact);
  };
  const radio = (key, text, fact, hint) => html`<label class="pick"><input type="radio" name=${id} checked=${way === key} onChange=${() => took(key, fact)} />
    <span>${text}${hint && html` <span class="hint">${hint}</span>`}</span></label>`;
  return html`<fieldset class="panel question-of"><legend>${say("import.question", { heading, value })} <span class="count">${say("import.in_rows", { n: rows })}</span></legend>
    ${candidates.map((one) => radio(JSON.stringify(one.value), field === null ? name(one.value) : one.label, one.value, one.why))}
    ${attribute !== undefined && radio("other", say("import.answer"), undefined)}
    ${attribute !== undefined && way === "other" && html`<${FactField} id="${id}-fact" attribute=${attribute} label=${name(field)} fact=${null} issuer=${issuer}
      change=${(fact) => answer(fact ?? undefined)} />`}
    ${field !== null && radio("kept", say("import.as_it_stands"), undefined)}
    ${field !== null && radio("none", say("import.unrecorded"), null)}
  </fieldset>`;
}

/** Facts that no row says, since all coins have them. */
function Shared({ given, put, attributes, label }) {
  const [name, setName] = useState("issuer");
  const [fact, setFact] = useState(null);
  const attribute = attributes.get(name);
  const names = [...attributes.keys()].sort((one, other) => inOrder(label(one), label(other)));
  const without = (one) => Object.fromEntries(Object.entries(given.constants).filter(([other]) => other !== one));
  return html`<details class="panel"><summary>${say("import.shared")}</summary>
    <p class="hint">${say("import.shared_hint")}</p>
    <ul>${Object.entries(given.constants).map(([one, value]) => html`<li key=${one}>${say("fact.plainly", { what: label(one), value: factInWords(value) })}
      <button type="button" class="plain" onClick=${() => put({ ...given, constants: without(one) })}>${say("import.mend_back")}</button></li>`)}</ul>
    <div class="field"><label for="shared-name">${say("record.what")}</label>
      <select id="shared-name" value=${name} onChange=${(event) => {
        setName(event.target.value);
        setFact(null);
      }}>${names.map((one) => html`<option key=${one} value=${one}>${label(one)}</option>`)}</select></div>
    <${FactField} key=${`${name} ${name in given.constants}`} id="shared-fact" attribute=${attribute} label=${label(name)} fact=${null} change=${setFact} />
    <button type="button" disabled=${fact === null || fact === undefined} onClick=${() => put({ ...given, constants: { ...given.constants, [name]: fact } })}>${say("import.share")}</button>
  </details>`;
}

function Sample({ report, attributes, name }) {
  const items = report.items.slice(0, ROWS_SHOWN);
  const names = namesIn(items);
  const { value: terms } = useLoaded(() => loadTerms(attributes, names), [attributes, names.join()], { keeps: true });
  if (items.length === 0) return null;
  const text = (one, value) => (SHEET_FIELDS.includes(one) ? ownInWords(one, value) : factInWords(value, terms?.get(one)));
  return html`<section><h2 id="sample-title">${say("import.sample_title")}</h2>
    <div class="wide" tabindex="0" role="region" aria-labelledby="sample-title"><table class="coins">
      <thead><tr><th scope="col">${ownName("number")}</th><th scope="col">${say("import.outcome")}</th>${names.map((one) => html`<th key=${one} scope="col">${name(one)}</th>`)}</tr></thead>
      <tbody>${items.map(({ row, number, after, outcome }) => html`<tr key=${row}><th scope="row">${number ?? say("coins.without_number")}</th>
        <td>${say(`import.outcome_${outcome}`)}</td>${names.map((one) => html`<td key=${one}>${one in after ? text(one, after[one]) : ""}</td>`)}</tr>`)}</tbody>
    </table></div>
  </section>`;
}

function Finish({ report, file, given, settled, done }) {
  const { busy, error, attempt } = useActing();
  const n = report.created + report.updated;
  const act = () => attempt(async () => done(await importSheet(file, optionsOf(given))));
  return html`<section class="panel"><h2>${say("import.finish")}</h2>
    ${report.refused_rows > 0 && html`<p>${say("import.without_refused", { n: report.refused_rows })}</p>`}
    ${report.without_number > 0 && html`<p>${say("import.without_number", { n: report.without_number })}</p>`}
    <${Trouble} error=${error} />
    <button type="button" disabled=${busy || !settled || n === 0} onClick=${act}>${n === 0 ? say("import.nothing") : say("import.do", { n })}</button>
  </section>`;
}

function Stored({ report, file, again }) {
  const [undone, setUndone] = useState(null);
  const [error, setError] = useState(null);
  const heading = useRef(null);
  // What undoes it is gone once it is undone.
  useEffect(() => heading.current?.focus(), [undone]);
  const undo = () => undoImport(report.import_id).then((made) => setUndone(made.undone), setError);
  return html`<section class="panel"><h2 ref=${heading} tabindex="-1">${say("import.done")}</h2>
    <p role="status">${undone === null ? countsOf(report) : say("import.undone", { n: undone.destroyed })}</p>
    ${undone !== null && undone.kept.length > 0 && html`<p>${say("import.undone_kept", { n: undone.kept.length })}</p>`}
    ${report.refused_rows > 0 && undone === null && html`<p>${say("import.still_refused", { n: report.refused_rows })}</p>`}
    <${Trouble} error=${error} />
    <p class="buttons"><a class="button" href="/app/">${say("home.title")}</a> <a class="button" href="/app/coins">${say("coins.title")}</a>
      ${report.not_recorded.length > 0 && html`<${SaveRefused} report=${report} file=${file} />`}
      ${undone === null && html`<button type="button" class="plain" onClick=${undo}>${say("import.undo")}</button>`}
      <button type="button" class="plain" onClick=${again}>${say("import.other_file")}</button></p>
  </section>`;
}
