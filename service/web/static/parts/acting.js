// One thing at a time that is sent to the service, and what went wrong with it.
import { useEffect, useRef, useState } from "./html.js";

/** Where to go on by keyboard: what was pressed, else what stands beside it, where it is gone or cannot be pressed any more. */
function focusBack({ pressed, around }) {
  if (document.activeElement !== document.body) return;
  if (pressed.isConnected) pressed.focus();
  if (document.activeElement !== document.body) return;
  const near = around.filter((one) => one.isConnected).map((one) => one.querySelector("button:not(:disabled), a[href], input:not(:disabled)"));
  /** @type {HTMLElement | null | undefined} */ (near.find((one) => one !== null))?.focus();
}

/** @returns {{busy: boolean, error: any, attempt: (act: () => Promise<unknown>) => Promise<void>}} */
export function useActing() {
  const [busy, setBusy] = useState(false);
  const [error, setError] = useState(/** @type {any} */ (null));
  // A button that cannot be pressed meanwhile loses the focus.
  const before = useRef(null);
  // A second press may come before the button is painted as one that cannot be pressed.
  const isUnderWay = useRef(false);
  useEffect(() => {
    if (busy || before.current === null) return;
    focusBack(before.current);
    before.current = null;
  }, [busy]);
  const attempt = async (act) => {
    if (isUnderWay.current) return;
    isUnderWay.current = true;
    const pressed = /** @type {HTMLElement} */ (document.activeElement);
    const around = [pressed.parentElement, pressed.closest("section, form")].filter((one) => one !== null);
    before.current = pressed === document.body ? null : { pressed, around };
    setBusy(true);
    setError(null);
    try {
      await act();
    } catch (trouble) {
      setError(trouble);
    } finally {
      isUnderWay.current = false;
      setBusy(false);
    }
  };
  return { busy, error, attempt };
}
