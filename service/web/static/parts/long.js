// What takes long, begun by a button: how far it is, and a way to end it.
import { getLong } from "../kept/jobs.js";
import { say } from "../kept/words.js";
import { html, useEffect, useRef, useState } from "./html.js";
import { Trouble } from "./trouble.js";

/** @param {string} path what is asked for when it is begun */
export function useLong(path) {
  const [found, set] = useState({ value: null, error: null, how: null });
  const ending = useRef(null);
  const end = () => ending.current?.abort();
  const begin = async () => {
    end();
    const mine = new AbortController();
    ending.current = mine;
    const told = (how) => !mine.signal.aborted && set((before) => ({ ...before, how }));
    set((before) => ({ ...before, error: null, how: { state: "asked", detail: "" } }));
    try {
      const value = await getLong(path, told, mine.signal);
      if (!mine.signal.aborted) set({ value, error: null, how: null });
    } catch (error) {
      // The view may be gone.
      if (ending.current === mine) set((before) => ({ ...before, error: mine.signal.aborted ? null : error, how: null }));
    }
  };
  useEffect(() => () => {
    end();
    ending.current = null;
  }, [path]);
  return { ...found, begin, end };
}

/** @param {{long: ReturnType<typeof useLong>, label: string, again: string}} of the words of the button, at first and later */
export function Long({ long, label, again }) {
  const { how } = long;
  return html`<p class="buttons"><button type="button" disabled=${how !== null} onClick=${long.begin}>${long.value === null ? label : again}</button>
      ${how !== null && html`<button type="button" class="plain" onClick=${long.end}>${say("long.end")}</button>`}</p>
    <p class="hint" role="status">${how === null ? "" : say(`long.${how.state}`)} ${how?.detail}</p>
    <${Trouble} error=${long.error} />`;
}
