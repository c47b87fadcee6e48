// A sheet that is being imported: what its owner says of it, and its refused rows as a table. Pure.

/**
 * @typedef {object} Given what the owner says of the sheet
 * @property {Record<string, unknown>} layout @property {Record<number, string | null>} columns by column, counted from 1
 * @property {Record<string, unknown>} constants @property {Record<string, Record<string, unknown>>} answers
 * @property {{line: number, column: number, text: string, was: string}[]} cells
 */

/** @type {Given} */
export const NOTHING_GIVEN = { layout: {}, columns: {}, constants: {}, answers: {}, cells: [] };
// What a column may be beside facts, in the order in which to offer it.
export const SHEET_FIELDS = [
  "number", "quantity", "status", "for_trade", "mark", "location", "price_paid", "bought_from", "bought_on", "note", "tags", "issue", "values", "id",
];
export const ENCODINGS = [
  "utf-8", "windows-1252", "windows-1250", "iso-8859-1", "iso-8859-15", "macintosh", "ibm850", "utf-16", "utf-16le", "utf-16be",
];
export const SEPARATORS = [";", ",", "\t", "|"];

/** @param {Given} given @returns {object} `options` of the operation */
export function optionsOf({ layout, columns, constants, answers, cells }) {
  return {
    layout,
    columns: Object.entries(columns).map(([column, field]) => ({ column: Number(column), field })),
    constants,
    answers,
    cells: cells.map(({ line, column, text }) => ({ line, column, text })),
  };
}

/** Another layout: cells that were mended elsewhere in the file are forgotten where the columns are others. @param {Given} given */
export function withLayout(given, name, value) {
  const layout = { ...given.layout, [name]: value };
  if (value === null) delete layout[name];
  return name === "sheet" || name === "separator" ? { ...NOTHING_GIVEN, layout } : { ...given, layout };
}

/** A cell that is to say something else; as it was before: nothing is mended. @param {Given} given */
export function withCell(given, line, column, text, was) {
  const before = given.cells.find((cell) => cell.line === line && cell.column === column);
  const others = given.cells.filter((cell) => cell !== before);
  const first = before?.was ?? was;
  return { ...given, cells: text === first ? others : [...others, { line, column, text, was: first }] };
}

/** An answer to a question; undefined takes it back. @param {Given} given */
export function withAnswer(given, field, value, answer) {
  const of = { ...given.answers[field], [value]: answer };
  if (answer === undefined) delete of[value];
  const answers = { ...given.answers, [field]: of };
  if (Object.keys(of).length === 0) delete answers[field];
  return { ...given, answers };
}

/**
 * The refused rows as a table: of each its cells, and what is wrong with which.
 * @returns {{line: number, faults: object[], cells: {text: string, column: number, faults: object[]}[]}[]}
 */
export function refusedTable({ not_recorded: rows, refused }) {
  return rows.map(({ row, line, cells }) => {
    const faults = refused.filter((fault) => fault.row === row);
    const of = (column) => faults.filter((fault) => fault.column === column);
    return {
      line,
      faults: faults.filter(({ column }) => column === null || column > cells.length),
      cells: cells.map((text, at) => ({ text, column: at + 1, faults: of(at + 1) })),
    };
  });
}

/** Questions that a refused cell does not ask already, in its place. */
export function openQuestions({ questions, refused, not_recorded: rows }) {
  const texts = new Set();
  for (const { row, column, field } of refused) {
    const text = rows.find((one) => one.row === row)?.cells[column - 1];
    if (text !== undefined) texts.add(JSON.stringify([field, text.trim()]));
  }
  return questions.filter(({ field, value, rows: n }) => n > 1 || !texts.has(JSON.stringify([field, value])));
}

/** The names that occur in what would be recorded, in their order. @param {{after: object}[]} items */
export const namesIn = (items) => [...new Set(items.flatMap(({ after }) => Object.keys(after)))].filter((name) => name !== "number");

/**
 * What is wrong with a cell, with its fact called as people call it: a message names it by its id, in the quotes of its language.
 * @param {string} text @param {string | null} field @param {(field: string) => string} name
 */
export function inNames(text, field, name) {
  const id = (field ?? "").replace(/^facts\./, "");
  return /^\w+$/.test(id) ? text.replace(new RegExp(`(?<=['„«]\\s?)${id}(?=\\s?['“»])`, "g"), () => name(id)) : text;
}

/** A table as the text of a CSV file (RFC 4180). @param {string[][]} rows @param {string} separator */
export function csvOf(rows, separator) {
  const cell = (text) => (/["\r\n]/.test(text) || text.includes(separator) || text !== text.trim() ? `"${text.replaceAll('"', '""')}"` : text);
  return rows.map((cells) => `${cells.map(cell).join(separator)}\r\n`).join("");
}
