// Views whose modules are loaded when they are shown first, so that the first view does not wait for all of them.
import { say } from "../kept/words.js";
import { html, useEffect, useState } from "./html.js";
import { Trouble } from "./trouble.js";

/**
 * A component that is another one, once its module is there.
 * @param {() => Promise<Record<string, any>>} load @param {string} name of the component in the module
 */
export function later(load, name) {
  let View = null;
  return function Later(props) {
    const [error, setError] = useState(null);
    const [, paint] = useState(0);
    const fetched = async () => {
      try {
        View = (await load())[name];
        setError(null);
      } catch (trouble) {
        // What a browser says where a module could not be fetched; a fault inside of one is another error.
        setError(trouble instanceof TypeError ? Object.assign(trouble, { status: 0 }) : trouble);
      }
      paint((n) => n + 1);
    };
    useEffect(() => {
      if (View === null) fetched();
    }, []);
    if (View !== null) return html`<${View} ...${props} />`;
    return error === null ? html`<p role="status">${say("app.loading")}</p>` : html`<${Trouble} error=${error} again=${fetched} />`;
  };
}
