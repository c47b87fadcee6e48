// A place for a file: dropped there, or chosen by a button.
import { say } from "../kept/words.js";
import { html, useState } from "./html.js";

/** @type {File | null} */
let handed = null;

/** A file for the view that is shown next. @param {File} file */
export function handOver(file) {
  handed = file;
}

/** The file that another view handed over, once; null: none. */
export function handedOver() {
  const file = handed;
  handed = null;
  return file;
}

/** @param {{label: string, accept: string, take: (file: File) => void}} of */
export function FileDrop({ label, accept, take }) {
  const [over, setOver] = useState(false);
  const hovered = (is) => (event) => {
    event.preventDefault();
    setOver(is);
  };
  const dropped = (event) => {
    hovered(false)(event);
    const [file] = event.dataTransfer.files;
    if (file) take(file);
  };
  const picked = (event) => {
    const [file] = event.target.files;
    // So that the same file, mended, can be chosen again.
    event.target.value = "";
    if (file) take(file);
  };
  return html`<div class="drop ${over ? "over" : ""}" onDragOver=${hovered(true)} onDragLeave=${hovered(false)} onDrop=${dropped}>
    <label for="dropped-file">${label}</label>
    <input id="dropped-file" type="file" accept=${accept} onChange=${picked} />
    <p class="hint">${say("import.drop")}</p>
  </div>`;
}
