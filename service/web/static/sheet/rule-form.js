// A rule as a form shows it, and back: two views of one tree (CQL2 JSON, OGC 21-065r2). What the form has no fields for is a
// block in its place, and stays as it is. Pure.

/**
 * @typedef {boolean | {op: string, args: unknown[]}} Tree
 * @typedef {{kind: "condition", attribute: string, how: string, values: unknown[]}} Condition
 * @typedef {{kind: "all" | "any", items: Node[]} | {kind: "not", item: Node} | Condition | {kind: "block", tree: Tree}} Node
 */

const SIGNS = { is: "=", is_not: "<>", below: "<", at_most: "<=", above: ">", at_least: ">=" };
const LISTS = { has_all: "a_contains", has_any: "a_overlaps" };
const CALLS = { none: "isNull", ended: "defunct" };
const named = (table, sign) => Object.keys(table).find((how) => table[how] === sign);
const property = (name) => ({ property: name });
const op = (sign, ...args) => ({ op: sign, args });

/** Whether two JSON values are the same. */
export function same(one, other) {
  if (one === other) return true;
  if (one === null || other === null || typeof one !== "object" || typeof other !== "object") return false;
  if (Array.isArray(one) !== Array.isArray(other)) return false;
  const [names, others] = [Object.keys(one), Object.keys(other)];
  return names.length === others.length && names.every((name) => Object.hasOwn(other, name) && same(one[name], other[name]));
}

/** The tree of a condition. @param {Condition} of @returns {Tree} */
function treeOfCondition({ attribute, how, values }) {
  const it = property(attribute);
  if (how === "is") return values.length === 1 ? op("=", it, values[0]) : op("in", it, values);
  if (how === "narrower") {
    const each = values.map((term) => op("narrower", it, term));
    return each.length === 1 ? each[0] : op("or", ...each);
  }
  if (how === "between") return op("between", it, ...values);
  if (how === "empty") return op("=", op("count", it), 0);
  if (LISTS[how]) return op(LISTS[how], it, values);
  if (CALLS[how]) return op(CALLS[how], it);
  return op(SIGNS[how], it, values[0]);
}

/** What the arguments of an operator are said of, where that is one attribute alone. */
function attributeIn(args) {
  const [first] = args;
  return first !== null && typeof first === "object" && typeof first.property === "string" ? first.property : null;
}

/** @param {{op: string, args: any[]}} tree @returns {Condition | null} */
function guess({ op: sign, args }) {
  /** @returns {Condition | null} */
  const made = (how, attribute, values = []) => (attribute === null ? null : { kind: "condition", attribute, how, values });
  const attribute = attributeIn(args);
  const rest = args.slice(1);
  if (sign === "in") return made("is", attribute, rest[0]);
  if (sign === "between" || sign === "narrower") return made(sign, attribute, rest);
  if (sign === "or") {
    const each = args.map((arg) => (arg?.op === "narrower" ? guess(arg) : null));
    const one = each[0]?.attribute ?? null;
    return each.every((arg) => arg !== null && arg.attribute === one) ? made("narrower", one, each.flatMap((found) => found?.values ?? [])) : null;
  }
  if (sign === "=" && args[0]?.op === "count" && rest[0] === 0) return made("empty", attributeIn(args[0].args));
  if (named(LISTS, sign)) return made(named(LISTS, sign), attribute, rest[0]);
  if (named(CALLS, sign)) return made(named(CALLS, sign), attribute);
  return named(SIGNS, sign) ? made(named(SIGNS, sign), attribute, rest) : null;
}

const isPlain = (value) =>
  ["string", "number", "boolean"].includes(typeof value) || (value !== null && typeof value === "object" && typeof value.date === "string");

/** The condition that a tree is, or null. Only one that gives the very tree again. @returns {Condition | null} */
function conditionOf(tree) {
  if (typeof tree !== "object" || tree === null || !Array.isArray(tree.args)) return null;
  const found = guess(tree);
  if (found === null || !Array.isArray(found.values) || !found.values.every(isPlain)) return null;
  return same(treeOfCondition(found), tree) ? found : null;
}

