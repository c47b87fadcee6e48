// Which pages there are to print, and where the service has them.

export const WHATS = ["want", "labels", "exhibition", "inventory"];
export const PAPERS = ["a4", "a6"];
/** Instead of the id of an exhibition: one that is still to be made. */
export const NEW = "new";

/**
 * The path of a page.
 * @param {string} what @param {{set: string, ids?: string, paper?: string, sheet?: string, first?: string, exhibition?: string}} asked
 */
export function pagePathOf(what, { set, ids = "", paper = "", sheet = "", first = "", exhibition = "" }) {
  if (what === "want") return path(`/v1/definitions/${set}/want-list`, { paper });
  if (what === "exhibition") return path(`/v1/definitions/${set}/exhibitions/${exhibition}`, {});
  if (what === "inventory") return path("/v1/insurance-list", { definition: set });
  return path("/v1/holdings/labels", { definition: set, ids: set === "" ? ids : "", sheet, first });
}

function path(where, asked) {
  const given = Object.entries(asked).filter(([, value]) => value !== "");
  return `${where}?${new URLSearchParams([["format", "html"], ...given])}`;
}
