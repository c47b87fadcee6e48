// Asking the service. It is the only way to data; what is answered is read here and nowhere else.
import { onLanguage, spoken } from "./words.js";

/** A refusal (RFC 9457), or no answer at all (status 0). */
export class Problem extends Error {
  /** @param {{status: number, type?: string, title?: string, detail?: string, errors?: {detail?: string, pointer?: string}[]}} told */
  constructor(told) {
    super(told.detail ?? told.title ?? "");
    this.status = told.status;
    this.code = (told.type ?? "").split("/").pop();
    this.title = told.title ?? "";
    this.errors = told.errors ?? [];
  }
}

const known = new Map();
const ended = new Set();
let token = null;
// What is called by its name is called otherwise then.
onLanguage(() => known.clear());

/** From now on requests are sent with this token. @param {string | null} text */
export function useToken(text) {
  token = text;
  known.clear();
}

/** Calls `then` when the service says that the token is no longer valid. @param {() => void} then */
export function onEnd(then) {
  ended.add(then);
  return () => ended.delete(then);
}

/** The service said that the token is no longer valid. */
export function tokenEnded() {
  if (token !== null) for (const then of [...ended]) then();
}

/**
 * @param {string} method @param {string} path
 * @param {{body?: unknown, type?: string, headers?: Record<string, string>, as?: string, signal?: AbortSignal}} [asked] `as`: another token;
 *   a body that is a Blob or FormData is sent as it is, any other as JSON
 * @returns {Promise<Response>} an answer that is no refusal, or 304
 */
export async function ask(method, path, asked = {}) {
  /** @type {Record<string, string>} */
  const headers = { Accept: "application/json", "Accept-Language": spoken(), ...asked.headers };
  const bearer = asked.as ?? token;
  if (bearer !== null) headers.Authorization = `Bearer ${bearer}`;
  // A Blob has a type of its own, and FormData a boundary.
  const isPlain = asked.body !== undefined && !(asked.body instanceof Blob || asked.body instanceof FormData);
  if (isPlain) headers["Content-Type"] = asked.type ?? "application/json";
  const body = isPlain ? JSON.stringify(asked.body) : /** @type {Blob | FormData | undefined} */ (asked.body);
  let answer;
  try {
    // An answer from the HTTP cache would look like one of the service.
    answer = await fetch(path, { method, headers, body, cache: "no-store", signal: asked.signal });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Problem({ status: 0 });
  }
  if (answer.ok || answer.status === 304) return answer;
  const told = await answer.json().catch(() => ({}));
  if (answer.status === 401 && asked.as === undefined) tokenEnded();
  throw new Problem({ ...told, status: answer.status });
}

/** The JSON at a path; asked with the version that is known, so that what did not change is not sent again. */
export async function get(path) {
  const before = known.get(path);
  const answer = await ask("GET", path, before ? { headers: { "If-None-Match": before.etag } } : {});
  if (answer.status === 304) return before;
  const found = { data: await answer.json(), etag: answer.headers.get("ETag") };
  if (found.etag !== null) known.set(path, found);
  return found;
}

/** All items of a list, page after page. @param {string} path @param {(path: string) => Promise<any>} [read] gives the page at a path */
export async function all(path, read = async (next) => (await get(next)).data) {
  const items = [];
  for (let next = path; next; ) {
    const page = await read(next);
    items.push(...page.items);
    next = page.next;
  }
  return items;
}

/** Sends JSON and reads JSON; null for an empty answer. */
export async function send(method, path, body, more = {}) {
  const answer = await ask(method, path, { ...more, body });
  return answer.status === 204 ? null : answer.json();
}