/** @param {Tree} tree @returns {Node} */
function nodeOf(tree) {
  const condition = conditionOf(tree);
  if (condition !== null) return condition;
  const { op: sign, args } = typeof tree === "object" && tree !== null ? /** @type {{op: string, args: any[]}} */ (tree) : { op: "", args: [] };
  if (sign === "and") return { kind: "all", items: args.map(nodeOf) };
  if (sign === "or") return { kind: "any", items: args.map(nodeOf) };
  if (sign === "not") return { kind: "not", item: nodeOf(args[0]) };
  return { kind: "block", tree };
}

/** The form of a rule: always a group, so that there is something to add to. Without a rule any coin fits. @param {Tree} tree */
export function formOf(tree) {
  if (tree === true) return { kind: "all", items: [] };
  const node = nodeOf(tree);
  return node.kind === "all" || node.kind === "any" ? node : { kind: "all", items: [node] };
}

/** The tree of a node; null: it says nothing. @param {Node} node @returns {Tree | null} */
function treeIn(node) {
  if (node.kind === "block") return node.tree;
  if (node.kind === "condition") return treeOfCondition(node);
  if (node.kind === "not") {
    const inner = treeIn(node.item);
    return inner === null ? null : op("not", inner);
  }
  const parts = node.items.map(treeIn).filter((part) => part !== null);
  if (parts.length < 2) return parts[0] ?? null;
  return op(node.kind === "all" ? "and" : "or", ...parts);
}

/** The tree of a form. @param {Node} form @returns {Tree} */
export const treeOf = (form) => treeIn(form) ?? true;

/**
 * Whether the numbers of a rule's text come back as they are written: here they are doubles (IEEE 754), which neither have more than
 * some 15 digits nor know 2.50 from 2.5. Else its tree may not be sent again.
 */
export function isExact(text) {
  const bare = text.replace(/'(?:[^'\\]|''|\\.)*'/g, "''").replace(/"[^"]*"|[\p{L}_:][\p{L}\p{N}_:.]*/gu, " ");
  return (bare.match(/\d[\d.]*(?:[eE][+-]?\d+)?/g) ?? []).every((digits) => String(Number(digits)) === digits);
}

const without = (list, at) => list.filter((_, place) => place !== at);

/**
 * The node at a path, changed; `change` gives null to take it away. A group that has lost its last part goes with it, but for the
 * whole. @param {Node} node @param {number[]} path @param {(node: Node) => Node | null} change
 */
export function changedAt(node, path, change) {
  if (path.length === 0) return change(node);
  const [at, ...rest] = path;
  if (node.kind === "condition" || node.kind === "block") return node;
  if (node.kind === "not") {
    // What is denied is its one part.
    const inner = changedAt(node.item, rest, change);
    return inner === null ? null : { ...node, item: inner };
  }
  const part = changedAt(node.items[at], rest, change);
  const items = part === null ? without(node.items, at) : node.items.map((item, place) => (place === at ? part : item));
  return { ...node, items };
}

/** A condition added to the group at a path. */
export function added(form, path, condition) {
  return changedAt(form, path, (node) => (node.kind === "all" || node.kind === "any" ? { ...node, items: [...node.items, condition] } : node));
}

/** The part at a path, or else another condition. */
export function orAlso(form, path, condition) {
  return changedAt(form, path, (node) => (node.kind === "any" ? { ...node, items: [...node.items, condition] } : { kind: "any", items: [node, condition] }));
}

/** The part at a path the other way about: "but not", or no longer. */
export function turned(form, path) {
  return changedAt(form, path, (node) => (node.kind === "not" ? node.item : { kind: "not", item: node }));
}

/** The part at a path taken away; groups without a part are gone, those of one part are that part. */
export function removed(form, path) {
  const tidy = (node, isWhole) => {
    if (node.kind === "not") {
      const item = tidy(node.item, false);
      return item === null ? null : { ...node, item };
    }
    if (node.kind !== "all" && node.kind !== "any") return node;
    const items = node.items.map((item) => tidy(item, false)).filter((item) => item !== null);
    if (isWhole) return { ...node, kind: items.length < 2 ? "all" : node.kind, items };
    return items.length < 2 ? (items[0] ?? null) : { ...node, items };
  };
  return tidy(changedAt(form, path, () => null) ?? { kind: "all", items: [] }, true);
}

/** All attributes that a form reads in conditions. @param {Node} node @returns {string[]} */
export function attributesIn(node) {
  if (node.kind === "condition") return [node.attribute];
  if (node.kind === "not") return attributesIn(node.item);
  return node.kind === "block" ? [] : node.items.flatMap(attributesIn);
}
