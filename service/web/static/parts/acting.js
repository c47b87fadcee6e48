// One thing at a time that is sent to the service, and what went wrong with it.
import { useState } from "./html.js";

/** @returns {{busy: boolean, error: Error | null, attempt: (act: () => Promise<unknown>) => Promise<void>}} */
export function useActing() {
  const [busy, setBusy] = useState(false);
  const [error, setError] = useState(null);
  const attempt = async (act) => {
    setBusy(true);
    setError(null);
    try {
      await act();
    } catch (trouble) {
      setError(trouble);
    } finally {
      setBusy(false);
    }
  };
  return { busy, error, attempt };
}
