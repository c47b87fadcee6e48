// Which modules are another program once comments and white space are left out: their trees, as TypeScript's parser has them, differ.
// `node same_program.js SOURCES SENT`: two folders with the same names; prints the names that differ, one a line.
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import ts from "typescript";

/** Every node with its kind, and the text of those that have no parts. */
function tree(path) {
  const file = ts.createSourceFile(path, readFileSync(path, "utf8"), ts.ScriptTarget.ES2023, true, ts.ScriptKind.JS);
  if (file.parseDiagnostics.length > 0) throw new Error(`${path}: ${file.parseDiagnostics[0].messageText}`);
  const told = [];
  const look = (node) => {
    // What stands in comments is no part of the program.
    if (node.kind >= ts.SyntaxKind.FirstJSDocNode && node.kind <= ts.SyntaxKind.LastJSDocNode) return;
    const parts = node.getChildren(file);
    told.push(parts.length === 0 ? `${node.kind} ${node.getText(file)}` : String(node.kind));
    parts.forEach(look);
  };
  look(file);
  return told.join("\n");
}

const [sources, sent] = process.argv.slice(2);
const names = readdirSync(sources, { recursive: true, encoding: "utf8" }).filter((name) => name.endsWith(".js"));
for (const name of names.sort()) if (tree(join(sources, name)) !== tree(join(sent, name))) console.log(name);
