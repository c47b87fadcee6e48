// The app: which view an address shows, and who is signed in.
import { onEnd } from "./kept/api.js";
import { unsavedDrafts } from "./kept/drafts.js";
import { keepSheets } from "./kept/need-sheets.js";
import { begin, device, end, turn } from "./kept/sending.js";
import { keptSession, lapse, signOut } from "./kept/session.js";
import { askToKeep } from "./kept/storage.js";
import { loadWords, onLanguage, say } from "./kept/words.js";
import { loadAttributes } from "./parts/data.js";
import { html, render, useCallback, useEffect, useState } from "./parts/html.js";
import { Languages } from "./parts/language.js";
import { later } from "./parts/later.js";
import { go, onGo } from "./parts/navigation.js";
import { Unsent, useNeeding } from "./parts/unsent.js";
import { NewPassword, SignIn } from "./views/account.js";
import { Home } from "./views/home.js";

// What is not shown first is loaded when it is.
const Album = later(() => import("./views/album.js"), "Album");
const Build = later(() => import("./views/build.js"), "Build");
const Club = later(() => import("./views/club.js"), "Club");
const Clubs = later(() => import("./views/clubs.js"), "Clubs");
const Attention = later(() => import("./views/attention.js"), "Attention");
const Coin = later(() => import("./views/coin.js"), "Coin");
const Coins = later(() => import("./views/coins.js"), "Coins");
const Import = later(() => import("./views/import.js"), "Import");
const Lists = later(() => import("./views/lists.js"), "Lists");
const Join = later(() => import("./views/join.js"), "Join");
const MyAccount = later(() => import("./views/my-account.js"), "MyAccount");
const NewCoin = later(() => import("./views/new-coin.js"), "NewCoin");
const Offer = later(() => import("./views/offer.js"), "Offer");
const Pair = later(() => import("./views/pair.js"), "Pair");
const Place = later(() => import("./views/place.js"), "Place");
const Print = later(() => import("./views/print.js"), "Print");
const Printed = later(() => import("./views/print.js"), "Printed");
const Table = later(() => import("./views/table.js"), "Table");
const Take = later(() => import("./views/take.js"), "Take");

const CLUB = /^\/app\/clubs(?:\/([0-9a-f-]{36})(?:\/sets\/([0-9a-f-]{36}))?)?\/?$/;
const COIN = /^\/app\/coins(?:\/([0-9a-f-]{36}))?\/?$/;
const BUILD = /^\/app\/build\/(new|[0-9a-f-]{36})\/?$/;
const SET = /^\/app\/sets\/([0-9a-f-]{36})(\/place)?\/?$/;

/** The view of an address, for somebody who is signed in. */
function viewOf(session, gone) {
  const { pathname, search } = location;
  if (pathname === "/pair") return html`<${Pair} session=${session} code=${new URLSearchParams(search).get("user_code") ?? ""} />`;
  const [, set, isPlace] = SET.exec(pathname) ?? [];
  if (isPlace) return html`<${Place} key=${pathname + search} set=${set} address=${new URLSearchParams(search).get("at") ?? ""} />`;
  if (pathname === "/app/coins/import") return html`<${Import} />`;
  const [, built] = BUILD.exec(pathname) ?? [];
  if (built) return html`<${Build} key=${built} set=${built === "new" ? null : built} />`;
  if (pathname === "/app/coins/new") return html`<${NewCoin} key=${search} like=${new URLSearchParams(search).get("like") ?? ""} />`;
  const club = CLUB.exec(pathname);
  if (club?.[2]) return html`<${Offer} key=${club[2]} club=${club[1]} definition=${club[2]} />`;
  if (club?.[1]) return html`<${Club} key=${club[1]} club=${club[1]} />`;
  if (club) return html`<${Clubs} session=${session} />`;
  if (pathname === "/app/take") return html`<${Take} />`;
  const coins = COIN.exec(pathname);
  if (coins?.[1]) return html`<${Coin} key=${coins[1]} coin=${coins[1]} />`;
  if (coins) return html`<${Coins} />`;
  if (pathname === "/app/account") return html`<${MyAccount} session=${session} gone=${gone} />`;
  if (pathname === "/app/lists") return html`<${Lists} />`;
  if (pathname === "/app/table") return html`<${Table} />`;
  if (pathname === "/app/attention") return html`<${Attention} />`;
  if (pathname === "/app/print") return html`<${Print} key=${search} asked=${new URLSearchParams(search)} />`;
  if (pathname.startsWith("/app/paper/")) return html`<${Printed} />`;
  if (set) return html`<${Album} key=${set} set=${set} />`;
  return html`<${Home} />`;
}

