// Imports of sheets: tried as often as one likes, carried out once, taken back as a whole.
import { newId } from "./edits.js";
import { ask } from "./api.js";

const PATH = "/v1/holdings/imports";

/** The file, with how it is to be read beside it as a part of JSON. */
function body(file, options) {
  const parts = new FormData();
  parts.append("file", file, file.name);
  parts.append("options", new Blob([JSON.stringify(options)], { type: "application/json" }));
  return parts;
}

/** What importing would do. @param {File} file @param {object} options `options` of the operation */
export const tryImport = async (file, options) => (await ask("POST", `${PATH}?dry_run=true`, { body: body(file, options) })).json();

/** Imports all rows that can be recorded. @param {File} file @param {object} options */
export async function importSheet(file, options) {
  const query = new URLSearchParams({ skip_refused: "true", name: file.name.slice(0, 200) });
  return (await ask("POST", `${PATH}?${query}`, { body: body(file, options), headers: { "Idempotency-Key": newId() } })).json();
}

/** Takes an import back, but for what was changed since. @param {string} id */
export const undoImport = async (id) => (await ask("POST", `${PATH}/${id}/undo`, { headers: { "Idempotency-Key": newId() } })).json();

/** The whole collection as a file. @param {"csv" | "xlsx" | "json"} format */
export const exportSheet = async (format) =>
  (await ask("GET", `/v1/holdings/export?format=${format}`, { headers: { Accept: "*/*" } })).blob();
