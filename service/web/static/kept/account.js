// The account as a whole. What concerns it takes a token with every scope.
import { all, ask, send } from "./api.js";
import { finished } from "./jobs.js";
import { TOKENS } from "./session.js";

/** @typedef {import("./session.js").Whole} Whole */

const INVITATIONS = "/v1/account/invitations";

/** @returns {Promise<{name: string, is_admin: boolean, has_password: boolean, created_at: string, token_id: string}>} */
export const readAccount = () => send("GET", "/v1/account");

// What is read with a token that may do all is not kept with what this browser knows.
const every = (path, as) => all(path, (next) => send("GET", next, undefined, { as }));

/** @param {Whole} whole */
export const tokens = ({ token }) => every(TOKENS, token);
export const endToken = ({ token: as }, id) => send("DELETE", `${TOKENS}/${id}`, undefined, { as });
/** The old password is "" where there was none. */
export const changePassword = ({ token: as }, before, password) =>
  send("PUT", "/v1/account/password", { new_password: password, ...(before === "" ? {} : { old_password: before }) }, { as });

export const invitations = ({ token }) => every(INVITATIONS, token);
export const invite = ({ token: as }, note) => send("POST", INVITATIONS, note === "" ? {} : { note }, { as });
export const revokeInvitation = ({ token: as }, id) => send("DELETE", `${INVITATIONS}/${id}`, undefined, { as });

/** Opens an account with an invitation; whoever did it signs in afterwards. */
export const openAccount = (invitation, name, password) => send("POST", "/v1/account/redemptions", { invitation, name, password });

/** Everything that the account keeps, as a ZIP file; of many photos the service makes it a job. @param {Whole} whole @param {AbortSignal} signal @returns {Promise<Blob>} */
export async function everything({ token: as }, signal) {
  const answer = await ask("GET", "/v1/account/export", { as, signal, headers: { Accept: "application/zip, application/json, application/problem+json" } });
  return (answer.status === 202 ? await finished(await answer.json(), () => {}, signal, as) : answer).blob();
}

/** Deletes the account, now and for good. The password is "" where there is none. */
export const deleteAccount = ({ token: as }, name, password) => send("DELETE", "/v1/account", { name, ...(password === "" ? {} : { password }) }, { as });