function App({ first }) {
  const [session, setSession] = useState(first);
  const [notice, setNotice] = useState("");
  const [, paint] = useState(0);
  useEffect(() => onGo(() => {
    setNotice("");
    paint((n) => n + 1);
  }), []);
  useEffect(() => onLanguage(() => paint((n) => n + 1)), []);
  useEffect(() => onEnd(async () => {
    await lapse();
    setSession(null);
    setNotice(say("account.ended"));
  }), []);
  useEffect(() => {
    if (session === null) return end();
    // Kept for when there is no network.
    loadAttributes().catch(() => {});
    return begin(session);
  }, [session]);
  useEffect(() => (session === null ? undefined : keepSheets()), [session]);
  const signedIn = useCallback((made, to) => {
    askToKeep();
    setSession(made);
    setNotice("");
    if (to !== undefined) go(to, { replace: true });
  }, []);
  const [leaving, setLeaving] = useState(false);
  const leave = useCallback(async (anyway) => {
    if (anyway !== true && (await isUnsent())) {
      setLeaving(true);
      return;
    }
    setLeaving(false);
    const told = await signOut();
    setSession(null);
    go("/app/", { replace: true });
    setNotice(say(told ? "account.signed_out" : "account.signed_out_untold"));
  }, []);

  const gone = useCallback(() => {
    setSession(null);
    go("/app/", { replace: true });
    setNotice(say("me.gone"));
  }, []);

  const { pathname } = location;
  // These are for whoever is to be signed in from now on.
  const anew = ["/app/join", "/app/password", "/app/sign-in"].includes(pathname);
  let view;
  if (pathname === "/app/password") view = html`<${NewPassword} signedIn=${signedIn} />`;
  else if (pathname === "/app/join") view = html`<${Join} signedIn=${signedIn} />`;
  else if (session === null || anew) view = html`<${SignIn} signedIn=${(made, to = anew ? "/app/" : undefined) => signedIn(made, to)} />`;
  else view = viewOf(session, gone);
  return html`
    <a class="skip" href="#content">${say("app.skip")}</a>
    <header>
      <a class="home" href="/app/">${say("app.name")}</a>
      ${session && !anew && html`<nav class="views" aria-label=${say("app.views")}>
        <a href="/app/" aria-current=${pathname === "/app/" ? "page" : undefined}>${say("home.title")}</a>
        <a href="/app/coins" aria-current=${pathname === "/app/coins" ? "page" : undefined}>${say("coins.title")}</a>
        <a href="/app/table" aria-current=${pathname === "/app/table" ? "page" : undefined}>${say("table.nav")}</a>
        <a href="/app/print" aria-current=${pathname === "/app/print" ? "page" : undefined}>${say("print.title")}</a>
        <a href="/app/clubs" aria-current=${pathname === "/app/clubs" ? "page" : undefined}>${say("club.clubs")}</a>
        <${AttentionLink} here=${pathname === "/app/attention"} />
      </nav>
      <p class="who"><a href="/app/account" aria-current=${pathname === "/app/account" ? "page" : undefined}>${session.name}</a>
        <button type="button" class="plain" onClick=${() => leave()}>${say("account.sign_out")}</button></p>`}
    </header>
    <main id="content">
      ${notice !== "" && html`<p class="notice" role="status">${notice}</p>`}
      ${leaving && html`<${Unsent} title=${say("unsent.leaving")} remove=${say("unsent.leave")} removed=${() => leave(true)} kept=${() => setLeaving(false)} />`}
      ${view}
    </main>
    <footer><p>${say("app.caution")}</p><p><a href="/docs">${say("app.operations")}</a></p><${Languages} /></footer>`;
}

/** The way to what needs its owner, with how much that is. */
function AttentionLink({ here }) {
  const n = useNeeding();
  return html`<a href="/app/attention" aria-current=${here ? "page" : undefined}>${n === 0 ? say("needs.title") : say("needs.link", { n })}</a>`;
}

/** Whether something of this browser is not at the service, after another try. */
async function isUnsent() {
  const is = async () => {
    const { unsent, refused } = await device.waiting();
    return unsent + refused + (await unsavedDrafts()).length > 0;
  };
  if (!(await is())) return false;
  await Promise.race([turn(), new Promise((done) => setTimeout(done, 5000))]);
  return is();
}

/** Trusted Types: the one script that is started by its address is the worker. */
function workerAddress() {
  const address = "/app/sw.js";
  return globalThis.trustedTypes?.createPolicy("worker", { createScriptURL: () => address }).createScriptURL(address) ?? address;
}

async function start() {
  const root = /** @type {HTMLElement} */ (document.getElementById("app"));
  try {
    await loadWords();
    const session = await keptSession();
    root.replaceChildren();
    render(html`<${App} first=${session} />`, root);
  } catch (error) {
    // Without words or a database there is no app; what happened is all that can be said.
    root.textContent = String(error);
    throw error;
  }
  // Only in a secure context: https, or this machine itself.
  await navigator.serviceWorker?.register(workerAddress(), { scope: "/app/" }).catch(() => {});
}

start();
