// The account as a whole. What concerns it takes a token with every scope: the one of this browser, or one that is made with the password and
// ended when it is no longer needed.
import { ask } from "./api.js";
import { finished } from "./jobs.js";
import { SCOPES, TOKENS } from "./session.js";

/** @typedef {{token: string | undefined, end: () => Promise<void>}} Whole `token` undefined: that of this browser is good for it */

// Long enough to read a list and to think about it.
const SECONDS = 15 * 60;

const read = async (method, path, as, body) => {
  const answer = await ask(method, path, { as, body });
  return answer.status === 204 ? null : answer.json();
};

/** @returns {Promise<{name: string, is_admin: boolean, has_password: boolean, created_at: string, token_id: string}>} */
export const readAccount = () => read("GET", "/v1/account");

/** @param {import("./session.js").Session} session @param {string} password @param {string} name what it is called in the list of tokens @returns {Promise<Whole>} */
export async function wholeToken(session, password, name) {
  if (session.scopes.includes("admin")) return { token: undefined, end: async () => {} };
  const made = await read("POST", TOKENS, undefined, { name: session.name, password, token_name: name, scopes: [...SCOPES, "admin"], expires_in_seconds: SECONDS });
  return { token: made.access_token, end: () => ask("DELETE", "/v1/account/token", { as: made.access_token }).then(() => {}, () => {}) };
}

async function every(path, as) {
  const items = [];
  for (let next = path; next; ) {
    const page = await read("GET", next, as);
    items.push(...page.items);
    next = page.next;
  }
  return items;
}

/** @param {Whole} whole */
export const tokens = ({ token }) => every(TOKENS, token);
export const endToken = ({ token }, id) => read("DELETE", `${TOKENS}/${id}`, token);
/** The old password is "" where there was none. */
export const changePassword = ({ token }, before, password) =>
  read("PUT", "/v1/account/password", token, { new_password: password, ...(before === "" ? {} : { old_password: before }) });

const INVITATIONS = "/v1/account/invitations";
export const invitations = ({ token }) => every(INVITATIONS, token);
export const invite = ({ token }, note) => read("POST", INVITATIONS, token, note === "" ? {} : { note });
export const revokeInvitation = ({ token }, id) => read("DELETE", `${INVITATIONS}/${id}`, token);

/** Opens an account with an invitation; whoever did it signs in afterwards. */
export const openAccount = (invitation, name, password) => read("POST", "/v1/account/redemptions", undefined, { invitation, name, password });

/** Everything that the account keeps, as a ZIP file; of many photos the service makes it a job. @param {Whole} whole @param {AbortSignal} signal @returns {Promise<Blob>} */
export async function everything({ token: as }, signal) {
  const answer = await ask("GET", "/v1/account/export", { as, signal, headers: { Accept: "application/zip, application/json, application/problem+json" } });
  return (answer.status === 202 ? await finished(await answer.json(), () => {}, signal, as) : answer).blob();
}

/** Deletes the account, now and for good. The password is "" where there is none. */
export const deleteAccount = ({ token }, name, password) => read("DELETE", "/v1/account", token, { name, ...(password === "" ? {} : { password }) });
