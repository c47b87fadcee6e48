// A drawing that the service made (SVG), as the address of a picture.
import { useEffect, useState } from "./html.js";

/** @param {string | null} drawn */
export function useDrawing(drawn) {
  const [address, set] = useState(/** @type {string | null} */ (null));
  useEffect(() => {
    if (drawn === null) {
      set(null);
      return undefined;
    }
    // Inside a page it needs no name of its language; as a file it does.
    const named = drawn.includes("xmlns=") ? drawn : drawn.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"');
    const made = URL.createObjectURL(new Blob([named], { type: "image/svg+xml" }));
    set(made);
    return () => URL.revokeObjectURL(made);
  }, [drawn]);
  return address;
}
