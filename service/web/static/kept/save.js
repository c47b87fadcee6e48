// A file that the browser saves.

/** @param {string} name @param {Blob} content */
export function saveFile(name, content) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(content);
  link.download = name;
  link.click();
  // The browser has read it by then.
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
