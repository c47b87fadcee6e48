// Going from view to view without loading the page anew.
import { useState } from "./html.js";

const watching = new Set();

/** @param {string} path */
export function go(path, { replace = false } = {}) {
  if (replace) history.replaceState(null, "", path);
  else history.pushState(null, "", path);
  for (const then of [...watching]) then();
}

/** What is chosen in a view, as it was when somebody comes back to it. @param {string} name @param {any} first @returns {[any, (value: any) => void]} */
export function useHere(name, first) {
  const [value, set] = useState(() => history.state?.[name] ?? first);
  const put = (next) => {
    history.replaceState({ ...history.state, [name]: next }, "");
    set(next);
  };
  return [value, put];
}

/** Calls `then` whenever another view is to be shown. */
export function onGo(then) {
  const clicked = (event) => {
    const link = event.target.closest?.("a[href]");
    if (!link || event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey) return;
    const at = new URL(link.href);
    if (at.origin !== location.origin || !at.pathname.startsWith("/app/") || link.hasAttribute("download")) return;
    if (at.pathname === location.pathname && at.search === location.search && at.hash !== "") return;
    event.preventDefault();
    go(at.pathname + at.search + at.hash);
  };
  watching.add(then);
  document.addEventListener("click", clicked);
  window.addEventListener("popstate", then);
  return () => {
    watching.delete(then);
    document.removeEventListener("click", clicked);
    window.removeEventListener("popstate", then);
  };
}
