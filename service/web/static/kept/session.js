// Who is signed in with this browser. The token is kept until it is revoked; no cookie is needed.
import { Problem, ask, send, useToken } from "./api.js";
import { drop, kept, wipe } from "./database.js";
import { OtherAccount } from "./device.js";
import { unsavedDrafts } from "./drafts.js";
import { dropPages } from "./paper.js";
import { claim, device, end, tellTabs } from "./sending.js";
import { say } from "./words.js";

const SCOPES = ["read", "write", "evaluate"];
export const TOKENS = "/v1/account/tokens";

/** @typedef {{token: string, name: string, scopes: string[]}} Session */

/** The session that this browser keeps, or null. @returns {Promise<Session | null>} */
export async function keptSession() {
  const session = (await kept("session")) ?? null;
  useToken(session?.token ?? null);
  return session;
}

/** Signs in with a token, whose account the service is asked for. @returns {Promise<Session>} */
export async function withToken(token) {
  const answer = await ask("GET", "/v1/account", { as: token });
  const account = await answer.json();
  const session = { token, name: account.name, scopes: account.scopes };
  // What is unsent here belongs to one account, and is not mixed with another's.
  await claim(session).catch((error) => {
    if (!(error instanceof OtherAccount)) throw error;
    throw new Problem({ status: -1, title: say("unsent.other_account", { name: error.message }) });
  });
  useToken(token);
  tellTabs();
  // What is unsent is not to be removed where room is needed. Where the browser refuses, it can be saved as a file.
  navigator.storage?.persist?.().catch(() => {});
  return session;
}

/** Signs in with a name and a password. `device`: what the token is called in the account's list. */
export async function withPassword(name, password, device) {
  const made = await send("POST", TOKENS, { name, password, token_name: device, scopes: SCOPES });
  return withToken(made.access_token);
}

/** Sets a password with a one-time text, then signs in with it. */
export async function withNewPassword(name, text, password, device) {
  await send("POST", "/v1/account/password-resets", { name, reset: text, password });
  return withPassword(name, password, device);
}

/** A code to be approved where somebody is signed in already (RFC 8628). */
export const beginPairing = () => send("POST", "/v1/device-pairings", {});

/** The session when the code was approved; null while nobody has answered. */
export async function pollPairing(deviceCode) {
  const grant = "urn:ietf:params:oauth:grant-type:device_code";
  const made = await send("POST", "/v1/device-pairings/token", { grant_type: grant, device_code: deviceCode });
  return withToken(made.access_token);
}

/** @typedef {{token: string | undefined, end: () => Promise<void>}} Whole `token` undefined: that of this browser is good for it */

/**
 * A token that may do all: that of this browser, else one that is made with the password and is to be ended.
 * @param {Session} session @param {string} password @param {string} name what it is called in the list of tokens @param {number} seconds how long it is good
 * @returns {Promise<Whole>}
 */
export async function wholeToken(session, password, name, seconds) {
  if (session.scopes.includes("admin")) return { token: undefined, end: async () => {} };
  const { access_token: token } = await send("POST", TOKENS, { name: session.name, password, token_name: name, scopes: [...SCOPES, "admin"], expires_in_seconds: seconds });
  return { token, end: () => ask("DELETE", "/v1/account/token", { as: token }).then(() => {}, () => {}) };
}

/**
 * Approves or denies a code. A token that may only read and write takes the password as well.
 * @param {Session} session @param {{user_code: string, approve: boolean, device_name: string}} decision
 */
export async function decidePairing(session, decision, password) {
  const whole = await wholeToken(session, password, decision.device_name, 60);
  try {
    return await send("POST", "/v1/device-pairings/approvals", { ...decision, scopes: SCOPES }, { as: whole.token });
  } finally {
    await whole.end();
  }
}

/** Ends the token and forgets everything here. False: the service could not be told, so that the token is still good. */
export async function signOut() {
  end();
  let told = true;
  try {
    await ask("DELETE", "/v1/account/token");
  } catch (error) {
    told = error.status === 401;
  }
  await forget();
  return told;
}

/** Forgets everything here. */
export async function forget() {
  end();
  useToken(null);
  await dropPages();
  await wipe();
  tellTabs();
}

/** The token is no longer good: everything here is forgotten, unless there is something that was not sent or saved; then that is kept. */
export async function lapse() {
  end();
  useToken(null);
  await dropPages();
  const { unsent, refused } = await device.waiting();
  if (unsent + refused + (await unsavedDrafts()).length === 0) await wipe();
  else await drop("session");
  tellTabs();
}
